"""The moments at which numbers are reported: each frame's once, and time zero itself."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.support.simulated_sensors import CG, PLACE, scene
from tracker.accelerometers import judge_channels
from tracker.core.types import STATE, MarkId, Motion
from tracker.crosscheck.film_clock import FilmClock
from tracker.motion.time_zero import TimeZero, ZeroSource
from tracker.outcome.contact import ContactEnd
from tracker.outcome.headline import PosteriorSamples, impact_speed
from tracker.pipeline.clock_witnesses import film_clock
from tracker.pipeline.instruments import assess_sensor_blocks
from tracker.pipeline.options import EVALUATION
from tracker.pipeline.vehicle_result import sample_motion, vehicle_result
from tracker.record.schema import Vehicle
from tracker.results.schema import Occupant

FRAMES = np.arange(-0.05, 0.15, 0.002)
AGAIN = np.sort(np.r_[FRAMES, FRAMES[40], FRAMES[40], FRAMES[77]])
A = -80.0  # m/s2


def braking(time):
    """A car that brakes steadily from time zero on."""
    state = np.zeros((*time.shape, len(STATE)))
    after = np.maximum(time, 0.0)
    state[..., STATE.index("vx_mps")] = 15 + A * after
    state[..., STATE.index("ax_mps2")] = np.where(time > 0, A, 0.0)
    return state


class Solved:
    knots = FRAMES[::10]

    def motion(self, vehicle, times):
        seen = np.ones((len(times), len(STATE)), bool)
        return Motion(times, braking(times), np.full(seen.shape, 0.01), seen)

    def span(self, vehicle):
        return FRAMES[0], FRAMES[-1] + 0.002


class Drawn:
    def states(self, vehicle, times):
        rng = np.random.default_rng(3)
        return braking(times) + 0.01 * rng.standard_normal((60, len(times), len(STATE)))


def test_a_repeated_frame_adds_no_moment():
    once, twice = (sample_motion(Solved(), Drawn(), "car", times) for times in (FRAMES, AGAIN))
    assert np.array_equal(twice.samples.time, once.samples.time)
    assert np.array_equal(twice.samples.state, once.samples.state)
    assert len(twice.motion.time) == len(AGAIN)


def test_draws_of_a_long_film_are_reported_no_finer_than_its_motion():
    class Long(Solved):
        knots = np.linspace(-0.5, 9.5, 101)

        def span(self, vehicle):
            return -0.5, 9.5

    frames = np.arange(-500, 9500) * 1e-3
    film = sample_motion(Long(), Drawn(), "car", frames)
    between = np.histogram(film.samples.time, Long.knots)[0]
    assert between.min() >= EVALUATION.times_per_interval / 2
    assert between.max() <= EVALUATION.times_per_interval + 1
    assert {frames[0], 0.0, frames[-1]} <= set(film.samples.time)
    assert len(film.motion.time) == len(frames)


def test_impact_speed_is_that_of_time_zero_wherever_the_frames_lie():
    """Between frames 2 ms apart, a straight line across the onset would be up to 0.04 m/s low."""
    for late in (0.0, 0.5e-3, 1e-3, 1.7e-3):
        motion = sample_motion(Solved(), Drawn(), "car", FRAMES + late)
        assert impact_speed(motion.samples).value == pytest.approx(15.0, abs=1e-12)
        assert len(motion.motion.time) == len(FRAMES)


def test_extremes_of_a_film_that_ends_in_contact_are_the_least_that_they_can_be():
    """Cut at 92 ms, amid the impact, a film passed "largest roll 0.1 deg" with above 99.9 %."""
    film = sample_motion(Solved(), Drawn(), "car", FRAMES)
    table = Vehicle(role="striking", cg=["0 m", "0 m", "-0.5 m"])
    drawn = np.full(60, film.samples.time[-1])
    for ended in (False, True):
        contact = ContactEnd(float(drawn[0]), 1e-3, ended, drawn)
        result = vehicle_result(table, film, Occupant(), contact)
        assert result.max_roll.at_end is not ended
        assert result.min_roll.at_end is not ended
        assert result.max_rise.at_end is not ended


@pytest.mark.parametrize(("late", "cameras"), [(0.0, 2), (1.0, 1)])
def test_cameras_bear_witness_where_their_clocks_keep_to_one_motion(late, cameras):
    """4 marks' steps of 3 px a frame, 0.05 px of noise; frames after 60 ms may be late by one,
    as after a copied frame: each film then lies half a frame off the common motion.
    """
    rng = np.random.default_rng(1)
    frames = np.arange(140)
    times = (frames - 20) * 1e-3
    off = 0.5 * late * (times > 0.06)
    films, residuals = {}, {}
    for name, sign in (("above", 1), ("side", -1)):
        places = np.zeros((140, 4, 2))
        places[..., 0] = 3.0 * (frames + sign * off)[:, None]
        noise = 0.05 * rng.standard_normal(places.shape)
        marks = tuple(MarkId("car", f"m{i}") for i in range(4))
        tracks = SimpleNamespace(
            marks=marks, measured_mask=np.ones((140, 4), bool), position=places + noise
        )
        clock = SimpleNamespace(seconds=times, zero_frame=20.0, clock=None)
        films[name] = SimpleNamespace(
            name=name, followed=SimpleNamespace(tracks=tracks), time=clock
        )
        residuals[name] = noise
        residuals[name][..., 0] += 3.0 * (sign * off)[:, None]
    zero = TimeZero(0.0, 1.5e-4, (ZeroSource("time zero of above and side", 0.0, 1e-4, 0.02),))
    solution = SimpleNamespace(residuals=residuals, clocks={}, time_zero=zero)
    found = film_clock(films, solution, "car")
    assert found.cameras == cameras
    assert np.isfinite(found.zero_u) == (cameras == 2)


def test_accelerometers_are_compared_with_a_film_of_repeated_frames():
    fine = np.arange(-0.1, 0.2, 1e-4)
    noise = np.random.default_rng(1).standard_normal(len(fine))
    block = judge_channels("car", np.zeros(3), fine, {"ax": np.where(fine > 0, A, 0) + noise}, None)
    film = sample_motion(Solved(), Drawn(), "car", AGAIN)
    found = assess_sensor_blocks("car", [block], np.zeros(3), (0.6, 0.3), film)
    assert found.cross_check.verdict == "agree"


def block(name, place, scale=1.0, primary=False, seed=1):
    fine = np.arange(-0.1, 0.4, 1e-4)
    noise = np.random.default_rng(seed).standard_normal(len(fine))
    on = (fine > 0) & (fine < 0.2)
    made = judge_channels("car", np.array(place), fine, {"ax": scale * A * on + noise}, None)
    return replace(made, name=name, primary=primary)


@pytest.mark.parametrize(("primary", "judges"), [(False, "near"), (True, "far")])
def test_the_block_that_judges_is_the_primary_one_or_the_nearest(primary, judges):
    blocks = [block("far", (1.5, 0, 0), primary=primary), block("near", (0.1, 0, 0), seed=2)]
    found = assess_sensor_blocks("car", blocks, np.zeros(3), (0.6, 0.3), None)
    assert [b.name for b in found.blocks] == ["far", "near"]
    assert [b.name for b in found.blocks if b.primary] == [judges]
    own = next(b for b in found.blocks if b.primary)
    assert found.occupant == own.occupant
    assert all(b.occupant.oiv_x is not None for b in found.blocks)


def test_blocks_that_disagree_are_reported():
    """The first block of the record judged, whatever the others read."""
    sound = [block("1", (0.1, 0, 0)), block("2", (0.2, 0, 0), seed=2)]
    wrong = [sound[0], block("2", (0.2, 0, 0), scale=1.15, seed=2)]
    for blocks, reported in ((sound, False), (wrong, True)):
        found = assess_sensor_blocks("car", blocks, np.zeros(3), (0.6, 0.3), None)
        assert ("accelerometers_disagree" in {w.code for w in found.warnings}) == reported


@pytest.mark.parametrize(
    ("clock", "codes"),
    [
        (None, {"clock_or_channel"}),
        (FilmClock(cameras=2, zero_u=1e-4, rate_measured=True), {"channel_fault"}),
    ],
    ids=["one camera", "two cameras that keep time"],
)
def test_a_late_channel_or_the_films_clock_is_named(clock, codes):
    """3 ms late: one film's time zero explains it as well, so that neither is named and the
    figures stand; where the clock has witnesses the channel's figures go.
    """
    made = scene(3)
    ax = np.interp(made.fine - 0.003, made.fine, made.channels["ax"])
    late = judge_channels("car", PLACE, made.fine, {**made.channels, "ax": ax}, None)
    seen = np.ones(made.state.shape, bool)
    known = Motion(made.time, made.state, np.full(seen.shape, 0.01), seen)
    film = SimpleNamespace(samples=PosteriorSamples(made.time, made.state, made.draws), known=known)
    found = assess_sensor_blocks("car", [late], CG, (0.6, 0.3), film, clock)
    reported = {w.code for w in found.warnings} & {"clock_or_channel", "channel_fault"}
    assert reported == codes
    assert (found.occupant is None) == ("channel_fault" in codes)


def test_another_block_stands_in_for_a_clipped_one():
    clipped = judge_channels("car", np.zeros(3), *_clipped(), 50.0)
    blocks = [replace(clipped, name="cg"), block("rear", (1.0, 0, 0))]
    found = assess_sensor_blocks("car", blocks, np.zeros(3), (0.6, 0.3), None)
    assert [b.name for b in found.blocks if b.primary] == ["rear"]
    assert {"accelerometer_replaced", "channel_fault"} <= {w.code for w in found.warnings}
    assert found.blocks[0].faults[0].kind == "saturation"


def _clipped():
    fine = np.arange(-0.1, 0.4, 1e-4)
    noise = np.random.default_rng(1).standard_normal(len(fine))
    ax = np.where((fine > 0) & (fine < 0.2), A, 0.0) + noise
    return fine, {"ax": np.clip(ax, -50.0, 50.0)}
