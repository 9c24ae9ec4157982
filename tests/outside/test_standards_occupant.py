"""Occupant risk against closed forms of the flail-space model (NCHRP 350, MASH) and EN 1317-1."""

import numpy as np
import pytest

from calibration.constants import GRAVITY as G
from tracker.outcome.occupant_risk import (
    flail,
    occupant_risk,
    post_impact_deceleration,
    ridedown,
    theoretical_head_impact,
)
from tracker.outcome.severity_index import acceleration_severity

FLAIL = (0.6, 0.3)
T = np.arange(0, 0.5, 1e-4)
ZERO = np.zeros_like(T)


def pulse(shape, g, length):
    inside = length + 1e-12 >= T
    phase = np.pi * T / length
    form = {
        "constant": np.ones_like(T),
        "half-sine": np.sin(phase) * inside,
        "haversine": np.sin(phase) ** 2 * inside,
        "triangle": (1 - abs(T - length / 2) / (length / 2)) * inside,
        "rectangle": np.where(np.isclose(T, length), 0.5, 1.0) * inside,
        "ramp": T,
    }[shape]
    return -g * G * form


# Closed forms by integration, free distance 0.6 m; the constant pulse is sqrt(2 a d).
@pytest.mark.parametrize(
    ("shape", "g", "length", "time", "velocity"),
    [
        ("constant", 5, 1, 0.156439, 7.67072),
        ("constant", 8, 1, 0.123676, 9.70277),
        ("constant", 10, 1, 0.110619, 10.848032),
        ("constant", 12, 1, 0.100981, 11.88342),
        ("constant", 15, 1, 0.090320, 13.28607),
        ("constant", 20, 1, 0.078220, 15.34143),
        ("ramp", 100, 1, 0.154263, 11.668416),
        ("half-sine", 20, 0.10, 0.098052, 12.474532),
        ("half-sine", 20, 0.15, 0.103539, 14.634697),
        ("half-sine", 12, 0.20, 0.134585, 11.364407),
        ("half-sine", 10, 0.10, 0.146106, 6.243107),
        ("haversine", 20, 0.15, 0.115116, 13.616181),
        ("haversine", 12, 0.20, 0.149782, 10.686043),
        ("haversine", 10, 0.10, 0.172366, 4.903325),
        ("triangle", 20, 0.15, 0.114458, 13.058265),
        ("triangle", 12, 0.20, 0.148741, 10.221978),
        ("rectangle", 10, 0.10, 0.111183, 9.806650),
    ],
)
def test_occupant_impact_velocity_of_closed_pulses(shape, g, length, time, velocity):
    oiv_x, oiv_y, at, reached = flail(T, pulse(shape, g, length), ZERO, FLAIL)
    assert oiv_x == pytest.approx(velocity, abs=2e-4)
    assert at == pytest.approx(time, abs=3e-6)
    assert oiv_y == 0
    assert reached == 1


# The distance reached first ends the flight of both components.
@pytest.mark.parametrize(
    ("gx", "gy", "time", "vx", "vy"),
    [
        (8, 6, 0.100981, 7.922282, 5.941712),
        (12, 2, 0.100981, 11.883424, 1.980571),
        (0, 10, 0.078220, 0.0, 7.67072),
    ],
)
@pytest.mark.parametrize("side", [-1, 1])
def test_two_axes_end_together(gx, gy, time, vx, vy, side):
    ax, ay = np.full_like(T, -gx * G), np.full_like(T, -side * gy * G)
    oiv_x, oiv_y, at, _ = flail(T, ax, ay, FLAIL)
    assert oiv_x == pytest.approx(vx, abs=1e-5)
    assert oiv_y == pytest.approx(side * vy, abs=1e-5)
    assert at == pytest.approx(time, abs=1e-6)


# NCHRP Report 230 in its own unit: 2 ft of free travel, g = 32.174 ft/s^2.
def test_ten_g_over_two_feet():
    ft = 0.3048
    oiv_x, *_ = flail(T, np.full_like(T, -10 * 32.174 * ft), ZERO, (2 * ft, 1 * ft))
    assert oiv_x / ft == pytest.approx(35.874, abs=0.001)


# NCHRP Report 350 and MASH: without contact the velocity change of the vehicle counts.
def test_a_pulse_too_weak_to_cross_gives_its_velocity_change():
    ax = pulse("half-sine", 2, 0.05)
    oiv_x, _, at, reached = flail(T[:1000], ax[:1000], ZERO[:1000], FLAIL)
    assert oiv_x == pytest.approx(2 * 2 * G * 0.05 / np.pi, rel=1e-3)
    assert reached == 0
    assert np.isnan(at)


# Ridedown: mean over 10 ms after the impact (NCHRP 350, MASH).
def test_a_pulse_shorter_than_the_window_counts_by_its_area():
    ax = np.where((T >= 0.2) & (T < 0.208), -15 * G, 0.0)
    value, _ = ridedown(T, ax, np.array(0.1))
    assert value == pytest.approx(-12.0, rel=0.003)


