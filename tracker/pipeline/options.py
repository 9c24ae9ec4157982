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
    joint_opens: float = option(
        4.0, "u", (2.0, 10.0), "a joint may gape farther before it is a warning"
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
    windows_shown: float = option(
        2.0,
        "1",
        (1.0, 5.0),
        "windows of ridedown that the film may run together before ridedown is the least it can be",
    )
    blow_sigmas: float = option(
        3.0, "u", (1.0, 10.0), "a ridedown must be larger for that to be a finding", CUSTOM
    )
    event_sigmas: float = option(
        2.0, "u", (1.0, 5.0), "extremes must stand farther out of their u to be an event", CUSTOM
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


@dataclass(frozen=True)
class CheckOptions:
    """What `check` remarks on before the films are followed."""

    flat: float = option(
        0.03, "1", (0.005, 0.2), "points count as in a plane or line farther off: share of extent"
    )
    well_spread: float = option(
        0.1, "1", (0.02, 0.5), "targets must span more of the picture's area to pass"
    )
    small_px: float = option(6.0, "px", (3.0, 20.0), "larger marks are called small")
    blur: float = option(
        0.5, "size", (0.1, 2.0), "marks may move farther in an exposure before it is remarked"
    )
    samples: float = option(
        1800.0,
        "1/s",
        (600.0, 10_000.0),
        "faster sampling is asked for",
        "SAE J211-1: ten times the channel class, here CFC 180 for occupant risk",
    )
    light_frames: float = option(
        3.0, "frame", (2.0, 10.0), "slower timing lights are asked for: frames in a blink"
    )
    same_place: float = option(0.02, "m", (1e-3, 0.2), "surveyed places farther apart count as one")
    same_pixel: float = option(1.5, "px", (0.5, 10.0), "picks farther apart count as one")
    buried: float = option(0.1, "m", (0.0, 1.0), "places may be deeper below ground (z down)")
    outlying: float = option(
        10.0, "extent", (3.0, 100.0), "a place must be farther off the others (mm written as m)"
    )
    rounded: float = option(
        0.05, "m", (0.01, 0.5), "places that are multiples of a longer step count as guessed"
    )
    rounded_marks: int = option(3, "1", (2, 10), "more marks must show it")
    pose_picks: int = option(5, "1", (4, 20), "a pose is tried with more picks in one frame")
    pose_misfit: float = option(
        3.0, "u", (1.0, 10.0), "a pose from the picks may leave more, in u of a rough pick"
    )
    vehicle_picks: int = option(
        4, "1", (3, 20), "more picks of a vehicle in one frame are needed: it has four unknowns"
    )
    vehicle_headings: int = option(
        8, "1", (4, 64), "the fit of a standing vehicle begins from more headings"
    )
    vehicle_misfit: float = option(
        5.0, "u", (2.0, 20.0), "a vehicle may lean more before its picks contradict its markers"
    )
    level_distance: float = option(
        15.0, "m", (1.0, 100.0), "the fit begins farther from a camera that looks level"
    )
    level_slope: float = option(
        0.05, "1", (0.01, 0.5), "steeper cameras count as looking level: sine of the slope"
    )
    mended: float = option(
        0.5, "1", (0.1, 0.9), "an exchange that leaves more of the misfit counts as the slip"
    )


CHECK = CheckOptions()
EVALUATION = EvaluationOptions()
FUSION = FusionOptions()
"""The values in use."""


@dataclass(frozen=True)
class AccelerometerZeroOptions:
    """How an accelerometer's clock is brought to the films', for the onset that it shows."""

    before: float = option(0.03, "s", (0.005, 0.2), "more motion before contact is compared")
    after: float = option(0.15, "s", (0.05, 0.5), "more motion after contact is compared")
    step: float = option(4e-3, "s", (1e-3, 2e-2), "velocities are compared more rarely")
    margin: float = option(0.01, "s", (0.0, 0.05), "a channel must reach farther")
    least_times: int = option(20, "1", (8, 100), "more velocities are needed")
    draws: int = option(200, "1", (60, 2000), "the film's covariance is better known")
    seed: int = option(3, "1", (0, 2**31), "other draws")
    start_u: float = option(10.0, "m/s", (1.0, 100.0), "the velocity at first is freer")
    shift_u: float = option(0.01, "s", (1e-3, 0.1), "the block's clock is freer", CUSTOM)
    most_shift: float = option(0.02, "s", (1e-3, 0.1), "clocks may be farther apart", CUSTOM)
    rounds: int = option(5, "1", (2, 20), "the shift is closed in on more often")
    misfit: float = option(2.0, "1", (1.2, 5), "a channel may fit the film less well")
    unit_most: float = option(
        4.0, "sd", (2, 8), "scale and offset may be farther from a sound channel's"
    )
    soft_crush: float = option(
        0.002,
        "m",
        (0.0, 0.1),
        "crush before a channel shows the force of contact (less than films do): u is larger",
        CUSTOM,
    )
    open_u: float = option(2e-3, "s", (1e-4, 0.02), "a clock of unknown zero is freer")
    least_speed: float = option(2.0, "m/s", (0.1, 20), "least speed that makes times of crushes")


ACCELEROMETER_ZERO = AccelerometerZeroOptions()
