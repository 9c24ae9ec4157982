"""Numbers that steer a camera from known lengths."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibration.options import option

_SET_UP = "common practice of setting up cameras, no source"


@dataclass(frozen=True)
class ScaleBarOptions:
    """Priors of a camera that nobody surveyed, and limits of its scale bars."""

    pick_u: float = option(
        0.5, "px", (0.1, 5), "ends of bars without an uncertainty of their own bear less"
    )
    tilt_u: float = option(
        math.radians(2.0), "rad", (0.001, 0.2), "cameras set up by eye are less square", _SET_UP
    )
    roll_u: float = option(
        1.0, "rad", (0.1, 3), "from above, a bar along an axis may turn the camera more", _SET_UP
    )
    level_u: float = option(
        math.radians(0.3),
        "rad",
        (0.0005, 0.1),
        "lines called level or plumb, as kerbs, walls and poles are, bear less",
        _SET_UP,
    )
    depth: float = option(
        10.0, "m", (1, 100), "cameras of unstated distance stand farther away", _SET_UP
    )
    depth_factor: float = option(2.0, "1", (1.1, 10), "the same, within a larger factor", _SET_UP)
    depth_u: float = option(
        0.02, "1", (0.001, 0.2), "a stated depth bears less", "a tape or paces to a plane"
    )
    position_u: float = option(
        0.3, "m", (0.05, 5), "the depth from a stated rough position bears less", "paced distances"
    )
    position_relative_u: float = option(
        0.05, "1", (0.01, 0.5), "likewise, in proportion to the depth", "paced distances"
    )
    focal_log_sd: float = option(
        1.0, "1", (0.2, 2), "a focal length nobody stated is less certain", "wide to long lenses"
    )
    least_length: float = option(
        4.0, "pick_u", (2, 20), "bars must be longer in the picture to be taken as such"
    )
    start_depth: float = option(
        1.5, "1", (1.1, 5), "the camera starts farther before the nearest bar's plane"
    )
    inflation_rounds: int = option(
        20, "1", (1, 100), "contradicting bars are given larger uncertainties more often"
    )
    least_inflation: float = option(
        1.1, "1", (1.01, 2), "variances grow at least by this factor a round"
    )
    tilt_known: float = option(
        0.7, "tilt_u", (0.2, 1), "a less certain tilt is still reported as shown by the bars"
    )
    exact_u: float = option(
        1e-6, "rad or m", (1e-9, 1e-4), "what is so by definition is taken less exactly"
    )
    centre_u: float = option(
        1e-3, "px", (1e-6, 0.1), "the origin's definition by the picture's centre, likewise"
    )


SCALE_BARS = ScaleBarOptions()
