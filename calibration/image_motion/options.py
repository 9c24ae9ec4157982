"""Numbers that steer the estimate of the picture's own motion."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class ImageMotionOptions:
    """Which degrees of freedom the picture's motion has, and which fixed targets moved."""

    needed_gain: float = option(
        8.0,
        "chi-square",
        (2, 30),
        "more evidence is needed for a degree of freedom of the motion to be taken as real",
        "chi-square with one degree of freedom at 0.5 %, the boundary counted",
    )
    rounds: int = option(10, "1", (2, 100), "the places at rest are refined in more rounds")
    converged_px: float = option(
        1e-3, "px", (1e-6, 0.1), "the rounds stop at larger changes of the places at rest"
    )
    least_redundancy: float = option(
        0.1, "1", (0.01, 0.5), "more spare measurements are needed to judge the targets' noise"
    )
    misfit: float = option(
        1.5, "1", (1.1, 5), "targets must scatter more beyond their uncertainty to be reported"
    )
    seen_later: float = option(
        1e-6,
        "1",
        (1e-12, 1e-2),
        "a target must be seen better after a frame for a step there to be judged",
    )
    step_gain: float = option(
        80.0,
        "chi-square",
        (20, 500),
        "the step of a target must explain more; beyond all chance over a film's frames",
    )
    step_px: float = option(
        0.1, "px", (0.01, 2), "steps must be larger: smaller ones may be light, not motion"
    )
    step_margin: int = option(2, "frame", (0, 50), "more frames before a step are left out with it")
    step_rival: float = option(
        0.5, "largest gain", (0.1, 1), "fewer other targets are suspected of the same step"
    )


IMAGE_MOTION = ImageMotionOptions()
