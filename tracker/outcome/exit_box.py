"""The exit box: whether a vehicle that was redirected stays near the article.

MASH and EN 1317-2 use the same box. It lies on the traffic side of the undeformed traffic face;
its depth from the face is A = a + vehicle width + 16 % of the vehicle length, its length B from
the loss of contact downstream. a and B are 2.2 m (7.2 ft) and 10 m (32.8 ft) for cars and pickups,
4.4 m (14.4 ft) and 20 m (65.6 ft) for heavier vehicles. No wheel should cross the box's long side
within B.

Sources: the formula of A and the sizes of heavier vehicles from memory (MASH 2016, chapter 5; EN
1317-2, clause 4.3); B of cars and pickups from doi 10.17226/27896, table 86, where a vehicle that
crossed 40 ft downstream of the loss of contact met the criterion of 32.8 ft.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from calibration.arrays import Array
from tracker.core.types import Quantity
from tracker.outcome.options import OUTCOME
from tracker.outcome.traffic_face import TrafficFace

VehicleKind = Literal["car", "pickup", "truck"]

HEAVY = 3500.0
"""kg; heavier vehicles whose kind is not stated have a truck's exit box (EN 1317: above 3.5 t goods
vehicles are heavy)."""
_DEPTH = {"car": 2.2, "pickup": 2.2, "truck": 4.4}
"""m; what the box is deeper than the vehicle's own width and share of length."""
_LENGTH = {"car": 10.0, "pickup": 10.0, "truck": 20.0}
"""m, from the loss of contact downstream."""
_LENGTH_SHARE = 0.16
"""Share of the vehicle's length by which the box is deeper."""


@dataclass(frozen=True)
class ExitBox:
    """An exit box in place: `depth` from the face (m), from `start` along the face for `length`."""

    depth: float
    length: float
    start: float  # m along the face from the ground origin; NaN before the loss of contact

    def corners(self, face: TrafficFace) -> Array:
        """Its corners (4, 2) on the ground, m."""
        far = self.start + self.length
        places = ((self.start, 0.0), (far, 0.0), (far, -self.depth), (self.start, -self.depth))
        return np.array([face.place(s, d) for s, d in places])


@dataclass(frozen=True)
class BoxCrossing:
    """Whether the wheels crossed the long side of the box; None: the film does not show it."""

    crossed: bool | None
    at: Quantity | None  # m downstream from the loss of contact, beyond the box too; None: nowhere
    why: str  # one clause: what it rests on


def exit_box(
    kind: VehicleKind, width: float, length: float, start: float = float("nan")
) -> ExitBox:
    """The box of a vehicle (its kind, width and length in m) that lost contact at `start`."""
    return ExitBox(_DEPTH[kind] + width + _LENGTH_SHARE * length, _LENGTH[kind], start)


def box_crossing(
    box: ExitBox,
    face: TrafficFace,
    wheels: Array,
    draws: Array,
    starts: Array,
    *,
    rest: bool,
    exact: bool,
) -> BoxCrossing:
    """Whether any wheel crosses the box's long side, as far as the film shows it.

    Parameters
    ----------
    wheels : (n, wheels, 2) ground places from the loss of contact on, m; only what was seen.
    draws : (m, n, wheels, 2) draws of them.
    starts : (m,) m along the face, of the loss of contact in each draw.
    rest : whether the vehicle stands at the end.
    exact : whether these are the wheels; False: corners of its outline, which reach farther, so
        that a crossing of theirs decides nothing.

    A path is never extended: a vehicle that left the picture within the box gives None.
    """
    at = _crossing(box, face, wheels, box.start)
    samples = np.array(
        [_crossing(box, face, w, start) for w, start in zip(draws, starts, strict=True)]
    )
    inside = float(np.mean(samples < box.length)) if len(samples) else float(at < box.length)
    if at < np.inf:
        known = samples[np.isfinite(samples)]
        u = float(np.std(known, ddof=1)) if len(known) > 1 else float("nan")
        place = Quantity(at, "m", u)
    else:
        place = None
    low, high = OUTCOME.box_undecided, 1.0 - OUTCOME.box_undecided
    past = bool(len(wheels)) and bool((face.along(wheels[-1]) - box.start).min() > box.length)
    if not exact and at < np.inf:
        return BoxCrossing(None, None, "the outline crossed; the wheels' places are not stated")
    if low < inside < high:
        return BoxCrossing(None, place, "too near to the edge of the box to decide")
    if at < box.length:
        return BoxCrossing(True, place, "a wheel crossed within the box")
    if at < np.inf:
        return BoxCrossing(False, place, "a wheel crossed beyond the box")
    if past:
        return BoxCrossing(False, None, "every wheel passed the end of the box inside it")
    if rest:
        return BoxCrossing(False, None, "the vehicle came to rest in the box")
    return BoxCrossing(None, None, "the vehicle left the picture within the box")


def _crossing(box: ExitBox, face: TrafficFace, wheels: Array, start: float) -> float:
    """How far downstream of `start` a wheel first crosses the box's long side, m; inf: nowhere."""
    if not len(wheels):
        return float("inf")
    over = -face.behind(wheels) - box.depth  # (n, wheels) positive beyond the line
    along = face.along(wheels) - start
    first = float("inf")
    for wheel in range(over.shape[1]):
        beyond = np.flatnonzero(over[:, wheel] > 0)
        if not len(beyond):
            continue
        k = int(beyond[0])
        if k == 0:
            first = min(first, float(along[0, wheel]))
            continue
        share = over[k - 1, wheel] / (over[k - 1, wheel] - over[k, wheel])
        first = min(first, float(along[k - 1, wheel] * (1 - share) + along[k, wheel] * share))
    return first
