"""Occupant risk: symmetry, invariance, and draws."""

import numpy as np
import pytest

from calibration.constants import GRAVITY as G
from tracker.outcome.occupant_risk import (
    film_acceleration,
    flail,
    largest_mean,
    occupant_risk,
    summary,
    theoretical_head_impact,
)

T = np.arange(-0.05, 0.4, 5e-4)
FLAIL = (0.6, 0.3)


def pulse(peak, length, at=0.0):
    return -peak * G * np.sin(np.pi * np.clip((T - at) / length, 0, 1))


def test_a_braking_vehicle_throws_its_occupant_forward():
    risk = occupant_risk(T, pulse(12, 0.2), 0 * T, 0 * T, FLAIL)
    assert risk.oiv_x > 0
    assert risk.ridedown_x < 0
    assert risk.mean50_x < 0
    assert risk.velocity_change_x < 0


def test_a_push_to_the_right_throws_its_occupant_to_the_left():
    risk = occupant_risk(T, 0 * T, -pulse(6, 0.2), 0 * T, FLAIL)
    assert risk.oiv_y < 0
    assert risk.ridedown_y > 0


def test_mirrored_impacts_have_mirrored_risk():
    ax, ay, rate = pulse(10, 0.15), pulse(4, 0.2, 0.01), 0.8 * np.sin(9 * T)
    one = occupant_risk(T, ax, ay, rate, FLAIL)
    other = occupant_risk(T, ax, -ay, -rate, FLAIL)
    assert other.oiv_x == pytest.approx(one.oiv_x)
    assert other.oiv_y == pytest.approx(-one.oiv_y)
    assert other.thiv == pytest.approx(one.thiv)
    assert other.asi == pytest.approx(one.asi)
    assert other.ridedown_y == pytest.approx(-one.ridedown_y)


def test_draws_are_computed_as_each_alone():
    rng = np.random.default_rng(5)
    peaks = rng.uniform(5, 20, 7)
    ax = np.stack([pulse(p, 0.18) for p in peaks])
    ay = np.stack([pulse(p / 4, 0.12) for p in peaks])
    rate = np.zeros_like(ax)
    risk = occupant_risk(T, ax, ay, rate, FLAIL)
    for k in range(7):
        alone = occupant_risk(T, ax[k], ay[k], rate[k], FLAIL)
        for name in ("oiv_x", "oiv_y", "oiv_time", "ridedown_x", "thiv", "phd", "asi"):
            assert getattr(risk, name)[k] == pytest.approx(getattr(alone, name), nan_ok=True)


def test_what_happens_before_contact_does_not_count():
    early = pulse(10, 0.15) - 3 * G * (T < 0)
    assert flail(T, early, 0 * T, FLAIL)[0] == pytest.approx(
        flail(T, np.where(T < 0, -3 * G, pulse(10, 0.15)), 0 * T, FLAIL)[0]
    )
    assert flail(T, early, 0 * T, FLAIL)[0] == pytest.approx(
        flail(T[T >= 0], pulse(10, 0.15)[T >= 0], 0 * T[T >= 0], FLAIL)[0], rel=1e-3
    )


def test_scale_error_of_film_is_halved_in_the_impact_velocity():
    """Constant deceleration: V = sqrt(2 a d), so 2 % of scale are 1 % of velocity."""
    a = np.full_like(T, -10 * G)
    plain = flail(T, a, 0 * T, FLAIL)[0]
    scaled = flail(T, 1.02 * a, 0 * T, FLAIL)[0]
    assert scaled / plain == pytest.approx(np.sqrt(1.02), rel=1e-6)


def test_twice_the_sampling_gives_the_same_impact_velocity():
    fine = np.arange(0, 0.4, 1e-5)
    coarse = np.arange(0, 0.4, 1e-3)
    of = [
        flail(t, -15 * G * np.sin(np.pi * np.clip(t / 0.16, 0, 1)), 0 * t, FLAIL)[0]
        for t in (fine, coarse)
    ]
    assert of[1] == pytest.approx(of[0], abs=2e-3)


