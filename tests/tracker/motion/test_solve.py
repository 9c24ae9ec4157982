"""The joint solution: what it recovers, what it claims, what it refuses to believe."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.errors import Problem
from tests.support import motion_case as case
from tracker.core.types import STATE
from tracker.motion import SOURCES, Solution, VehicleGeometry, solve

TIME = np.arange(-0.05, 0.15, 2e-3)
CRASH = case.crash(TIME)
PLANE = (np.nan, 1e-3, np.nan)  # only the plane of motion is known


@pytest.fixture(scope="module")
def solution() -> Solution:
    return solve(case.both(TIME, CRASH, noise=0.03), {"car": case.car()})


def errors(solution: Solution, truth: np.ndarray = CRASH, time: np.ndarray = TIME) -> np.ndarray:
    """Errors (n, 15) in units of the claimed standard uncertainties."""
    motion = solution.motion("car", time)
    return (motion.state - truth) / motion.u


def test_a_known_motion_comes_back_from_exact_marks() -> None:
    truth = case.steps(TIME)
    motion = solve(case.both(TIME, truth, noise=0.0), {"car": case.car()}).motion("car", TIME)
    assert motion.state[:, :6] == pytest.approx(truth[:, :6], abs=1e-6)
    assert motion.state[:, 6:12] == pytest.approx(truth[:, 6:12], abs=2e-5)
    assert motion.state[:, 12:] == pytest.approx(truth[:, 12:], abs=2e-2)
    assert motion.observed_mask.all()


def test_intervals_hold_the_truth(solution: Solution) -> None:
    inside = np.abs(errors(solution)) < 1.96
    assert inside.mean() > 0.9
    assert errors(solution).std() > 0.3  # nor are they idly wide


def test_marks_fit_to_their_noise(solution: Solution) -> None:
    for camera in ("overhead", "side"):
        assert solution.chi_square[camera] == pytest.approx(1.0, abs=0.15)
        assert solution.reprojection_rms_px[camera] == pytest.approx(0.03 * 2**0.5, rel=0.1)
    assert solution.rejected == ()
    assert solution.findings == ()


def test_draws_scatter_as_the_uncertainties_say(solution: Solution) -> None:
    draws = solution.draws(400, seed=1)
    motion = solution.motion("car", TIME)
    states = draws.states("car", TIME)
    assert states.shape == (400, len(TIME), len(STATE))
    assert states.std(axis=0) == pytest.approx(motion.u, rel=0.25)
    assert draws.trajectory("car", 7).state(TIME) == pytest.approx(states[7])


def test_a_point_moves_with_its_vehicle(solution: Solution) -> None:
    nose = np.array([2.0, 0.0, 0.1])
    place, velocity = solution.draws(50, seed=2).points("car", nose, TIME)
    mean_place, mean_velocity = solution.point("car", nose, TIME)
    assert place.mean(axis=0) == pytest.approx(mean_place, abs=1e-3)
    assert velocity.mean(axis=0) == pytest.approx(mean_velocity, abs=0.02)


def test_shares_of_the_uncertainty_add_up(solution: Solution) -> None:
    """Source: variances of independent contributions add (GUM, JCGM 100, 5.1.2)."""
    whole = solution.motion("car", TIME).u[:, 6] ** 2
    shares = [
        solution.draws(600, seed=3, source=s).states("car", TIME)[:, :, 6].var(axis=0)
        for s in SOURCES
    ]
    assert np.sum(shares, axis=0) == pytest.approx(whole, rel=0.3)


def test_what_lies_outside_the_film_is_not_observed(solution: Solution) -> None:
    first, last = solution.span("car")
    assert (first, last) == pytest.approx((TIME[0], TIME[-1]))
    motion = solution.motion("car", np.array([first - 0.01, 0.0, last + 0.01]))
    assert not motion.observed_mask[[0, 2]].any()
    assert motion.observed_mask[1].all()
    assert motion.state[2, 12:] == pytest.approx(0.0)


def test_the_answer_does_not_depend_on_ground_axes_or_the_order_of_cameras() -> None:
    cameras = case.both(TIME, CRASH)
    turn = 0.3
    c, s = np.cos(turn), np.sin(turn)
    rotation, shift = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]), np.array([2.0, -1.0, 0.1])

    def moved(camera: case.Camera) -> case.Camera:
        return replace(
            camera,
            rotation=camera.rotation @ rotation.T,
            position=rotation @ camera.position + shift,
        )

    other = {n: replace(cam, camera=moved(cam.camera)) for n, cam in reversed(cameras.items())}
    here = solve(cameras, {"car": case.car()}).motion("car", TIME).state
    there = solve(other, {"car": case.car()}).motion("car", TIME)
    assert there.state[:, :3] == pytest.approx(here[:, :3] @ rotation.T + shift, abs=5e-5)
    assert there.state[:, 3:5] == pytest.approx(here[:, 3:5], abs=5e-5)
    assert there.state[:, 5] == pytest.approx(here[:, 5] + turn, abs=5e-5)


def test_wrong_marks_are_named_and_do_no_harm() -> None:
    cameras = case.both(TIME, CRASH)
    wrong = {}
    for k, name in enumerate(cameras):
        cameras[name], wrong[name] = case.spoilt(cameras[name], 0.15, k)
    solution = solve(cameras, {"car": case.car()})
    named = {(r.camera, r.mark, r.frame) for r in solution.rejected}
    truly = {
        (name, cameras[name].marks[m], int(f))
        for name, w in wrong.items()
        for f, m in zip(*np.nonzero(w), strict=True)
    }
    assert named == truly
    assert (np.abs(errors(solution)) < 1.96).mean() > 0.88


def test_a_wrongly_surveyed_marker_is_named_and_left_out() -> None:
    survey = {**case.MARKERS, "roof3": (-0.60, -0.45, -1.42)}  # 50 mm off
    solution = solve(case.both(TIME, CRASH), {"car": case.car(survey)})
    found = [f for f in solution.findings if f.code == "marker_survey_wrong"]
    assert [f.where for f in found] == ["vehicles.car.markers.roof3"]
    assert "50 mm" in found[0].text
    assert (np.abs(errors(solution)) < 1.96).mean() > 0.88


@pytest.mark.parametrize("heading", [np.pi, np.radians(31)])
def test_one_view_from_above_is_enough_whichever_way_the_vehicle_faces(heading: float) -> None:
    truth = case.crash(TIME, heading=heading)
    shift = np.array([3.0, -1.0, 1.8])  # the vehicle's axes start somewhere else
    markers = {k: tuple(np.array(v) + shift) for k, v in case.MARKERS.items()}
    cg = tuple(np.array(case.CG) + shift)
    seen = case.evidence(case.OVERHEAD, TIME, truth, case.TOP, 0.02, markers=markers, cg=cg)
    motion = solve({"a": seen}, {"car": VehicleGeometry(cg, markers, 1e-3)}).motion("car", TIME)
    away = (motion.state - truth)[:, :6]
    away[:, 5] = np.angle(np.exp(1j * away[:, 5]))
    assert np.abs(away[:, [0, 1]]).max() < 2e-3
    assert np.abs(away[:, 2]).max() < 0.02
    assert np.abs(away[:, 3:]).max() < 3e-3


def test_one_marker_in_one_view_tells_two_directions_and_no_attitude() -> None:
    seen = case.evidence(case.SIDE, TIME, CRASH, ("door2",), 0.02)
    motion = solve({"side": seen}, {"car": case.car()}).motion("car", TIME)
    middle = slice(5, -5)
    observed = dict(zip(STATE, motion.observed_mask[middle].all(axis=0), strict=True))
    seen_not = dict(zip(STATE, motion.observed_mask[middle].any(axis=0), strict=True))
    assert observed["x_m"]
    assert observed["z_m"]
    for column in ("y_m", "roll_rad", "pitch_rad", "yaw_rad", "vy_mps", "yaw_rate_radps"):
        assert not seen_not[column]


def test_a_free_ball_falls() -> None:
    """Source: free fall, z = g t^2 / 2."""
    t = np.arange(0.0, 0.4, 4e-3)
    truth = np.zeros((len(t), 15))
    truth[:, 0], truth[:, 2] = -2 + 5 * t, -1.5 - 1.0 * t + 0.5 * 9.80665 * t**2
    seen = case.evidence(
        case.SIDE, t, truth, ("c",), 0.05, vehicle="ball", markers={"c": (0, 0, 0)}, cg=(0, 0, 0)
    )
    ball = VehicleGeometry(
        (0, 0, 0), {"c": (0, 0, 0)}, 1e-4, near=(-1, 0, -1), near_u=(np.nan, 1e-3, np.nan)
    )
    motion = solve({"side": seen}, {"ball": ball}, contact=-1.0).motion("ball", t)
    middle = slice(10, -10)
    off = motion.state[middle, 14] - 9.80665
    assert np.abs(off).max() < max(0.3, 3 * motion.u[middle, 14].max())
    assert np.abs(motion.state[:, 2] - truth[:, 2]).max() < 1e-3
    assert motion.observed_mask[middle][:, [0, 2, 6, 8, 14]].all()


def test_contact_is_found_from_the_motion_and_clocks_are_brought_together() -> None:
    cameras = case.both(TIME, CRASH)
    cameras["overhead"] = replace(cameras["overhead"], seconds=TIME + 0.0123, zero_u=np.inf)
    cameras["side"] = replace(cameras["side"], seconds=TIME + 0.4, zero_u=np.inf)
    solution = solve(cameras, {"car": case.car()}, contact=None)
    offset = {name: clock.offset for name, clock in solution.clocks.items()}
    assert offset["side"] - offset["overhead"] == pytest.approx(0.0123 - 0.4, abs=2e-5)
    value, u = solution.contact
    assert value == 0.0
    assert offset["overhead"] == pytest.approx(-0.0123, abs=max(3 * u, 5e-4))
    assert u < 1e-3
    # at the found moment the 200 m/s^2 may have set in or not: sd of a fair coin is a half
    about = solution.motion("car", np.array([0.0, 0.03])).u[:, 12]
    assert about[0] > 0.35 * 200 > 3 * about[1]


def test_the_step_of_acceleration_at_contact_is_not_smeared() -> None:
    """14 m/s, 200 m/s^2 dying over 90 ms, 1000 frames/s, 1 mm noise: target velocity RMS 0.04 m/s
    within 10 ms of contact, 0.03 elsewhere (from the bound of a white-jerk smoother with a free
    step, computed outside this project).
    """
    t = np.arange(-0.1, 0.15, 1e-3)
    truth = np.zeros((len(t), 15))
    truth[:, [0, 6, 12]] = case.crash(t)[:, [0, 6, 12]]
    truth[:, 0] += 1.0
    side = case.camera_at((0, -12, 0), (0, 0, 0), focal=1500.0)  # 8 mm a px
    dot = VehicleGeometry((0, 0, 0), {"c": (0, 0, 0)}, 1e-4, near=(0, 0, 0), near_u=PLANE)
    off = []
    for seed in range(3):
        seen = case.evidence(
            side, t, truth, ("c",), 0.125, seed, markers={"c": (0, 0, 0)}, cg=(0, 0, 0)
        )
        motion = solve({"side": seen}, {"car": dot}).motion("car", t)
        off.append(motion.state[:, 6] - truth[:, 6])
    square = np.mean(np.square(off), axis=0)
    near = np.abs(t) <= 0.01
    far = ~near & (t > -0.09) & (t < 0.14)  # less the film's ends, where nothing follows
    assert np.sqrt(square[near].mean()) < 0.04
    assert np.sqrt(square[far].mean()) < 0.03


def test_leftover_shake_of_the_picture_counts_once_a_frame() -> None:
    class Stabilised:
        centre = np.array([639.5, 511.5])
        covariance = np.tile(np.diag([0.3, 0.3, 1e-5, 1e-5]) ** 2, (len(TIME), 1, 1))

        def stabilised_pixels(self, frame: int, uv: np.ndarray) -> np.ndarray:
            return uv

    shift = np.random.default_rng(4).normal(0, 0.3, (len(TIME), 1, 2))
    seen = case.evidence(case.OVERHEAD, TIME, CRASH, case.TOP, 0.02)
    seen = replace(seen, position=seen.position + shift, stabilisation=Stabilised())
    solution = solve({"a": seen}, {"car": case.car()})
    assert solution.chi_square["a"] == pytest.approx(1.0, abs=0.2)
    assert (np.abs(errors(solution)) < 1.96).mean() > 0.88


def test_no_mark_is_no_motion() -> None:
    seen = case.evidence(case.SIDE, TIME, CRASH, case.LEFT)
    hidden = replace(seen, measured_mask=np.zeros_like(seen.measured_mask))
    with pytest.raises(Problem, match="no camera measured a marker"):
        solve({"side": hidden}, {"car": case.car()})


def test_residuals_that_are_not_white_are_said_to_be_so() -> None:
    """First-order autoregression of 0.8: its neighbours correlate by 0.8 (Box & Jenkins 1970)."""
    rng = np.random.default_rng(6)
    clean = case.both(TIME, CRASH, noise=0.0)
    seen = {}
    for name, evidence in clean.items():
        noise = rng.normal(0, 0.05, evidence.position.shape)
        for i in range(1, len(noise)):
            noise[i] = 0.8 * noise[i - 1] + 0.6 * noise[i]
        covariance = np.tile(np.eye(2) * 0.05**2, (*noise.shape[:2], 1, 1))
        seen[name] = replace(evidence, position=evidence.position + noise, covariance=covariance)
    solution = solve(seen, {"car": case.car()})

    found = [w for w in solution.findings if w.code == "noise_correlated"]
    assert {w.where for w in found} == {"cameras.overhead", "cameras.side"}
    assert (np.abs(errors(solution)) < 1.96).mean() > 0.9


def test_marks_that_scatter_more_than_they_say_are_named_and_count_for_less() -> None:
    seen = case.both(TIME, CRASH, noise=0.03)
    small = {
        n: replace(cam, covariance=cam.covariance / 9) for n, cam in seen.items()
    }  # a third in u
    solution = solve(small, {"car": case.car()})

    assert {w.code for w in solution.findings} == {"noise_larger"}
    assert solution.chi_square["side"] == pytest.approx(9.0, rel=0.2)
    assert (np.abs(errors(solution)) < 1.96).mean() > 0.88


def test_marks_that_hardly_scatter_may_still_err_slowly() -> None:
    """No mark on a real surface is better than 0.015 px for long, however still it stands in its
    film: 13 marks at 8 mm/px give a way of 0.1 m to 0.015 px sqrt(2 / 13) 8 mm/px = 0.05 mm.
    """
    after = np.maximum(TIME, 0.0)
    truth = np.zeros((len(TIME), 15))
    truth[:, 2] = case.CG[2]
    truth[:, 0], truth[:, 6], truth[:, 12] = -1 + 10 * after**2, 20 * after, 20.0 * (TIME > 0)
    solution = solve(case.both(TIME, truth, noise=0.001), {"car": case.car()})
    way = solution.draws(200, 1).states("car", TIME[[20, -2]])[:, :, 0]
    u = float(np.std(way[:, 1] - way[:, 0]))
    assert 0.5 < u / (0.015 * np.sqrt(2 / 13) * 8e-3) < 2.0
