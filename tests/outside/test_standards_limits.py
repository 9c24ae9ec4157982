"""Worked examples, from the pulse to the verdict, of every limit of the published sets.

Figures are worked by hand from closed forms of mechanics and stand as numbers. Limits are those of
NCHRP Reports 230 and 350, MASH and EN 1317, from memory: none of the texts was at hand.
"""

import math

import numpy as np
import pytest

from calibration.constants import GRAVITY as G
from tracker.core.types import Quantity
from tracker.criteria import Measured, PlannedImpact, evaluate, load_criteria
from tracker.outcome.occupant_risk import occupant_risk

FT, KMH = 0.3048, 1 / 3.6
OIV = "occupant impact velocity, longitudinal"
RIDEDOWN = "ridedown acceleration, longitudinal"
TIME = np.arange(-0.02, 0.6, 1e-4)


def verdicts(name, pulse, share=1e-4, **plan):
    """Verdicts of a set on a forward pulse (g against s), each figure with a small u of its own."""
    ax = -G * np.where(TIME >= 0, pulse(TIME), 0.0)
    still = np.zeros_like(ax)
    criteria = load_criteria(name)
    found = occupant_risk(TIME, ax, still, still, criteria.flail)
    units = {"oiv_x": "m/s", "ridedown_x": "g", "thiv": "m/s", "phd": "g", "asi": "1"}
    figures = {n: float(np.asarray(getattr(found, n))) for n in units}
    quantities = {
        n: Quantity(v, units[n], share * abs(v)) for n, v in figures.items() if math.isfinite(v)
    }
    judged = evaluate(criteria, Measured(quantities), PlannedImpact(**plan))
    return figures, {c.name: c.verdict for c in judged}


def steady(g, length=1.0):
    return lambda t: np.where(t < length, g, 0.0)


def half_sine(g, length):
    return lambda t: np.where(t < length, g * np.sin(np.pi * np.clip(t / length, 0.0, 1.0)), 0.0)


# Steady a over 0.6 m (230: 2 ft = 0.6096 m): sqrt(2 a d). 40 ft/s is 12.192 m/s.
@pytest.mark.parametrize(
    ("name", "g", "velocity", "verdict"),
    [
        ("nchrp230", 12.0, 11.97811, "pass"),  # sqrt(2 x 117.6798 x 0.6096), 39.30 ft/s
        ("nchrp230", 12.5, 12.22511, "fail"),  # 40.11 ft/s
        ("nchrp350", 12.0, 11.88342, "pass"),  # sqrt(2 x 117.6798 x 0.6), limit 12 m/s
        ("nchrp350", 12.5, 12.12847, "fail"),
        ("mash2009", 12.5, 12.12847, "pass"),  # 39.79 ft/s
        ("mash2016", 12.5, 12.12847, "pass"),
        ("mash2016", 13.0, 12.36866, "fail"),  # 40.58 ft/s
    ],
)
def test_occupant_impact_velocity_of_barriers_and_cushions(name, g, velocity, verdict):
    figures, found = verdicts(name, steady(g))
    assert figures["oiv_x"] == pytest.approx(velocity, abs=1e-3)
    assert found[OIV] == verdict


# Half-sine: velocity change 2 A T / pi, way A T^2 / pi while it lasts, so that the occupant, 0.6 m
# free, strikes after the pulse with all of it. 10 ft/s is 3.048 m/s, 16 ft/s 4.8768 m/s.
@pytest.mark.parametrize("device", ["breakaway", "work-zone"])
@pytest.mark.parametrize(
    ("name", "g", "velocity", "wanted", "limit"),
    [
        ("nchrp350", 9.5, 2.965476, "pass", "pass"),  # 2 x 93.16318 x 0.05 / pi; 3 and 5 m/s
        ("nchrp350", 16.0, 4.994486, "fail", "pass"),
        ("nchrp350", 16.5, 5.150564, "fail", "fail"),
        ("mash2016", 9.5, 2.965476, "pass", "pass"),  # 9.73 ft/s; 10 and 16 ft/s
        ("mash2016", 10.0, 3.121554, "fail", "pass"),  # 10.24 ft/s
        ("mash2016", 16.0, 4.994486, "fail", "fail"),  # 16.39 ft/s
        ("mash2009", 16.0, 4.994486, "fail", "fail"),
    ],
)
def test_occupant_impact_velocity_of_breakaway_and_work_zone_devices(
    device, name, g, velocity, wanted, limit
):
    figures, found = verdicts(name, half_sine(g, 0.05), device=device)
    assert figures["oiv_x"] == pytest.approx(velocity, abs=1e-3)
    assert found[f"{OIV} (preferred)"] == wanted
    assert found[OIV] == limit
    _, barrier = verdicts(name, half_sine(g, 0.05))
    assert barrier[OIV] == "pass"  # a barrier's limit would have passed each of them


