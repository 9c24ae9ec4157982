"""However the world is described the joint solution is the same, and agrees with other geometry.

Sources: scipy.spatial.transform.Rotation.align_vectors (Wahba's problem); cv2.triangulatePoints;
the torque-free symmetric top (textbook: the axis of symmetry precesses about the angular momentum
at L / I1, the body spins about it).
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.support import motion_case as case
from tracker.core.rigid_body import point_motion
from tracker.motion import VehicleGeometry, solve

TIME = np.arange(-0.05, 0.15, 4e-3)
CRASH = case.crash(TIME)


def test_a_film_played_from_later_gives_the_same_motion() -> None:
    """Clocks that start elsewhere, contact given on them, change nothing."""
    seen = case.both(TIME, CRASH, 0.03)
    here = solve(seen, {"car": case.car()}).motion("car", TIME)
    later = {n: replace(cam, seconds=cam.seconds + 2.5) for n, cam in seen.items()}
    there = solve(later, {"car": case.car()}, contact=2.5).motion("car", TIME + 2.5)
    assert there.state == pytest.approx(here.state, abs=1e-4)
    assert there.u == pytest.approx(here.u, rel=1e-3, abs=1e-7)


def test_vehicle_axes_may_start_anywhere() -> None:
    """The cg's motion is that of the same point, wherever the vehicle's axes have their origin."""
    shift = np.array([2.0, -0.3, 0.5])
    moved = {m: tuple(np.array(at) + shift) for m, at in case.MARKERS.items()}
    other = VehicleGeometry(tuple(np.array(case.CG) + shift), moved, 1e-3)
    seen = case.both(TIME, CRASH, 0.03)
    here = solve(seen, {"car": case.car()}).motion("car", TIME)
    there = solve(seen, {"car": other}).motion("car", TIME)
    assert there.state == pytest.approx(here.state, abs=1e-6)


def test_attitude_is_that_of_wahbas_problem() -> None:
    solution = solve(case.both(TIME, case.steps(TIME), 0.0), {"car": case.car()})
    lever_arms = np.array(list(case.MARKERS.values())) - np.array(case.CG)
    state = case.steps(TIME)
    found = solution.motion("car", TIME).state
    for k in range(0, len(TIME), 10):
        points = (
            np.stack([point_motion(state[k], lever_arm)[0] for lever_arm in lever_arms])
            - state[k, :3]
        )
        turn, _ = Rotation.align_vectors(points, lever_arms)
        assert found[k, 3:6] == pytest.approx(turn.as_euler("ZYX")[::-1], abs=1e-6)


def test_a_point_in_two_views_is_where_triangulation_puts_it() -> None:
    truth = np.zeros((len(TIME), 15))
    truth[:, 0], truth[:, 2] = -1 + 3 * TIME, -1.0
    dot = {"c": (0.0, 0.0, 0.0)}
    cameras = {"above": case.OVERHEAD, "side": case.SIDE}
    seen = {
        n: case.evidence(c, TIME, truth, ("c",), 0.0, markers=dot, cg=(0, 0, 0), vehicle="dot")
        for n, c in cameras.items()
    }
    solution = solve(seen, {"dot": VehicleGeometry((0, 0, 0), dot, 1e-6)})
    found = solution.motion("dot", TIME).state[:, :3]
    views, points = [], []
    for n, c in cameras.items():
        views.append(np.column_stack([c.rotation, -c.rotation @ c.position]))
        points.append(c.lens.undistort_pixels(seen[n].position[:, 0]).T)
    homogeneous = cv2.triangulatePoints(*views, *points)
    assert found == pytest.approx((homogeneous[:3] / homogeneous[3]).T, abs=1e-5)


def about_z(angle: np.ndarray) -> Rotation:
    return Rotation.from_rotvec(angle[:, None] * [0.0, 0.0, 1.0])


def test_a_free_top_precesses_and_spins_at_its_own_rates() -> None:
    """L / I1 = 6 rad/s about the upright; spin (1 / I3 - 1 / I1) L cos(tilt) about its own axis."""
    t = np.arange(0.0, 0.6, 1e-2)
    tilt, precession = np.radians(25.0), 6.0
    spin = (1 / 0.4 - 1 / 1.0) * precession * np.cos(tilt)
    # the top's axis is the vehicle's z; precession about the ground's z
    turns = about_z(precession * t) * Rotation.from_euler("y", tilt) * about_z(spin * t)
    truth = np.zeros((len(t), 15))
    truth[:, 0], truth[:, 2] = -1.0, -1.0
    truth[:, 3:6] = np.unwrap(turns.as_euler("ZYX")[:, ::-1], axis=0)
    marks = tuple(case.MARKERS)
    seen = {
        n: case.evidence(c, t, truth, marks, 0.02, k)
        for k, (n, c) in enumerate((("above", case.OVERHEAD), ("side", case.SIDE)))
    }
    solution = solve(seen, {"car": case.car()}, contact=-1.0)
    state = solution.motion("car", t).state
    found = Rotation.from_euler("ZYX", state[:, [5, 4, 3]])
    axis = found.apply([0.0, 0.0, 1.0])
    around = np.unwrap(np.arctan2(axis[:, 1], axis[:, 0]))
    assert np.polyfit(t, around, 1)[0] == pytest.approx(precession, rel=2e-3)
    assert np.degrees(np.arccos(axis[:, 2])) == pytest.approx(25.0, abs=0.1)
    own = Rotation.from_euler("y", -tilt) * about_z(-precession * t) * found
    about = np.unwrap(own.as_euler("zyx")[:, 0])
    assert np.polyfit(t, about, 1)[0] == pytest.approx(spin, rel=2e-3)


def test_what_runs_after_a_crash_does_not_smooth_it() -> None:
    """The pulse keeps its knots and its uncertainty, however long the film goes on at rest."""
    short = np.arange(-0.05, 0.2, 4e-3)
    rest = np.arange(0.2, 1.4, 4e-3)
    crash = case.crash(short)
    after = np.tile(crash[-1], (len(rest), 1))
    after[:, 6:] = 0.0
    after[:, :6] += 0.3 * crash[-1, 6:12] * (1 - np.exp(-(rest - short[-1]) / 0.3))[:, None]
    both = {
        "short": case.both(short, crash, 0.03),
        "long": case.both(np.r_[short, rest], np.concatenate([crash, after]), 0.03),
    }
    solved = {name: solve(seen, {"car": case.car()}) for name, seen in both.items()}
    pulse = np.arange(0.0, 0.1, 4e-3)
    steps = {n: np.diff(s.knots[(s.knots >= 0) & (s.knots <= 0.1)]) for n, s in solved.items()}
    u = {n: s.motion("car", pulse).u[:, 6] for n, s in solved.items()}
    assert steps["long"].max() < 1.3 * steps["short"].max()
    assert np.median(u["long"]) == pytest.approx(np.median(u["short"]), rel=0.25)
