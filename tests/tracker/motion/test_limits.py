"""The joint solution at its limits: full turns, few marks, contradictions, soft pulses."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calibration.errors import Problem
from tests.support import motion_case as case
from tracker.motion import CameraEvidence, VehicleGeometry, solve

TIME = np.arange(-0.05, 0.15, 4e-3)
CRASH = case.crash(TIME)
CUBE = {
    f"m{k}": (1.8 * x, 0.8 * y, -0.56 + 0.6 * z)
    for k, (x, y, z) in enumerate((x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1))
}


def only(seen: CameraEvidence, marks: int) -> CameraEvidence:
    """The evidence of the first marks alone."""
    return replace(
        seen,
        marks=seen.marks[:marks],
        position=seen.position[:, :marks],
        covariance=seen.covariance[:, :marks],
        measured_mask=seen.measured_mask[:, :marks],
    )


@pytest.mark.parametrize("about", ["its length", "its width", "its height", "both"])
def test_a_vehicle_may_turn_over(about: str) -> None:
    """Attitudes compared as rotations: scipy.spatial.transform.Rotation."""
    t = np.arange(-0.05, 1.0, 1e-2)
    after = np.maximum(t, 0.0)
    once = 2 * np.pi * after**2 * (3 - 2 * after)
    truth = np.zeros((len(t), 15))
    truth[:, 0], truth[:, 2] = -2 + 4 * t, -0.8
    if about == "its length":
        truth[:, 3], truth[:, 4], truth[:, 5] = once, 0.15 * np.sin(3 * after), 0.3 * after
    elif about == "its width":
        truth[:, 4] = once
    elif about == "its height":  # a spin of a turn and a quarter
        truth[:, 5] = 1.25 * once
    else:
        truth[:, 3], truth[:, 4], truth[:, 5] = 0.4 * after, once / 3.2, 0.3 * after
    seen = {
        name: case.evidence(camera, t, truth, tuple(CUBE), 0.03, k, markers=CUBE)
        for k, (name, camera) in enumerate((("above", case.OVERHEAD), ("side", case.SIDE)))
    }
    solution = solve(seen, {"car": VehicleGeometry(case.CG, CUBE, 1e-3)})
    state = solution.motion("car", t).state
    true, found = (Rotation.from_euler("ZYX", s[:, [5, 4, 3]]) for s in (truth, state))
    assert np.degrees((found * true.inv()).magnitude().max()) < 0.15
    assert np.abs(state[:, :3] - truth[:, :3]).max() < 5e-3
    assert abs(state[-1, 5] - truth[-1, 5]) < np.radians(0.2) or about != "its height"
    steep = "attitude_steep" in {f.code for f in solution.findings}
    assert steep == (about in ("its width", "both"))


def test_two_marks_tell_what_two_marks_can() -> None:
    """Two points fix everything but the turn about the line between them."""
    both = {n: only(cam, 2) for n, cam in case.both(TIME, CRASH, 0.03).items()}
    # the same two in both views: hidden from one side, they are distinguished by the other
    both["side"] = case.evidence(case.SIDE, TIME, CRASH, ("roof1", "roof2"), 0.03, 5)
    motion = solve(both, {"car": case.car()}).motion("car", TIME)
    middle = slice(3, -3)
    assert motion.observed_mask[middle][:, [0, 1, 2, 3, 5, 6]].all()
    off = (motion.state - CRASH)[:, [0, 3, 5, 6]] / motion.u[:, [0, 3, 5, 6]]
    assert (np.abs(off) < 1.96).mean() > 0.85


@pytest.mark.parametrize(
    ("fault", "camera"), [("other marks", "side"), ("wrong focal length", "side")]
)
def test_a_contradiction_is_refused_and_the_camera_named(fault: str, camera: str) -> None:
    seen = case.both(TIME, CRASH, 0.03)
    side = seen["side"]
    if fault == "other marks":
        seen["side"] = replace(side, position=side.position[:, ::-1])
    else:
        lens = replace(
            side.camera.lens, matrix=side.camera.lens.matrix * [[1.1, 1, 1], [1, 1.1, 1], [1, 1, 1]]
        )
        seen["side"] = replace(side, camera=replace(side.camera, lens=lens))
    with pytest.raises(Problem, match="miss any motion of rigid vehicles") as refused:
        solve(seen, {"car": case.car()})
    assert refused.value.where == f"cameras.{camera}"


def test_a_mark_that_scatters_more_than_the_others_counts_for_less_and_is_named() -> None:
    seen = case.both(TIME, CRASH, 0.03)
    rng = np.random.default_rng(3)
    loud = seen["side"].position.copy()
    loud[:, 2] += rng.normal(0, 0.12, loud[:, 2].shape)
    seen["side"] = replace(seen["side"], position=loud)
    solution = solve(seen, {"car": case.car()})
    found = [f.text for f in solution.findings if f.code == "mark_scatters"]
    assert len(found) == 1
    assert found[0].startswith(seen["side"].marks[2])
    own = solution.mark_chi_square["side"]
    assert own[seen["side"].marks[2]] > 6 * np.median(list(own.values()))


def test_a_soft_pulse_leaves_the_moment_of_contact_open() -> None:
    """A haversine sets in with no jump: its first 10 ms are no deceleration that shows."""
    ax = np.where((TIME > 0) & (TIME < 0.12), -80 * np.sin(np.pi * TIME / 0.12) ** 2, 0.0)
    truth = np.zeros((len(TIME), 15))
    step = TIME[1] - TIME[0]
    truth[:, 2], truth[:, 12] = -0.56, ax
    truth[:, 6] = 14 + np.cumsum(ax) * step
    truth[:, 0] = -1 + np.cumsum(truth[:, 6]) * step
    seen = {n: replace(cam, zero_u=np.inf) for n, cam in case.both(TIME, truth, 0.03).items()}
    solution = solve(seen, {"car": case.car()}, contact=None)
    late, u = -solution.clocks["overhead"].offset, solution.contact[1]
    assert 3e-3 < u < 25e-3
    assert abs(late) < 3 * u


@pytest.mark.parametrize(("wrong", "warned"), [(1, False), (4, True)])
def test_figures_are_not_to_be_relied_on_where_half_of_the_marks_contradict_them(
    wrong: int, warned: bool
) -> None:
    """Marks of the side camera drift off while the roof's and some of the side's are sound."""
    films = case.both(TIME, CRASH)
    side = films["side"]
    drifting = side.position.copy()
    drifting[:, -wrong:] += 60.0 * np.maximum(TIME, 0.0)[:, None, None] / TIME[-1]
    films["side"] = replace(side, position=drifting)

    solution = solve(films, {"car": case.car()}, contact=0.0)

    found = [w for w in solution.findings if w.code == "marks_outnumbered"]
    assert [w.where for w in found] == (["cameras.side"] if warned else [])
    assert all(w.grade == "serious" for w in found)
