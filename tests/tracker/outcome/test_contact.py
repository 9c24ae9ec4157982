"""The end of contact of pulses known in closed form, and the velocity change until then."""

import numpy as np
import pytest

from calibration.constants import GRAVITY as G
from tracker.core.types import STATE
from tracker.outcome import headline
from tracker.outcome.headline import PosteriorSamples
from tracker.outcome.occupant_risk import occupant_risk, summary

COLUMN = {name: i for i, name in enumerate(STATE)}
SPEED = 25.0


def motion(acceleration, until=1.0, yaw=0.0, step=1e-3, draws=40, noise=0.0):
    """A vehicle whose velocity follows `acceleration(time) -> (2, n)`, m/s^2, from time zero on."""
    time = np.arange(-0.05, until, step)
    fine = np.arange(0.0, until + step, 1e-5)
    given = acceleration(fine)
    gained = np.concatenate([np.zeros((2, 1)), np.cumsum(given, axis=1)[:, :-1] * 1e-5], axis=1)
    state = np.zeros((len(time), len(STATE)))
    for k, (v, a) in enumerate((("vx_mps", "ax_mps2"), ("vy_mps", "ay_mps2"))):
        state[:, COLUMN[v]] = np.interp(time, fine, gained[k]) + (SPEED if k == 0 else 0.0)
        state[:, COLUMN[a]] = np.where(time > 0, np.interp(time, fine, given[k]), 0.0)
    state[:, COLUMN["x_m"]] = np.cumsum(state[:, COLUMN["vx_mps"]]) * step
    state[:, COLUMN["yaw_rad"]] = yaw
    drawn = np.repeat(state[None], draws, axis=0)
    drawn[..., COLUMN["ax_mps2"]] += noise * np.random.default_rng(1).standard_normal(
        (draws, len(time))
    )
    return PosteriorSamples(time, state, drawn)


def half_sine(peak, length, late=0.0):
    def of(time):
        share = np.clip((time - late) / length, 0.0, 1.0)
        return np.stack([-peak * G * np.sin(np.pi * share), 0.0 * time])

    return of


def braked(pulse, start, size):
    """The pulse, then brakes of `size` g."""

    def of(time):
        return pulse(time) + np.stack([np.where(time > start, -size * G, 0.0), 0.0 * time])

    return of


@pytest.mark.parametrize("until", [0.4, 1.0, 2.5])
@pytest.mark.parametrize("brakes", [0.0, 0.4, 0.7])
def test_velocity_change_stops_with_the_pulse_however_long_the_film(until, brakes):
    """Half-sine of 15 g over 150 ms: 2 A T / pi, whatever the brakes do from 200 ms on.

    With brakes of 0.7 g a film of 2.5 s gave 16 m/s more.
    """
    film = motion(braked(half_sine(15, 0.15), 0.2, brakes), until)
    contact = headline.contact_of(film)
    change = headline.velocity_changes(film, contact).along
    assert contact.ended
    assert contact.end == pytest.approx(0.15, abs=0.003)
    assert abs(contact.end - 0.15) < 3 * contact.u + 1e-3
    assert change.value == pytest.approx(-2 * 15 * G * 0.15 / np.pi, rel=2e-3)
    assert not change.at_end


def test_a_film_that_ends_in_contact_says_at_least():
    film = motion(half_sine(15, 0.15), 0.1)
    contact = headline.contact_of(film)
    change = headline.velocity_changes(film, contact)
    assert not contact.ended
    assert change.along.at_end
    assert change.resultant.at_end
    assert abs(change.along.value) < 2 * 15 * G * 0.15 / np.pi


def test_the_end_of_a_film_is_known_to_half_a_step_at_best():
    film = motion(half_sine(15, 0.15), 0.1)
    step = film.time[-1] - film.time[-2]

    assert headline.contact_of(film).u >= step / np.sqrt(12) * (1 - 1e-9)


