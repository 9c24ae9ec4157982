"""Numbers that steer the cross-check of accelerometers against the film."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option

_TRADE = "common practice, no source"


@dataclass(frozen=True)
class FilmClockOptions:
    """How far the film's own clock may be wrong before it is another matter than the channel."""

    power: float = option(
        0.95, "1", (0.5, 0.99), "the smallest fault that is stated is larger: found this often"
    )
    frames: int = option(
        2, "1", (1, 10), "more frames copied or lost unnoticed count as possible", _TRADE
    )
    rate: float = option(
        0.01, "1", (0.001, 0.05), "a larger error of the film's rate counts as possible", _TRADE
    )
    zero: float = option(
        0.002, "s", (0.0005, 0.01), "a larger error of time zero counts as possible", _TRADE
    )
    zero_sds: float = option(
        3.0,
        "1",
        (2.0, 6.0),
        "a time zero that two pieces of evidence agree on may be wrong by more of its u",
        _TRADE,
    )
    agreed_frames: float = option(
        0.3, "1", (0.05, 0.5), "cameras whose clocks seem farther apart bear witness to each other"
    )
    lag_u: float = option(
        0.1, "1", (0.01, 0.3), "so do cameras that show a clock's error less finely: its u"
    )
    lag_over: int = option(11, "1", (3, 51), "that error is a mean over more frames")
    lag_until: float = option(
        0.1, "s", (0.02, 0.3), "cameras must show it for longer after time zero", _TRADE
    )
    lag_share: float = option(
        0.8, "1", (0.5, 1.0), "cameras must show it in more of that time", _TRADE
    )
    jump: float = option(
        5.0, "1", (2.0, 20.0), "steeper steps of the film's time count as no jump, times `rate`"
    )
    bridge: float = option(
        0.006, "s", (0.002, 0.02), "the film's velocity is bridged over longer about such frames"
    )
    as_good: float = option(
        4.0, "1", (1.0, 10.0), "chi-square above the channel's own fault: clocks explain it sooner"
    )


@dataclass(frozen=True)
class CrossCheckOptions:
    """The comparison of a channel with the film, and when a fault is named."""

    start: float = option(-0.05, "s", (-0.5, 0.0), "less is compared before time zero", _TRADE)
    end: float = option(0.30, "s", (0.1, 1.0), "more is compared after time zero", _TRADE)
    shortest: float = option(
        0.03, "s", (0.01, 0.2), "a longer span after time zero is needed for a comparison", _TRADE
    )
    most_samples: int = option(400, "1", (100, 5000), "more of the film's times are used")
    fewest_draws: int = option(40, "1", (20, 500), "more draws of the film are needed")
    stop_step: int = option(6, "1", (1, 50), "times of death are tried farther apart, in samples")
    false_alarm: float = option(
        0.01, "1", (1e-4, 0.1), "sound channels are accused more often", _TRADE
    )
    omnibus: float = option(
        0.2,
        "1",
        (0.01, 0.5),
        "more of the false alarms are left to a difference that no fault explains",
    )
    scan: float = option(
        6.0, "1", (2.0, 15.0), "faults looked for all along the record must earn more chi-square"
    )
    swap_step: float = option(
        10.0, "1", (4.0, 30.0), "an exchange of channels is preferred to two faults sooner"
    )

    least_samples: int = option(
        20, "1", (5, 200), "a comparison needs more of the film's times", _TRADE
    )
    known_velocity: float = option(
        0.5, "m/s", (0.1, 2.0), "films that know a final velocity less well still judge", _TRADE
    )
    known_angle: float = option(
        0.05, "rad", (0.01, 0.2), "films that know a final angle less well still judge", _TRADE
    )
    known_share: float = option(
        0.05, "1", (0.01, 0.2), "likewise, as a share of the greatest velocity or angle", _TRADE
    )
    clipped_share: float = option(
        0.999, "1", (0.99, 1.0), "samples nearer to the level of clipping count as clipped", _TRADE
    )
    unzeroed: float = option(
        5.0, "1", (1.0, 20.0), "an offset that could not be taken off is larger: times a usual one"
    )
    draws_per_cosine: int = option(6, "1", (3, 20), "fewer cosines for the same number of draws")
    fewest_cosines: int = option(6, "1", (4, 20), "more cosines at least")
    most_cosines: int = option(16, "1", (6, 60), "more cosines at most: shorter faults are seen")
    lowest_clip: float = option(
        0.15, "1", (0.05, 0.5), "clipping is tried from a larger share of the greatest reading on"
    )
    clip_levels: int = option(60, "1", (10, 500), "levels of clipping are tried more closely")
    rival: float = option(
        4.0, "1", (1.0, 10.0), "explanations that fit worse are named as rivals: chi-square above"
    )
    offset_sigmas: float = option(
        4.0, "1", (2.0, 10.0), "a reading before time zero must stand farther out of its u"
    )


FILM_CLOCK = FilmClockOptions()
CROSS_CHECK = CrossCheckOptions()
"""The values in use."""
