"""Numbers that steer balances, the force against crush, and the next test's prediction."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option

_TRADE = "common practice, no source"


@dataclass(frozen=True)
class MechanicsOptions:
    """Balances and force against crush."""

    sliding: float = option(
        0.25, "m/s", (0.05, 1.0), "friction is found from a shorter part of the slide", _TRADE
    )
    least_slide: float = option(
        0.04, "s", (0.01, 0.2), "a longer slide is needed for friction to be found", _TRADE
    )
    friction: float = option(
        0.2,
        "1",
        (0.05, 0.9),
        "a parked truck whose friction no film shows stops sooner",
        "roll-aheads of published tests of truck-mounted attenuators give 0.15 to 0.25",
    )
    friction_u: float = option(0.05, "1", (0.01, 0.3), "that friction is less known", _TRADE)
    grip_u: float = option(
        0.05, "1", (0.0, 0.3), "friction in contact may differ more from that of the slide", _TRADE
    )
    least_friction: float = option(
        0.25, "1", (0.05, 0.9), "draws of lower friction count as of this share of it", _TRADE
    )
    moving: float = option(
        0.02, "m/s", (0.005, 0.1), "the struck vehicle counts as sliding later", _TRADE
    )
    rolling: float = option(
        0.015, "1", (0.0, 0.1), "the striking vehicle's wheels take more of its impulse", _TRADE
    )
    rolling_u: float = option(0.01, "1", (0.0, 0.1), "what they take is less known", _TRADE)
    compared_from: float = option(
        0.05, "1", (0.0, 0.3), "two tests' forces are compared from a larger share of closing on"
    )
    compared_places: int = option(121, "1", (20, 1000), "they are compared at more places")
    points: int = option(241, "1", (50, 2000), "the force-crush curve has more points")
    ripple: float = option(
        0.07, "1", (0.0, 0.3), "more ripple of a folding cushion counts as unseen", _TRADE
    )
    fold: float = option(
        0.4, "m", (0.05, 2.0), "cushions with longer folds: more of the ripple is seen", _TRADE
    )
    waves: int = option(4, "1", (1, 20), "an unseen ripple is made of more waves")
    seed: int = option(7, "1", (0, 2**31), "other draws of friction and of ripple")


@dataclass(frozen=True)
class PredictionOptions:
    """The next test from this one's force against crush."""

    scatter: float = option(
        0.03, "1", (0.0, 0.5), "the next cushion's force may differ more, as a share", _TRADE
    )
    greatest_rate: float = option(
        0.012,
        "s/m",
        (0.0, 0.05),
        "the force may grow more with the closing speed: share of it for each m/s, from none up",
        _TRADE,
    )
    unknown: float = option(
        0.05, "1", (0.0, 0.5), "more draws may lack a figure before it is left out"
    )
    step: float = option(2e-4, "s", (1e-5, 1e-3), "the two masses are integrated more coarsely")
    longest: float = option(0.6, "s", (0.2, 2.0), "the two masses are followed for longer")
    beyond: float = option(
        0.05, "1", (0.0, 0.2), "predictions may go farther beyond the measured closing", _TRADE
    )
    least_unloading: float = option(
        5e-3, "m", (1e-4, 0.05), "a cushion lets go over a longer way at least"
    )
    least_force: float = option(
        0.2, "1", (0.0, 0.9), "the dependence on speed lowers a force less far, as a share"
    )
    seed: int = option(5, "1", (0, 2**31), "other draws of the next test")
    same_speed: float = option(
        2.0, "u", (0.0, 5.0), "a case farther from the test's own speed counts as the same test"
    )


MECHANICS = MechanicsOptions()
PREDICTION = PredictionOptions()
"""The values in use."""