def test_a_tail_slap_belongs_to_the_contact_and_a_later_blow_does_not():
    def slap(late):
        return motion(lambda t: half_sine(12, 0.1)(t) + half_sine(6, 0.05, late)(t), 1.5)

    assert headline.contact_of(slap(0.15)).end == pytest.approx(0.20, abs=3e-3)
    assert headline.contact_of(slap(0.8)).end == pytest.approx(0.10, abs=3e-3)


def test_noise_does_not_prolong_contact():
    film = motion(half_sine(15, 0.15), 1.0, noise=8.0)
    noisy = film.state.copy()
    noisy[:, COLUMN["ax_mps2"]] += 8.0 * np.random.default_rng(2).standard_normal(len(film.time))
    contact = headline.contact_of(PosteriorSamples(film.time, noisy, film.draws))
    assert contact.ended
    assert contact.end == pytest.approx(0.15, abs=0.015)
    assert 1e-4 < contact.u < 0.01


def test_tyres_and_noise_together_are_no_contact():
    """A half-sine over 0.1 s, then 0.6 g of tyres with 3 m/s2 of noise in the film's last part."""
    film = motion(half_sine(20.0, 0.1))
    rng = np.random.default_rng(3)
    braking = np.where(film.time > 0.1, -0.6 * G, 0.0)[None]
    sd = np.where((film.time > 0.2) & (film.time < 0.3), 3.0, 0.1)
    draws = film.draws.copy()
    draws[:, :, COLUMN["ax_mps2"]] += braking + sd * rng.standard_normal(
        (len(draws), len(film.time))
    )
    state = film.state.copy()
    state[:, COLUMN["ax_mps2"]] += braking[0]
    contact = headline.contact_of(PosteriorSamples(film.time, state, draws))
    assert contact.end == pytest.approx(0.1, abs=3e-3)
    assert contact.u < 5e-3


def test_moments_at_which_no_film_shows_the_acceleration_do_not_hide_contact():
    film = motion(half_sine(20.0, 0.1))
    state = film.state.copy()
    state[(film.time > 0.6) | (film.time < -0.02), COLUMN["ax_mps2"]] = np.nan
    contact = headline.contact_of(PosteriorSamples(film.time, state, film.draws))
    assert contact.ended
    assert contact.end == pytest.approx(0.1, abs=3e-3)


def test_a_vehicle_that_nothing_strikes_has_no_contact():
    assert headline.contact_of(motion(lambda t: np.zeros((2, len(t))))) is None


@pytest.mark.parametrize(
    ("push", "yaw", "expected"),
    [
        ((-1, 0), 0.0, np.pi),  # a frontal impact pushes back
        ((0, 1), 0.0, np.pi / 2),  # struck on its left side: pushed to the right
        ((-1, 0), np.pi / 2, np.pi / 2),  # nose to the right, pushed along -x: to its right
        ((-1, -1), 0.0, -3 * np.pi / 4),
    ],
)
def test_the_force_has_the_direction_of_the_push_as_the_vehicle_sees_it(push, yaw, expected):
    way = np.array(push, float)[:, None]
    film = motion(lambda t: way * np.abs(half_sine(10, 0.1)(t)[:1]), 0.4, yaw=yaw)
    change = headline.velocity_changes(film, headline.contact_of(film))
    whole = 2 * 10 * G * 0.1 / np.pi
    assert change.resultant.value == pytest.approx(whole * np.hypot(*push), rel=3e-3)
    assert change.direction.value == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("until", [0.3, 0.6])