@pytest.mark.parametrize(("length", "factor"), [(0.05, 0.983632), (0.10, 0.995893)])
def test_ridedown_of_a_half_sine(length, factor):
    late = np.clip(T - 0.2, 0, length)
    value, middle = ridedown(T, -20 * G * np.sin(np.pi * late / length), np.array(0.12))
    assert value == pytest.approx(-20 * factor, abs=1e-3)
    assert middle == pytest.approx(0.2 + length / 2, abs=2e-4)


def test_whole_windows_after_the_impact_hold_nothing_from_before():
    ax = np.where(T < 0.15, -30 * G, -5 * G)
    value, middle = ridedown(T, ax, np.array(0.15015), before=0.0)
    assert value == pytest.approx(-5, abs=1e-9)
    assert middle >= 0.15015 + 0.005


def test_the_moving_mean_at_the_impact_looks_five_milliseconds_to_either_side():
    ax = -100 * G * T
    value, middle = ridedown(T[:1501], ax[:1501], np.array(0.14))
    assert middle == pytest.approx(0.145, abs=1e-9)
    assert value == pytest.approx(-14.5, abs=1e-9)
    falling, middle = ridedown(T[:1501], -50 * G - ax[:1501], np.array(0.12))
    assert middle == pytest.approx(0.12, abs=1e-9)
    assert falling == pytest.approx(-38.0, abs=1e-9)


# EN 1317-1: ASI.
@pytest.mark.parametrize(
    ("g", "asi"), [((6, 4.5, 5), 0.866025), ((8, 3, 2), 0.771722), ((12, 0, 0), 1.0)]
)
def test_asi_of_steady_accelerations(g, asi):
    value, _ = acceleration_severity(T, *(np.full_like(T, x * G) for x in g))
    assert value == pytest.approx(asi, abs=1e-6)


@pytest.mark.parametrize(
    ("filtering", "asi"),
    [("mean 50 ms", 1.500527), ("13 Hz per pass", 1.59824), ("13 Hz combined", 1.64596)],
)
def test_asi_of_a_half_sine_depends_on_the_edition(filtering, asi):
    time = np.arange(-0.2, 0.4, 1e-4)
    ax = -20 * G * np.sin(np.pi * time / 0.1) * ((time >= 0) & (time <= 0.1))
    value, at = acceleration_severity(time, ax, 0 * ax, 0 * ax, filtering)
    assert value == pytest.approx(asi, abs=3e-5)
    assert at == pytest.approx(0.05, abs=1e-3)


# EN 1317-1: THIV (definition from memory), computed independently at a step of 10 us.
@pytest.mark.parametrize(
    ("gx", "gy", "yaw_rate", "head", "time", "kmh"),
    [
        (-10, 0, 0, 0, 0.110619, 39.0529),
        (-8, -6, 0, 0, 0.100981, 35.6503),
        (-8, -2, 1, 0, 0.122659, 35.7089),
        (-8, 0, 2, 0, 0.124645, 35.2036),
        (-8, 0, 2, 0.3, 0.123687, 35.4675),
    ],
)
def test_theoretical_head_impact_velocity(gx, gy, yaw_rate, head, time, kmh):
    thiv, at = theoretical_head_impact(
        T, gx * G + ZERO, gy * G + ZERO, yaw_rate + ZERO, FLAIL, head
    )
    assert 3.6 * thiv == pytest.approx(kmh, abs=1e-3)
    assert at == pytest.approx(time, abs=2e-6)


def test_without_yaw_thiv_is_the_resultant_of_the_occupant_impact_velocities():
    ax, ay = pulse("half-sine", 14, 0.12), -pulse("haversine", 5, 0.2)
    risk = occupant_risk(T, ax, ay, ZERO, FLAIL)
    assert risk.thiv == pytest.approx(np.hypot(risk.oiv_x, risk.oiv_y), rel=1e-4)
    assert risk.thiv_time == pytest.approx(risk.oiv_time, abs=1e-5)


# The numbers are written out in docs/validation.md.
def test_thiv_and_phd_of_two_half_sines_worked_by_hand():
    x, y = pulse("half-sine", 20, 0.15), pulse("half-sine", 5, 0.15)
    risk = occupant_risk(T, x, y, ZERO, FLAIL)
    assert risk.thiv_time == pytest.approx(0.1035389, abs=1e-6)
    assert risk.thiv == pytest.approx(15.08510, abs=2e-4)
    assert risk.phd == pytest.approx(17.01012, abs=2e-4)
    assert risk.asi == pytest.approx(1.677640, abs=2e-5)


def test_thiv_of_a_turning_vehicle_worked_by_hand():
    thiv, at = theoretical_head_impact(T, -8 * G + ZERO, -2 * G + ZERO, 1.0 + ZERO)
    assert at == pytest.approx(0.1226588, abs=1e-6)
    assert thiv == pytest.approx(np.hypot(9.845021, 1.210284), abs=1e-5)


# EN 1317-1: PHD is the resultant after the head's impact, averaged over 10 ms.
def test_post_impact_deceleration_of_steady_accelerations():
    phd = post_impact_deceleration(T, -6 * G + ZERO, 8 * G + ZERO, np.array(0.11))
    assert phd == pytest.approx(10.0, abs=1e-9)
