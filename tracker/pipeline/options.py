"""Numbers that steer how motions become results, and how accelerometers join the films."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option

CUSTOM = "common practice, no source"


@dataclass(frozen=True)
class EvaluationOptions:
    """From a solution to the numbers of each vehicle."""

    draws: int = option(
        300, "1", (40, 10_000), "an uncertainty is itself better known: to 4 % with 300 draws"
    )
    seed: int = option(1, "1", (0, 2**31), "other draws; no value is better than another")
    headline_draws: int = option(
        60, "1", (20, 300), "the first numbers shown come later; their u is known to 9 % with 60"
    )
    share_draws: int = option(
        100, "1", (20, 10_000), "a share of an uncertainty is better known: to 7 % with 100 draws"
    )
    share_seed: int = option(2, "1", (0, 2**31), "other draws of the shares")
    occupant_step: float = option(
        5e-4, "s", (1e-5, 2e-3), "occupant risk is integrated over coarser steps"
    )
    occupant_lead: float = option(
        0.02, "s", (0.0, 0.1), "occupant risk is computed from longer before time zero"
    )
    fewest_times: int = option(
        10, "1", (2, 100), "a motion must be longer for occupant risk and balances to be computed"
    )
    joint_determines: float = option(
        0.3,
        "1",
        (0.01, 0.9),
        "coordinates that a joint makes less better known count as determined: u left, share",
    )
    zero_frame: float = option(
        1e-7, "s", (0.0, 1e-5), "a frame farther from time zero counts as being at it"
    )
    times_per_interval: int = option(
        16, "1", (4, 100), "draws are evaluated at more times between two knots of the motions"
    )
    states_at_once: int = option(
        1_500_000, "1", (10_000, 10**8), "more numbers of draws' states are held at once"
    )
    agreement: float = option(
        2.0, "u", (1.0, 3.0), "two values farther apart count as agreeing (k = 2)", CUSTOM
    )
    determined_share: float = option(
        0.5, "1", (0.0, 1.0), "the film must determine the yaw rate at more instants to be used"
    )
    standing_u: float = option(
        0.05, "m", (0.001, 0.5), "on film without a survey the vehicle's height is held less"
    )


@dataclass(frozen=True)
class FusionOptions:
    """What of an accelerometer's readings joins the films."""

    width: float = option(
        2e-3, "s", (1e-4, 1e-2), "readings are averaged over longer; half of the closest knots"
    )
    earliest: float = option(-0.05, "s", (-1.0, 0.0), "readings before time zero are used less far")
    latest: float = option(0.3, "s", (0.05, 5.0), "readings are used until later")
    least_acceleration_sd: float = option(
        0.5, "m/s^2", (0.0, 10.0), "a mean of readings counts for less", CUSTOM
    )
    least_rate_sd: float = option(
        0.01, "rad/s", (0.0, 0.2), "a mean of readings of a rate sensor counts for less", CUSTOM
    )
    clipped_share: float = option(
        0.999, "1", (0.9, 1.0), "a sample must be nearer to the level of clipping to be left out"
    )


EVALUATION = EvaluationOptions()
FUSION = FusionOptions()
"""The values in use."""
