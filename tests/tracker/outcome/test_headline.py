"""Headline numbers of motions known in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from tracker.core.types import STATE
from tracker.outcome import headline
from tracker.outcome.contact import ContactEnd
from tracker.outcome.headline import COLUMN, PosteriorSamples


def braking(
    speed: float, deceleration: float, noise: float = 0.0, draws: int = 400
) -> PosteriorSamples:
    """Constant speed along x until time zero, then constant deceleration to rest."""
    time = np.linspace(-0.1, 0.4, 501)
    after = np.clip(time, 0, speed / deceleration)
    state = np.zeros((len(time), len(STATE)))
    state[:, COLUMN["vx_mps"]] = speed - deceleration * after
    state[:, COLUMN["x_m"]] = np.where(
        time < 0, speed * time, speed * after - 0.5 * deceleration * after**2
    )
    state[:, COLUMN["ax_mps2"]] = np.where(
        (time > 0) & (time < speed / deceleration), -deceleration, 0
    )
    state[:, COLUMN["pitch_rad"]] = 0.02 - 0.1 * np.sin(np.pi * np.clip(time, 0, 0.2) / 0.2)
    offsets = np.random.default_rng(0).normal(0, noise, (draws, 1, 1))
    drawn = np.repeat(state[None], draws, axis=0)
    drawn[..., COLUMN["vx_mps"]] += offsets[..., 0]
    return PosteriorSamples(time, state, drawn)


def parked() -> PosteriorSamples:
    moving = braking(1.0, 100.0)
    return PosteriorSamples(moving.time, np.zeros_like(moving.state), np.zeros_like(moving.draws))


def test_impact_speed_is_the_speed_at_time_zero_with_the_spread_of_the_draws() -> None:
    speed = headline.impact_speed(braking(20, 100, noise=0.05))

    assert speed is not None
    assert speed.value == pytest.approx(20, abs=1e-9)
    assert speed.u == pytest.approx(0.05, rel=0.15)


def test_a_car_stopped_from_20_m_s_at_100_m_s2_travels_2_m_and_rests() -> None:
    motion = braking(20, 100)
    way = headline.travel(motion, "x_m")

    assert way is not None
    assert way.value == pytest.approx(20**2 / (2 * 100), abs=1e-9)
    assert headline.is_at_rest(motion)


def test_extremes_are_changes_from_the_mean_before_contact() -> None:
    lowest = braking(20, 100).extreme("pitch_rad", -1, "rad")

    assert lowest is not None
    assert lowest.value == pytest.approx(-0.1, abs=1e-9)
    assert lowest.time == pytest.approx(0.1, abs=1e-3)


def test_crush_against_a_parked_vehicle_is_the_stopping_distance() -> None:
    crush = headline.crush(braking(20, 100), parked())

    assert crush is not None
    assert crush.max_dynamic.value == pytest.approx(2.0, abs=1e-9)
    assert crush.contact.end == pytest.approx(0.2, abs=2e-3)


def test_velocity_change_ends_with_contact() -> None:
    motion = braking(20, 100)
    change = headline.velocity_changes(motion, headline.contact_of(motion)).along

    assert change is not None
    assert change.value == pytest.approx(-20, abs=1e-9)


def test_velocity_change_is_as_uncertain_as_the_moment_contact_ends() -> None:
    motion = braking(20, 100)
    ends = 0.1 + np.random.default_rng(1).normal(0, 1e-3, len(motion.draws))
    change = headline.velocity_changes(motion, ContactEnd(0.1, 1e-3, True, ends)).along

    assert change is not None
    assert change.value == pytest.approx(-10, abs=1e-9)
    assert change.u == pytest.approx(100 * 1e-3, rel=0.1)


def test_a_crush_that_still_grows_as_contact_ends_is_taken_there_not_at_the_frame_before() -> None:
    """20 m/s, 100 m/s2 for 0.1015 s, then straight on, in frames 4 ms apart: x = 20 t - 50 t^2."""
    time = np.arange(-0.1, 0.3, 0.004)
    pushed = np.clip(time, 0.0, 0.1015)
    state = np.zeros((len(time), len(STATE)))
    state[:, COLUMN["vx_mps"]] = 20 - 100 * pushed
    state[:, COLUMN["x_m"]] = 20 * time - 50 * pushed**2 - 100 * pushed * (time - pushed)
    state[:, COLUMN["ax_mps2"]] = np.where((time >= 0) & (time < 0.1015), -100.0, 0.0)
    car = PosteriorSamples(time, state, np.repeat(state[None], 10, axis=0))
    truck = PosteriorSamples(time, 0 * state, np.zeros((10, *state.shape)))

    found = headline.crush(car, truck)

    assert found is not None
    end = found.contact.end
    assert found.at == pytest.approx(end, abs=1e-12)
    pushed_end = min(end, 0.1015)
    true = 20 * end - 50 * pushed_end**2 - 100 * pushed_end * (end - pushed_end)
    assert found.max_dynamic.value == pytest.approx(true, abs=5e-4)


def test_each_draw_of_a_crush_ends_contact_in_its_own_time() -> None:
    striking = braking(20, 100)
    late = np.zeros_like(striking.draws)
    shift = np.arange(len(late)) % 5  # frames
    for k, frames in enumerate(shift):
        late[k] = np.roll(striking.state, frames, axis=0)
    crush = headline.crush(PosteriorSamples(striking.time, striking.state, late), parked())

    assert crush is not None
    assert crush.contact.draws - crush.contact.end == pytest.approx(shift * 1e-3, abs=1e-9)


def test_what_the_film_does_not_determine_is_none() -> None:
    motion = braking(20, 100)
    blind = motion.state.copy()
    blind[:, COLUMN["roll_rad"]] = np.nan

    assert PosteriorSamples(motion.time, blind, motion.draws).extreme("roll_rad", 1, "rad") is None


def test_from_the_side_alone_the_speed_is_that_along_the_path() -> None:
    motion = braking(20, 100)
    blind = motion.state.copy()
    blind[:, COLUMN["vy_mps"]] = np.nan
    speed = headline.impact_speed(PosteriorSamples(motion.time, blind, motion.draws))

    assert speed is not None
    assert speed.value == pytest.approx(20, abs=1e-9)


def rolling(rates: dict[float, float], until: float) -> PosteriorSamples:
    """A roll that changes by these rad/s from each time on, on a film that ends at `until`."""
    motion = braking(20, 100, draws=20)
    state = motion.state.copy()
    for start, rate in rates.items():
        after = motion.time >= start
        state[after, COLUMN["roll_rad"]] += rate * (motion.time[after] - start)
        state[after, COLUMN["roll_rate_radps"]] += rate
    keep = motion.time <= until
    return PosteriorSamples(
        motion.time[keep], state[keep], np.repeat(state[None, keep], 20, axis=0)
    )


def test_a_roll_that_still_grows_at_the_films_end_is_at_least_so_large() -> None:
    """A car that rolls over at 4 rad/s and reaches 75 deg after this film: it passed as sound."""
    growing = rolling({0.0: 4.0}, 0.3).extreme("roll_rad", 1, "rad")
    turned_back = rolling({0.0: 4.0, 0.2: -6.0}, 0.3).extreme("roll_rad", 1, "rad")
    stands = rolling({0.0: 4.0, 0.2: -4.0}, 0.3).extreme("roll_rad", 1, "rad")

    assert growing is not None
    assert growing.at_end
    assert growing.value == pytest.approx(1.2, abs=0.01)
    assert turned_back is not None
    assert not turned_back.at_end
    assert stands is not None
    assert not stands.at_end


def test_a_vehicle_that_still_moves_has_a_speed_as_the_film_ends_and_one_at_rest_has_none() -> None:
    """20 m/s less 0.4 s of 10 m/s2 is 16 m/s."""
    found = headline.end_speed(braking(20, 10, noise=0.05))

    assert found is not None
    assert found.value == pytest.approx(16, abs=1e-6)
    assert found.u == pytest.approx(0.05, rel=0.15)
    assert headline.end_speed(braking(20, 100)) is None


def test_a_roll_that_comes_back_to_its_extreme_as_the_film_ends_is_at_least_so_large() -> None:
    """0.4 rad, back to 0.3, and 0.38 with 4 rad/s at the film's end: 5 ms on it is past 0.4."""
    comes_back = rolling({0.0: 4.0, 0.1: -6.0, 0.15: 6.0}, 0.17).extreme("roll_rad", 1, "rad")
    far_below = rolling({0.0: 4.0, 0.1: -8.0, 0.19: 5.0}, 0.21).extreme("roll_rad", 1, "rad")

    assert comes_back is not None
    assert comes_back.value == pytest.approx(0.4, abs=0.01)
    assert comes_back.time == pytest.approx(0.1, abs=2e-3)
    assert comes_back.at_end
    assert far_below is not None
    assert not far_below.at_end