def test_a_vehicle_that_coasts_while_it_spins_throws_nobody_forward():
    """No force on the cg: the head keeps the cg's speed, so it stays at the cg, however fast the
    vehicle turns (mechanics of a free body). A metre ahead of the cg it leaves its place at the
    turning speed, by Pythagoras: 0.3 m to the side and back are travelled at w times its arm.
    """
    rate = 5.0
    turning = np.full_like(T, rate)
    still, _ = theoretical_head_impact(T, 0 * T, 0 * T, turning, FLAIL)
    assert np.isnan(still)
    thiv, when = theoretical_head_impact(T, 0 * T, 0 * T, turning, FLAIL, head=1.0)
    straight = 1.0 * rate  # m/s, tangent of the head's path over the ground
    along = straight * when
    yaw = rate * when
    across = -np.sin(yaw) + along * np.cos(yaw)
    ahead = np.cos(yaw) + along * np.sin(yaw)
    assert max(abs(across) / 0.3, abs(ahead - 1.0) / 0.6) == pytest.approx(1.0, abs=2e-3)
    # seen from the vehicle: ground speed less what turns with the vehicle
    expected = np.hypot(
        straight * np.sin(yaw) + rate * across, straight * np.cos(yaw) - rate * ahead
    )
    assert thiv == pytest.approx(expected, rel=1e-3)


def test_thiv_of_a_vehicle_that_brakes_while_it_turns():
    """-8 g and -2 g at 1 rad/s, then -8 g at 2 rad/s: 35.7089 and 35.2036 km/h, by an integration
    of EN 1317-1's equations of motion at 1e-5 s that shares no code with this (from memory).
    """
    one = np.ones_like(T)
    first, _ = theoretical_head_impact(T, -8 * G * one, -2 * G * one, one, FLAIL)
    second, _ = theoretical_head_impact(T, -8 * G * one, 0 * one, 2 * one, FLAIL)
    assert 3.6 * first == pytest.approx(35.7089, abs=0.01)
    assert 3.6 * second == pytest.approx(35.2036, abs=0.01)


def test_largest_mean_of_a_haversine():
    """Mean over a window at the middle: (1 + sin(2u) / 2u) / 2 with u = pi w / 2 T (exact)."""
    a = -20 * G * np.sin(np.pi * np.clip(T / 0.1, 0, 1)) ** 2
    assert largest_mean(T, a) == pytest.approx(-20 * 0.818310, abs=2e-3)


@pytest.mark.parametrize(
    ("end", "known"), [(0.08, False), (0.19, False), (0.25, True), (0.4, True)]
)
def test_an_occupants_velocity_is_open_until_the_impact_or_the_pulse_is_over(end, known):
    """Where nothing is in the occupant's way the vehicle's whole change is the figure, once it is
    whole (MASH: no contact with the interior); half of it is none.
    """
    part = end > T
    time = T[part]
    motions = [
        np.broadcast_to(pulse(8, 0.2)[part], shape) for shape in ((4, len(time)), time.shape)
    ]
    draws, mean = (occupant_risk(time, a, 0 * a, 0 * a, (9.0, 9.0)) for a in motions)
    found = summary(draws, mean)["oiv_x"]
    assert mean.reached == 0
    assert (found is not None) == known
    if found is not None:
        assert found.value == pytest.approx(8 * G * 0.2 * 2 / np.pi, rel=1e-3)


def test_a_record_that_ends_too_early_has_no_ridedown():
    short = T < 0.08
    risk = occupant_risk(T[short], pulse(6, 0.2)[short], 0 * T[short], 0 * T[short], FLAIL)
    assert risk.reached == 0
    assert np.isnan(risk.oiv_time)
    assert np.isnan(risk.ridedown_x)
    assert np.isnan(risk.thiv)


