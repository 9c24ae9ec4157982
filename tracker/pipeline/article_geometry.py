"""Where the article stands and how a vehicle stands to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.rigid_body import point_motion
from tracker.outcome.headline import PosteriorSamples
from tracker.outcome.options import OUTCOME
from tracker.outcome.traffic_face import TrafficFace
from tracker.record.load import Record
from tracker.record.schema import Vehicle


def striking_vehicle(record: Record) -> str | None:
    """The name of the vehicle that strikes; None where none does."""
    return next((n for n, v in record.vehicles.items() if v.role == "striking"), None)


def traffic_face(record: Record, moves: Mapping[str, PosteriorSamples]) -> TrafficFace | None:
    """The article's traffic face; without a stated place, through the mark nearest to the traffic,
    which serves displacements. Its side is that away from the striking vehicle before contact.
    """
    article, vehicle = record.article, striking_vehicle(record)
    if article is None or article.kind == "pole":
        return None
    places = np.array([m.at for m in article.markers.values()]).reshape(-1, 3)
    right = TrafficFace(article.heading, 0.0)
    lateral = right.behind(places) if len(places) else np.zeros(0)
    offset = article.traffic_face
    if article.side is not None:
        side = 1.0 if article.side == "right" else -1.0
    elif vehicle is not None and vehicle in moves and (offset is not None or len(lateral)):
        motion = moves[vehicle]
        known = np.isfinite(motion.state[:, :2]).all(axis=1)
        if not known.any():
            return None
        near = float(np.mean(lateral)) if offset is None else offset
        first = float(right.behind(motion.state[known][:1, :3])[0])
        side = 1.0 if near > first else -1.0
    else:
        return None
    if offset is None:
        if not len(lateral):
            return None
        offset = float(lateral.min() if side > 0 else lateral.max())
    return TrafficFace(article.heading, offset, side)


def outline_corners(table: Vehicle) -> dict[str, tuple[float, float, float]]:
    """Corners of the outline, at the ground and at the top, vehicle axes, m."""
    outline = table.outline
    if outline is None:
        return {}
    half, rear = outline.width / 2, outline.front - outline.length
    places = {
        "front left corner": (outline.front, -half),
        "front right corner": (outline.front, half),
        "rear right corner": (rear, half),
        "rear left corner": (rear, -half),
    }
    found = {name: (x, y, table.cg[2]) for name, (x, y) in places.items()}
    if outline.height is not None:
        found |= {f"{n}, top": (x, y, -outline.height) for n, (x, y) in places.items()}
    return found


LeverArms = Callable[[Array], Array]
"""Of a point (3,), vehicle axes, in each draw (m, 3): `tracker.motion.Draws.lever_arms`."""


def placed_points(
    motion: PosteriorSamples,
    cg: Array,
    places: Mapping[str, tuple[float, float, float]],
    lever_arms: LeverArms,
) -> dict[str, tuple[Array, Array]]:
    """Ground places (n, 3) and draws (m, n, 3) of points in vehicle axes."""
    found = {}
    for name, at in places.items():
        place = np.array(at)
        found[name] = (
            point_motion(motion.state, place - cg)[0],
            point_motion(motion.draws, lever_arms(place)[:, None])[0],
        )
    return found


def near_masks(
    record: Record, moves: Mapping[str, PosteriorSamples]
) -> dict[str, NDArray[np.bool_]]:
    """Of each striking vehicle whose outline and face of the article are stated, at which times of
    its motion (n,) it is within reach of the article.
    """
    face, article = traffic_face(record, moves), record.article
    if face is None or article is None or article.traffic_face is None:
        return {}
    found = {}
    for name, motion in moves.items():
        table = record.vehicles[name]
        corners = outline_corners(table)
        if table.role != "striking" or not corners:
            continue
        lever_arms = [np.array(at) - table.cg for at in corners.values()]
        behind = np.array(
            [face.behind(point_motion(motion.state, lever_arm)[0]) for lever_arm in lever_arms]
        )
        deepest = np.nan_to_num(behind, nan=-np.inf).max(axis=0)
        found[name] = np.asarray(deepest > -OUTCOME.contact_reach)
    return found
