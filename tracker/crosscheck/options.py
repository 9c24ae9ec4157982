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
    bridge: float = option(
        0.006, "s", (0.002, 0.02), "the film's velocity is bridged over longer about such frames"
    )
    as_good: float = option(
        4.0, "1", (1.0, 10.0), "chi-square above the channel's own fault: clocks explain it sooner"
    )


FILM_CLOCK = FilmClockOptions()
