"""Accelerometers that join the films: the model of a reading, and what joining does to a motion.

The rigid-body model is checked against `tracker.accelerometers`, which differentiates rates
numerically, and against readings known in closed form (textbook kinematics).
"""

from dataclasses import replace

import numpy as np
import pytest

from calibration.constants import GRAVITY
from tests.support import motion_case as case
from tracker.accelerometers import body_rates, sensor_reading
from tracker.motion import SOURCES, AccelerometerEvidence, Solution, add_accelerometers, solve
from tracker.motion.model import accelerometer_model
from tracker.motion.solver.linearization import evaluate

TIME = np.arange(-0.05, 0.15, 4e-3)
PLACE = (0.1, 0.05, -0.45)
STEP = 2e-4


def readings(states: np.ndarray, time: np.ndarray) -> dict[str, np.ndarray]:
    """What sound channels at `PLACE` would read (n,), by name."""
    linear = sensor_reading(states, time, np.subtract(PLACE, case.CG))
    six = np.concatenate([linear, body_rates(states)], axis=1)
    return dict(zip(accelerometer_model.CHANNELS, six.T, strict=True))


def block(
    last: float = 0.15,
    gain: float = 1.0,
    late: float = 0.0,
    clip: float = np.inf,
    seed: int = 0,
) -> AccelerometerEvidence:
    """Means over 2 ms of sound readings with a gain, a delay (s) and clipping of ax (m/s^2)."""
    fine = np.arange(-0.05, last, STEP) + STEP / 2  # a sample stands for its step
    read = readings(case.crash(fine - late), fine)
    names = ("ax", "ay", "az", "yaw_rate")
    rng = np.random.default_rng(seed)
    values, noise = {}, {}
    for name in names:
        noise[name] = 1.0 if name[0] == "a" else 0.01
        off = noise[name] * np.sqrt(10) * rng.standard_normal(len(fine))
        values[name] = gain * read[name] + off
    values["ax"][np.abs(values["ax"]) > clip] = np.nan
    n = len(fine) // 10
    means = {k: v[: 10 * n].reshape(n, 10).mean(axis=1) for k, v in values.items()}
    middle = fine[: 10 * n].reshape(n, 10).mean(axis=1)
    offset_u = {name: 0.3 * noise[name] for name in names}
    return AccelerometerEvidence("car", PLACE, middle, 10 * STEP, means, noise, offset_u=offset_u)


def both(last: float = 0.15) -> dict:
    time = TIME[last > TIME]
    return case.both(time, case.crash(time), noise=0.1)


@pytest.fixture(scope="module")
def film() -> Solution:
    return solve(both(), {"car": case.car()})


@pytest.fixture(scope="module")
def fused(film: Solution) -> Solution:
    return add_accelerometers(film, [block(gain=1.01, late=1e-3, seed=1)])


def worst_speed(solution: Solution, time: np.ndarray) -> float:
    return float(np.abs(solution.motion("car", time).state - case.crash(time))[:, 6].max())


def test_the_model_of_a_reading_is_that_of_a_rigid_body() -> None:
    time = np.arange(0.01, 0.08, 1e-4)
    s = case.crash(time)
    turning = np.gradient(s[:, 9:12], time, axis=0)
    ours = accelerometer_model.readings(
        s[:, 3:6], s[:, 9:12], s[:, 12:], turning, np.subtract(PLACE, case.CG)
    )
    for k, values in enumerate(readings(s, time).values()):
        assert ours[2:-2, k] == pytest.approx(values[2:-2], abs=2e-3)


def test_a_vehicle_that_rests_nose_up_reads_gravity_along_itself() -> None:
    """Contract of the record: a level vehicle at rest reads 0, nose up by p reads g sin p."""
    none = np.zeros(3)
    assert accelerometer_model.readings(none, none, none, none, none) == pytest.approx(np.zeros(6))
    tilted = accelerometer_model.readings(np.array([0.0, 0.1, 0.0]), none, none, none, none)
    assert tilted[0] == pytest.approx(GRAVITY * np.sin(0.1))


