"""Numbers that steer the plan: the motion that is assumed, and what is worth a remark."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibration.constants import GRAVITY
from calibration.options import option

_TRADE = "common practice, no source"


@dataclass(frozen=True)
class PlannedMotionOptions:
    """The impact that the plan assumes."""

    mean_pulse: float = option(
        12.5 * GRAVITY, "m/s^2", (20.0, 400.0), "the vehicles slow each other down harder", _TRADE
    )
    fold: float = option(
        0.45, "m", (0.05, 2.0), "the cushion's cells fold in longer waves over the closing", _TRADE
    )
    folded: float = option(0.09, "1", (0.0, 0.5), "folding changes the force more", _TRADE)
    folds_from: float = option(
        0.05, "1", (0.0, 0.5), "folding begins at a larger share of the closing", _TRADE
    )
    parting: float = option(
        0.01, "1", (0.001, 0.1), "the force dies on parting farther: share of the closing", _TRADE
    )
    sideways: float = option(0.02, "1", (0.0, 0.2), "more of the pulse pushes aside", _TRADE)
    rubbing: float = option(
        0.15, "1", (0.0, 1.0), "friction stops that with a larger share of the pulse", _TRADE
    )
    slips: float = option(0.8, "m/s", (0.05, 5.0), "friction gives way at a higher speed", _TRADE)
    swing: float = option(
        2 * math.pi * 1.45, "rad/s", (3.0, 20.0), "springs are stiffer in pitch and roll", _TRADE
    )
    damping: float = option(0.3, "1", (0.05, 1.0), "and damped more: share of critical", _TRADE)
    pushed_first: float = option(
        0.49, "m", (0.2, 1.0), "contact begins higher above the ground", _TRADE
    )
    pushed_last: float = option(
        0.68, "m", (0.2, 1.5), "and ends higher: the front rides up", _TRADE
    )
    gyration: float = option(
        1.1, "m", (0.5, 2.0), "a vehicle of `gyration_mass` pitches more slowly", _TRADE
    )
    gyration_mass: float = option(
        1100.0, "kg", (500.0, 40_000.0), "the same radius of gyration belongs to more mass", _TRADE
    )
    struck_mass: float = option(
        8.0,
        "1",
        (1.0, 40.0),
        "a struck vehicle of unstated mass is heavier, times the above",
        _TRADE,
    )
    lift: float = option(
        0.04, "1", (0.0, 0.2), "more of the pulse lifts one vehicle and presses the other", _TRADE
    )
    roll_lever: float = option(-0.007, "m", (-0.1, 0.1), "the pulse rolls vehicles right", _TRADE)
    yaw_lever: float = option(0.012, "m", (-0.1, 0.1), "the pulse yaws vehicles right", _TRADE)
    slow_swing: float = option(
        2 * math.pi * 0.5, "rad/s", (0.5, 10.0), "tyres stop a yaw and a roll sooner", _TRADE
    )
    grip: float = option(
        0.2 * GRAVITY,
        "m/s^2",
        (0.5, 9.0),
        "tyres stop a parked vehicle sooner",
        "roll-aheads of published tests of truck-mounted attenuators give 0.15 to 0.25",
    )
    light_share: float = option(
        0.12, "1", (0.02, 1.0), "without masses: the striking vehicle is heavier", _TRADE
    )
    step: float = option(1e-4, "s", (1e-5, 1e-3), "the motion is integrated in longer steps")
    gone: float = option(0.01, "1", (1e-3, 0.1), "the pulse ends sooner: share of its mean")
    first: float = option(-0.2, "s", (-2.0, -0.05), "the motion begins less long before contact")
    after: float = option(0.4, "s", (0.05, 5.0), "it ends longer after the pulse")
    rail_lasts: float = option(0.30, "s", (0.1, 1.0), "a rail turns the vehicle longer", _TRADE)
    rail_rebound: float = option(
        0.2, "1", (0.0, 0.6), "a rail gives back more of the speed towards it", _TRADE
    )
    rail_rubbing: float = option(
        0.35, "1", (0.0, 1.0), "more speed along it is lost: share of the lateral change", _TRADE
    )
    pole_lasts: float = option(0.025, "s", (0.005, 0.2), "a pole breaks away later", _TRADE)
    pole_takes: float = option(2.0, "m/s", (0.0, 10.0), "it takes more of the speed", _TRADE)


@dataclass(frozen=True)
class PlanOptions:
    """Where marks are taken to be, and what the plan remarks on."""

    steep: float = option(
        0.966, "1", (0.7, 1.0), "up is a picture's top for cameras that look down more steeply"
    )
    outer: float = option(
        0.85, "1", (0.5, 1.0), "markers farther out are on a side: share of the outermost", _TRADE
    )
    below_top: float = option(
        0.15, "m", (0.02, 1.0), "they must also be farther below the highest marker", _TRADE
    )
    facing: float = option(
        0.3, "1", (0.05, 0.9), "marks must face the camera more squarely: cosine to their normal"
    )
    least_px: float = option(5.0, "px", (3.0, 20.0), "marks must be larger to be tracked")
    small_px: float = option(10.0, "px", (5.0, 40.0), "more marks are called small")
    smeared_px: float = option(3.0, "px", (0.5, 20.0), "fewer marks are called blurred by motion")
    shutter_gap: float = option(
        1e-4, "s", (0.0, 1e-2), "longer gaps of the shutter pass without a remark on the flash"
    )
    film_beyond: float = option(0.05, "s", (0.0, 1.0), "films must go on longer after contact")
    face_beyond: float = option(
        1.0, "m", (0.0, 10.0), "an article of no stated length is drawn farther past its marks"
    )
    off_plane: float = option(
        0.1, "1", (0.01, 0.5), "the further survey point is tried farther off the others' plane"
    )
    larger_marks: float = option(1.5, "1", (1.1, 4.0), "larger marks are tried")
    contact_u: float = option(
        2e-3, "s", (1e-4, 1e-2), "first contact is less certain where only the motion gives it"
    )
    finest: float = option(1e-3, "s", (1e-4, 1e-2), "faster films are thinned out more")
    watched_from: float = option(
        -0.05, "s", (-1.0, 0.0), "marks must be in view from a later time on"
    )
    watched_to: float = option(0.2, "s", (0.05, 5.0), "marks must be in view for longer")
    lens_beyond: float = option(
        1.3, "1", (1.0, 2.0), "points farther off the line of sight than the corners are projected"
    )
    mark_margin: float = option(
        20.0, "px", (0.0, 200.0), "a further survey point must be farther from the picture's edge"
    )
    least_distance: float = option(
        0.1, "m", (1e-3, 1.0), "a camera must stand farther from what it looks at"
    )


PLANNED_MOTION = PlannedMotionOptions()
PLAN = PlanOptions()
"""The values in use."""