def test_summary_takes_its_uncertainty_from_the_draws():
    rng = np.random.default_rng(2)
    gains = 1 + 0.02 * rng.standard_normal(150)
    a = np.full_like(T, -10 * G)
    zero = np.zeros((150, len(T)))
    drawn = occupant_risk(T, gains[:, None] * a, zero, zero, FLAIL)
    figures = summary(drawn, occupant_risk(T, a, 0 * T, 0 * T, FLAIL))
    assert figures["oiv_x"].value == pytest.approx(10.848, abs=1e-3)
    assert figures["oiv_x"].u == pytest.approx(0.01 * 10.848, rel=0.2)
    assert figures["ridedown_x"].u == pytest.approx(0.02 * 10, rel=0.2)
    assert figures["ridedown_x"].unit == "g"
    assert figures["asi"].time is not None


def test_a_figure_that_the_motion_does_not_have_is_none():
    short = T < 0.06
    n = int(short.sum())
    zero = np.zeros((30, n))
    a = np.tile(pulse(4, 0.2)[short], (30, 1))
    figures = summary(
        occupant_risk(T[short], a, zero, zero, FLAIL),
        occupant_risk(T[short], a[0], zero[0], zero[0], FLAIL),
    )
    assert figures["ridedown_x"] is None
    assert figures["thiv"] is None
    assert figures["velocity_change_x"] is not None


def test_film_acceleration_is_seen_from_the_vehicle():
    """A vehicle turned right by 90 degrees that is braked along ground x is pushed to its left."""
    state = np.zeros((4, 15))
    state[:, 5] = np.pi / 2
    state[:, 12] = -9.0
    state[:, 11] = 0.4
    ax, ay, az, rate = film_acceleration(state)
    assert ax == pytest.approx(0, abs=1e-12)
    assert ay == pytest.approx(9.0)
    assert az == pytest.approx(0, abs=1e-12)
    assert rate == pytest.approx(0.4)


def test_ridedown_has_a_value_by_each_convention_of_its_windows():
    """A 20 g half-sine of 150 ms falls at the occupant's impact: with windows centred there
    -16.5 g, with windows wholly after it -15.2 g (worked by hand from the closed form of the mean
    over [t, t + w]: (A T / pi w) (cos(pi t / T) - cos(pi (t + w) / T))).
    """
    fine = np.arange(-0.02, 0.4, 1e-4)
    a = -20 * G * np.sin(np.pi * np.clip(fine / 0.15, 0, 1))
    found = occupant_risk(fine, a, 0 * a, 0 * a, FLAIL)
    impact = float(found.oiv_time)

    def mean(start, window=0.01, length=0.15):
        part = np.cos(np.pi * start / length) - np.cos(np.pi * (start + window) / length)
        return -20 * length / (np.pi * window) * part

    assert impact == pytest.approx(0.103539, abs=1e-4)
    assert found.ridedown_x == pytest.approx(mean(impact - 0.005), abs=0.02)
    assert found.ridedown_x_after == pytest.approx(mean(impact), abs=0.02)
    assert found.ridedown_x == pytest.approx(-16.5, abs=0.1)
    assert found.ridedown_x_after == pytest.approx(-15.24, abs=0.1)


def test_both_editions_asi_come_out_and_the_open_reading_of_the_text_is_in_u():
    """Half-sine of 17.5 g over 0.1 s. By hand, means over 50 ms: 17.5 / 12 sin(pi/4) / (pi/4) =
    1.3130; the filter's 1.3985 and 1.4402 are 17.5 / 20 of what the test of the standard's filters
    holds (1.59824 and 1.64596).
    """
    time = np.arange(-0.2, 0.4, 1e-4)
    ax = -17.5 * G * np.sin(np.pi * time / 0.1) * ((time >= 0) & (time <= 0.1))
    motion = np.stack([ax, 0 * ax, 0 * ax])
    one = occupant_risk(time, motion[0], motion[1], motion[2], (0.6, 0.3), az=motion[2])
    many = occupant_risk(time, *(np.repeat(m[None], 3, axis=0) for m in motion), (0.6, 0.3))
    figures = summary(many, one)
    assert figures["asi"].value == pytest.approx(1.3130, abs=1e-4)
    assert figures["asi_13hz"].value == pytest.approx(17.5 / 20 * 1.64596, abs=1e-4)
    assert figures["asi_13hz"].u == pytest.approx(17.5 / 20 * (1.64596 - 1.59824) / 2, rel=1e-3)
