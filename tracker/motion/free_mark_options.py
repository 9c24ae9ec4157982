"""Numbers that steer how the paths of single marks, and the turn of wheels, are found."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class FreeMarkOptions:
    """How the path of a mark that moves by itself is found."""

    knot_spacing: float = option(5e-3, "s", (5e-4, 0.1), "smoother paths between knots")
    most_knots: int = option(150, "1", (10, 1000), "paths of long films may bend more often")
    lead: float = option(
        5e-3, "s", (0.0, 0.1), "a mark counts as standing still until longer before contact"
    )
    level_u: float = option(
        1.0, "m", (0.1, 10), "expected displacement of a mark along x and y: freer"
    )
    rise_u: float = option(0.3, "m", (0.05, 5), "the same along z: freer")
    knot_frames: float = option(
        1.5, "frame", (1.0, 5.0), "smoother paths between the knots of slow films"
    )
    weak_time: float = option(
        0.1, "s", (0.01, 1.0), "the expected displacement holds a path less often"
    )
    usual_frame: float = option(
        0.01, "s", (1e-4, 0.1), "frame interval where two frames see a mark: longer"
    )
    most_lag: float = option(
        0.9, "1", (0.5, 0.99), "residuals of neighbouring frames may be correlated more"
    )
    outlier_weight: float = option(
        1e-2, "1", (0.0, 1.0), "a position just beyond `outlier` counts for more"
    )
    known_share: float = option(
        0.25, "1", (0.05, 0.9), "a worse known coordinate counts as determined: share of the above"
    )
    slow_error: float = option(
        0.02, "px", (0.0, 0.2), "larger errors of a mark that change slowly with its place"
    )
    slow_time: float = option(0.04, "s", (0.005, 1.0), "those errors change more slowly")
    outlier: float = option(4.0, "1", (2.5, 10), "positions farther off count, in their sd")
    lost_hold: float = option(
        0.05, "s", (0.005, 1.0), "a mark must be gone longer at the film's end to count as lost"
    )
    most_times: int = option(800, "1", (50, 100_000), "paths are given at more times")
    least_depth: float = option(
        0.05, "m", (1e-3, 1.0), "a mark must be farther in front of its camera"
    )
    lag_residuals: int = option(
        10, "1", (4, 1000), "more residuals are needed for their correlation to be found"
    )
    least_u: float = option(
        1e-4, "m", (1e-6, 1e-2), "the surveyed place of a mark at rest is known less well"
    )


FREE_MARKS = FreeMarkOptions()
"""The values in use for marks of the article and free markers."""


@dataclass(frozen=True)
class WheelOptions:
    """How a wheel's turn and steering angle are found."""

    turn_knots: float = option(0.02, "s", (2e-3, 0.5), "a smoother turn between knots")
    steer_knots: float = option(0.05, "s", (5e-3, 1.0), "a smoother steering angle between knots")
    steer_u: float = option(0.5, "rad", (0.05, 2.0), "expected steering angle: freer")
    fastest: float = option(
        400.0, "rad/s", (10.0, 2000.0), "faster turns from frame to frame count"
    )
    headings: int = option(12, "1", (4, 64), "the first turn is fitted from more starts")
    restart: float = option(
        0.4, "rad", (0.1, 1.0), "later turns are fitted from starts farther beside the expected one"
    )


WHEELS = WheelOptions()
"""The values in use for wheels."""