def test_an_occupant_who_is_not_struck_has_the_change_during_contact(until):
    """2.5 g over 120 ms gives a truck 1.87 m/s, its brakes take them away again; a longer film
    brought the occupant's velocity to nothing.
    """
    time = np.arange(-0.02, until, 5e-4)
    ax = 2.5 * G * np.sin(np.pi * np.clip(time / 0.12, 0, 1))
    ax = ax - np.where(time > 0.15, 0.5 * G, 0.0)
    flail = (1.5, 1.5)
    mean = occupant_risk(time, ax, 0 * ax, 0 * ax, flail)
    rows, none = np.stack([ax] * 4), np.zeros((4, len(ax)))
    found = summary(occupant_risk(time, rows, none, none, flail), mean)
    change = 2 * 2.5 * G * 0.12 / np.pi
    assert not mean.reached
    assert found["oiv_x"].value == pytest.approx(-change, rel=0.01)
    assert found["oiv_time"] is None
    assert found["velocity_change_x"].value == pytest.approx(change, rel=0.01)
    assert not found["velocity_change_x"].at_end


def test_ridedown_of_a_record_that_ends_in_contact_is_at_least_so_large():
    """10 g, then 25 g from 130 ms: a film to 122 ms gave -10 g as if it were the figure."""
    whole = np.arange(-0.02, 0.3, 5e-4)
    ax = -np.where(whole > 0, 10 * G, 0) - np.where(whole > 0.13, 15 * G, 0)
    ax = np.where(whole < 0.18, ax, 0.0)
    for until, at_end, ridedown in ((0.122, True, -10.0), (0.3, False, -25.0)):
        keep = whole < until
        parts = [np.stack([a[keep]] * 3) for a in (ax, 0 * ax, 0 * ax)]
        mean = occupant_risk(whole[keep], ax[keep], *(0 * ax[keep],) * 2, (0.6, 0.3))
        found = summary(occupant_risk(whole[keep], *parts, (0.6, 0.3)), mean)
        assert found["ridedown_x"].value == pytest.approx(ridedown, abs=0.05)
        for name in ("ridedown_x", "phd", "asi", "mean50_x", "velocity_change_x"):
            assert found[name].at_end == at_end, name
        assert not found["oiv_x"].at_end


def test_crush_is_the_closing_while_they_touch():
    """A car that bounces off at 50 mm and then drives past: the closing of the film's end, 20 m,
    was the crush.
    """

    def past(time):  # 30 g for 40 ms stop it from 25 m/s to 13 m/s: it goes on beside the truck
        return np.stack([np.where(time < 0.04, -30 * G, 0.0), 0.0 * time])

    car, truck = motion(past, 1.5), motion(lambda t: np.zeros((2, len(t))), 1.5)
    still = truck.state.copy()
    still[:, COLUMN["vx_mps"]] = still[:, COLUMN["x_m"]] = 0.0
    parked = PosteriorSamples(truck.time, still, np.repeat(still[None], 40, axis=0))
    found = headline.crush(car, parked)
    touched = SPEED * 0.04 - 0.5 * 30 * G * 0.04**2
    assert found.contact.ended
    assert found.max_dynamic.value == pytest.approx(touched, abs=0.04)
    assert not found.max_dynamic.at_end
    assert found.head_on


@pytest.mark.parametrize(("until", "grows"), [(0.06, True), (0.4, False)])
def test_a_crush_that_still_grows_as_the_film_ends_is_at_least_so_large(until, grows):
    """A film of 60 ms gave the crush of an impact that takes 150 ms as if it were the greatest."""
    car = motion(half_sine(15, 0.15), until)
    still = np.zeros_like(car.state)
    parked = PosteriorSamples(car.time, still, np.repeat(still[None], len(car.draws), axis=0))
    assert headline.crush(car, parked).max_dynamic.at_end == grows


@pytest.mark.parametrize(("degrees", "head_on"), [(0, True), (3, True), (20, False), (180, True)])
def test_closing_at_an_angle_is_not_called_crush(degrees, head_on):
    car = motion(half_sine(15, 0.15), 0.4, yaw=np.radians(degrees))
    truck = motion(lambda t: np.zeros((2, len(t))), 0.4)
    assert headline.crush(car, truck).head_on == head_on
