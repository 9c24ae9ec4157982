"""Numbers that steer how verdicts are found."""

from __future__ import annotations

import math
from dataclasses import dataclass

from calibration.options import option

_TRADE = "common practice, no source"


@dataclass(frozen=True)
class CriteriaOptions:
    """Guarded verdicts, and which standard vehicle a mass belongs to."""

    sure: float = option(
        0.95,
        "1",
        (0.8, 0.999),
        "more verdicts are undetermined: probability from which a guarded verdict is given",
        "JCGM 106:2012, 8.3 (guarded acceptance); the value is common practice",
    )
    class_share: float = option(
        0.10, "1", (0.02, 0.2), "vehicles farther from a nominal mass count as of its class", _TRADE
    )
    head_on: float = option(
        math.radians(5.0), "rad", (0.0, 0.3), "tests at larger intended angles are head-on", _TRADE
    )


CRITERIA = CriteriaOptions()