def test_a_speed_too_vague_to_tell_is_no_rest() -> None:
    """A truck that rolls at 0.5 m/s, u 0.4, stood as come to rest."""
    still = parked()
    vague = still.draws.copy()
    vague[..., COLUMN["vx_mps"]] += np.random.default_rng(2).normal(0, 0.4, (len(vague), 1))
    rolls = still.state.copy()
    rolls[..., COLUMN["vx_mps"]] += 0.5

    assert headline.is_at_rest(still)
    assert not headline.is_at_rest(PosteriorSamples(still.time, rolls, vague + 0.0))


def test_an_extreme_ends_where_the_motion_is_no_longer_determined() -> None:
    motion = rolling({0.0: 4.0}, 0.4)
    state = motion.state.copy()
    state[motion.time > 0.25] = np.nan
    found = replace(motion, state=state).extreme("roll_rad", 1, "rad")

    assert found is not None
    assert found.at_end
    assert found.value == pytest.approx(1.0, abs=0.01)
    assert found.time == pytest.approx(0.25, abs=2e-3)


def test_travel_of_what_still_moves_is_at_least_so_far() -> None:
    moves = headline.travel(rolling({}, 0.1), "x_m")
    stands = headline.travel(braking(20, 100), "x_m")

    assert moves is not None
    assert moves.at_end
    assert stands is not None
    assert not stands.at_end


def test_changes_start_from_the_last_span_before_contact_in_which_the_attitude_was_determined() -> (
    None
):
    """A vehicle that enters the picture is seen by one mark at first: its attitude is a guess."""
    seen = braking(20, 100)
    entering = seen.time < -0.05
    column = COLUMN["pitch_rad"]
    state, draws = seen.state.copy(), seen.draws.copy()
    state[entering, column] += 0.2
    guess = np.random.default_rng(1).normal(0, 0.3, (len(draws), 1))
    draws[:, entering, column] += 0.2 + guess
    draws[..., column] += 1e-4 * np.random.default_rng(2).standard_normal((len(draws), 1))

    lowest = PosteriorSamples(seen.time, state, draws).extreme("pitch_rad", -1, "rad")

    assert lowest is not None
    assert lowest.value == pytest.approx(-0.1, abs=1e-6)
    assert lowest.u < 1e-3