# 10 g until the occupant strikes at sqrt(2 x 0.6 / 98.0665) = 110.619 ms, then `g` for 30 ms: the
# largest mean over 10 ms is `g` itself.
@pytest.mark.parametrize(
    ("name", "g", "verdict"),
    [
        ("nchrp350", 19.9, "pass"),
        ("nchrp350", 20.3, "fail"),  # limit 20 g
        ("mash2016", 20.3, "pass"),  # limit 20.49 g
        ("mash2016", 20.7, "fail"),
        ("mash2009", 20.7, "fail"),
    ],
)
def test_ridedown(name, g, verdict):
    def pulse(t):
        return np.where(t < 0.115, 10.0, np.where(t < 0.145, g, 0.0))

    figures, found = verdicts(name, pulse)
    assert abs(figures["ridedown_x"]) == pytest.approx(g, rel=1e-6)
    assert found[RIDEDOWN] == verdict


# THIV of a steady 10 g without yaw: sqrt(2 x 98.0665 x 0.6) = 10.84803 m/s = 39.0529 km/h, between
# the 33 km/h of angled tests and the 44 km/h of a head-on crash cushion.
@pytest.mark.parametrize(
    ("angle", "expected"),
    [
        (0.0, {"head-on crash cushion": "pass"}),
        (math.radians(20), {"angled": "fail"}),
        (None, {"head-on crash cushion": "undetermined", "angled": "undetermined"}),
    ],
)
def test_theoretical_head_impact_velocity(angle, expected):
    figures, found = verdicts("en1317-2010", steady(10.0), angle=angle)
    assert figures["thiv"] / KMH == pytest.approx(39.0529, abs=0.01)
    shown = {n.split(", ")[1]: v for n, v in found.items() if n.startswith("theoretical")}
    assert shown == expected


# Steady a g for 0.2 s: ASI is a / 12 by means over 50 ms; levels 1.0, 1.4 and 1.9.
@pytest.mark.parametrize(
    ("g", "levels"),
    [
        (11.9, ("pass", "pass", "pass")),
        (16.7, ("fail", "pass", "pass")),  # 1.392
        (17.0, ("fail", "fail", "pass")),  # 1.417
        (23.0, ("fail", "fail", "fail")),  # 1.917
    ],
)
def test_acceleration_severity_levels(g, levels):
    figures, found = verdicts("en1317-1998", steady(g, 0.2))
    assert figures["asi"] == pytest.approx(g / 12, rel=1e-6)
    names = [f"acceleration severity index, level {level}" for level in "ABC"]
    assert tuple(found[name] for name in names) == levels


@pytest.mark.parametrize(("g", "verdict"), [(19.5, "pass"), (20.5, "fail")])
def test_post_impact_head_deceleration_of_the_1998_edition(g, verdict):
    def pulse(t):
        return np.where(t < 0.115, 10.0, np.where(t < 0.145, g, 0.0))

    figures, found = verdicts("en1317-1998", pulse, angle=0.0)
    assert figures["phd"] == pytest.approx(g, rel=1e-6)
    assert found["post-impact head deceleration"] == verdict


# MASH, criterion F: 75 degrees, either way, roll and pitch.
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("degrees", "verdict"), [(74.0, "pass"), (76.0, "fail")])
def test_an_upright_vehicle(degrees, verdict, sign):
    turned, small = (Quantity(math.radians(d), "rad", 0.002) for d in (sign * degrees, 1.0))
    of = {"max_roll": small, "min_roll": turned, "max_pitch": turned, "min_pitch": small}
    judged = evaluate(load_criteria("mash2016"), Measured(of))
    found = {c.name: c.verdict for c in judged}
    assert found["largest roll"] == found["largest pitch"] == verdict
