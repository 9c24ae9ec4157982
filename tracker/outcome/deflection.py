"""How far a test article moved, from the paths of its marks.

Definitions of EN 1317-2, from memory:

- dynamic deflection: greatest lateral displacement of any point of the article's traffic face
  during the impact;
- working width: greatest lateral distance between any part of the article on its undeformed
  traffic side and the greatest dynamic position of any part of the article;
- vehicle intrusion: greatest dynamic lateral position of the vehicle from the undeformed traffic
  side (asked of heavy goods vehicles; since 2010 with a notional load as wide and long as the
  platform, 4 m high above the ground: that is an outline 4 m high);
- permanent deflection: lateral displacement that is left.

Lateral is square to the undeformed traffic face. A mark shows its own place alone: what of the
article lies behind it is taken to move with it, so that the article keeps its stated width there.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.core.types import FreePath, Quantity
from tracker.outcome.options import OUTCOME
from tracker.outcome.traffic_face import TrafficFace


@dataclass(frozen=True)
class Deflection:
    """A figure of the article and the mark or vehicle point that sets it."""

    value: Quantity  # m, with its time
    mark: str


@dataclass(frozen=True)
class ArticleFigures:
    """What moved how far. None: not determined."""

    dynamic: Deflection | None
    permanent: Deflection | None
    working_width: Deflection | None
    marks: Mapping[str, tuple[Quantity | None, Quantity | None]]  # dynamic, permanent of each


def article_figures(
    paths: Mapping[str, FreePath],
    face: TrafficFace,
    width: float | None,
    known_face: bool,
    detached: Collection[str] = (),
) -> ArticleFigures:
    """Deflections and working width from the marks' paths.

    `width` is the undeformed article's, m; `known_face`: whether the face's place is stated, not
    only its direction; `detached`: marks that are
    known to have broken off. Without either the working width is not determined.
    """
    dynamic = {name: dynamic_deflection(path, face) for name, path in paths.items()}
    permanent = {name: permanent_deflection(path, face) for name, path in paths.items()}
    attached = {n: p for n, p in paths.items() if n not in detached and not is_detached(p)}
    widths = {
        name: _working_width(path, face, width)
        for name, path in attached.items()
        if known_face or width is not None
    }
    return ArticleFigures(
        _greatest({name: dynamic[name] for name in attached}),
        _greatest({name: permanent[name] for name in attached}),
        _greatest(widths),
        {name: (dynamic[name], permanent[name]) for name in paths},
    )


def is_detached(path: FreePath) -> bool:
    """Whether a mark flew off: every camera lost it for good while it still moved fast. What it did
    is no deflection of the article; its own figures stand alone.
    """
    known = np.isfinite(path.position).all(axis=1)
    if path.lost_at is None or known.sum() < 3:
        return False
    time, place = path.time[known], path.position[known]
    first = int(np.searchsorted(time, time[-1] - OUTCOME.detached_span))
    first = min(first, len(time) - 2)
    way = float(np.linalg.norm(place[-1] - place[first]))
    return way > OUTCOME.detached_speed * float(time[-1] - time[first])


def dynamic_deflection(path: FreePath, face: TrafficFace) -> Quantity | None:
    """Greatest displacement of a mark into the article after time zero, m; at the end where its
    path ends while it still grows.
    """
    inward, draws = _inward(path, face)
    return _extreme(path.time, inward, draws)


def permanent_deflection(path: FreePath, face: TrafficFace) -> Quantity | None:
    """What is left of a mark's displacement, m: its mean over the path's last span, at the end
    where the mark still moves then.
    """
    inward, draws = _inward(path, face)
    known = np.isfinite(inward) & (path.time > 0)
    if known.sum() < 3:
        return None
    last = float(path.time[known][-1])
    tail = known & (path.time >= last - OUTCOME.rest_span)
    mean, means = float(inward[tail].mean()), draws[:, tail].mean(axis=1)
    u = float(np.std(means, ddof=1))
    swing = float(np.ptp(inward[tail]))
    drift = float(np.std(inward[tail])) if swing > 0 else 0.0
    still = swing > OUTCOME.rest_deflection
    return Quantity(mean, "m", float(np.hypot(u, drift)), last, at_end=still)


def _inward(path: FreePath, face: TrafficFace) -> tuple[Array, Array]:
    """Displacement (n,) of a mark into the article, and draws (m, n) of it."""
    inward = (path.position - path.start)[:, :2] @ face.inward
    draws = (path.draws - path.start_draws[:, None])[..., :2] @ face.inward
    return np.asarray(inward), np.asarray(draws)


def _working_width(path: FreePath, face: TrafficFace, width: float | None) -> Quantity | None:
    """Farthest place behind the undeformed face of the mark, or of the article's back there."""
    if width is not None:
        inward, draws = _inward(path, face)
        return _extreme(path.time, inward + width, draws + width)
    return _extreme(path.time, face.behind(path.position), face.behind(path.draws))


def _extreme(time: Array, value: Array, draws: Array) -> Quantity | None:
    """Greatest value after time zero."""
    after = (time >= 0) & np.isfinite(value)
    if not after.any():
        return None
    rows = np.flatnonzero(after)
    k = int(rows[np.argmax(value[rows])])
    u = float(np.std(np.max(draws[:, rows], axis=1), ddof=1))
    back = int(np.searchsorted(time, time[rows[-1]] - OUTCOME.rest_span))
    still = value[rows[-1]] - value[back] > OUTCOME.rest_deflection
    at_end = bool(value[k] - value[rows[-1]] <= u and still)
    return Quantity(float(value[k]), "m", u, float(time[k]), at_end)


def _greatest(found: Mapping[str, Quantity | None]) -> Deflection | None:
    known = {name: q for name, q in found.items() if q is not None}
    if not known:
        return None
    name = max(known, key=lambda n: known[n].value)
    return Deflection(known[name], name)


def vehicle_intrusion(
    time: Array, points: Mapping[str, tuple[Array, Array]], face: TrafficFace
) -> Deflection | None:
    """Farthest place of a vehicle behind the undeformed face: `points` holds ground places (n, 3)
    of each of its points at times (n,) and draws (m, n, 3) of them, m. None where it stays before
    the face.
    """
    found = {
        name: _extreme(time, face.behind(place), face.behind(draws))
        for name, (place, draws) in points.items()
    }
    greatest = _greatest(found)
    return greatest if greatest is not None and greatest.value.value > 0 else None