def test_derivatives_are_those_of_the_residuals(fused: Solution) -> None:
    setup, values = fused.setup, fused.iterate.values
    sd = fused.sd * np.sqrt(np.diag(fused.unit_covariance))
    away = 1e-3 * sd * np.random.default_rng(0).standard_normal(len(sd))
    there, here = (
        accelerometer_model.sensor_residual(setup, values + s * away, 0) for s in (0.5, -0.5)
    )
    turned = fused.setup.bodies[0].basis.from_jerk_basis
    local = away.copy()
    local[setup.spline_slices[0]] = (turned @ away[setup.spline_slices[0]].reshape(-1, 6)).ravel()
    equations = accelerometer_model.channel_equations(
        setup, accelerometer_model.sensor_residual(setup, values, 0)
    )
    for k, channel in enumerate(equations):
        w = setup.sensors[0].channels[k].whitening / np.sqrt(
            setup.sensors[0].channels[k].variance_factor
        )
        change = w @ (here.residual[k] - there.residual[k])
        foreseen = sum(r @ local[p] for r, p in zip(channel.rows, channel.parts, strict=True))
        assert change == pytest.approx(foreseen, abs=0.02 * np.abs(foreseen).max())


def test_together_they_know_more_than_the_film(film: Solution, fused: Solution) -> None:
    alone, together = (s.motion("car", TIME) for s in (film, fused))
    assert np.median(together.u[:, 6] / alone.u[:, 6]) < 0.8
    error = np.sqrt(np.mean((together.state - case.crash(TIME))[:, [6, 12]] ** 2, axis=0))
    before = np.sqrt(np.mean((alone.state - case.crash(TIME))[:, [6, 12]] ** 2, axis=0))
    assert (error < before).all()


def test_intervals_hold_the_truth(fused: Solution) -> None:
    motion = fused.motion("car", TIME)
    assert (np.abs(motion.state - case.crash(TIME)) < 1.96 * motion.u).mean() > 0.9


def test_gain_and_delay_of_a_channel_are_found(fused: Solution) -> None:
    ax = fused.channels["car", "ax"]
    assert abs(ax.scale[0] - 1.01) < 3 * ax.scale[1] < 0.02
    assert abs(ax.shift[0] + 1e-3) < 3 * ax.shift[1] < 1e-3


def test_shares_of_film_and_accelerometer_add_up(fused: Solution) -> None:
    """Source: JCGM 100 (GUM), 5.1.2."""
    whole = fused.motion("car", TIME).u[:, 6] ** 2
    parts = {
        s: fused.draws(300, 5, source=s).states("car", TIME)[:, :, 6].var(axis=0) for s in SOURCES
    }
    assert np.sum(list(parts.values()), axis=0) == pytest.approx(whole, rel=0.35)
    assert (parts["accelerometer"] > 0.05 * whole).all()


def test_clipped_peaks_are_bridged(film: Solution) -> None:
    clipped = block(clip=150.0)
    assert np.isnan(clipped.values["ax"]).sum() > 5
    assert worst_speed(add_accelerometers(film, [clipped]), TIME) < 0.1


def test_what_follows_the_end_of_a_film_is_reported_by_the_accelerometer() -> None:
    short = solve(both(last=0.06), {"car": case.car()})
    later = np.arange(0.06, 0.14, 4e-3)
    longer = add_accelerometers(short, [block()])
    assert longer.span("car")[1] > 0.14
    assert worst_speed(longer, later) < 0.35  # dead reckoning at 0.3 m/s^2 and 1 %
    motion = longer.motion("car", later)
    assert motion.observed_mask[:, [6, 12]].all()
    assert (np.abs(motion.state - case.crash(later))[:, [0, 6]] < 3 * motion.u[:, [0, 6]]).all()


def test_a_vibrating_structure_is_not_taken_for_motion(film: Solution) -> None:
    """A stated vibration makes single readings worth little, not their integral."""
    vibrating = replace(block(), vibration={"ax": 0.05})
    loud = add_accelerometers(film, [vibrating]).motion("car", TIME)
    calm = add_accelerometers(film, [block()]).motion("car", TIME)
    assert np.median(loud.u[:, 12] / calm.u[:, 12]) > 1.3


def test_blocks_of_vehicles_that_no_film_shows_change_nothing(film: Solution) -> None:
    assert add_accelerometers(film, [replace(block(), vehicle="van")]) is film
    assert len(evaluate(film.iterate, film.iterate.values).sensor_residuals) == 0
