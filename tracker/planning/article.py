"""The test article and the exit box of a planned test, seen from above."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from tracker.outcome.exit_box import HEAVY, exit_box
from tracker.outcome.traffic_face import TrafficFace
from tracker.planning.motion import PlannedMotion
from tracker.planning.options import PLAN
from tracker.record.after_contact import Article
from tracker.record.schema import PlannedRecord, Vehicle


@dataclass(frozen=True)
class PlannedArticle:
    """What is drawn of an article, ground x and y, m. None: the record does not state it."""

    marks: Array  # (n, 3) places of its marks, z included
    outline: Array | None  # (4, 2) the undeformed article, its traffic face first
    box: Array | None  # (4, 2) the exit box, as if contact were lost where it begins


def planned_article(record: PlannedRecord, motion: PlannedMotion) -> PlannedArticle | None:
    """The article of a record; None without one."""
    article = record.article
    if article is None:
        return None
    marks = np.array([m.at for m in article.markers.values()]).reshape(-1, 3)
    striking = next((n for n, v in record.vehicles.items() if v.role == "striking"), None)
    if article.traffic_face is None or striking is None:
        return PlannedArticle(marks, None, None)
    table = record.vehicles[striking]
    start = motion.places(striking, np.zeros(1), np.zeros((1, 3)))[0, 0]
    face = _face(article, start)
    box = _box(table, motion, striking, face)
    return PlannedArticle(marks, _outline(article, face, marks), box)


def _face(article: Article, vehicle: Array) -> TrafficFace:
    """The face; the article lies on its stated side, else away from the vehicle at contact."""
    offset = article.traffic_face or 0.0
    if article.side is not None:
        return TrafficFace(article.heading, offset, 1.0 if article.side == "right" else -1.0)
    behind = float(TrafficFace(article.heading, offset).behind(vehicle))
    return TrafficFace(article.heading, offset, 1.0 if behind < 0 else -1.0)


def _outline(article: Article, face: TrafficFace, marks: Array) -> Array | None:
    along = face.along(marks)
    ends = [article.length_of_need_begin, article.length_of_need_end]
    if ends[0] is None:
        ends[0] = float(along.min()) - PLAN.face_beyond if len(along) else None
    if ends[1] is None:
        ends[1] = float(along.max()) + PLAN.face_beyond if len(along) else None
    first, last = ends
    if first is None or last is None:
        return None
    deep = article.width or 0.0
    places = ((first, 0.0), (last, 0.0), (last, deep), (first, deep))
    return np.array([face.place(s, d) for s, d in places])


def _box(table: Vehicle, motion: PlannedMotion, name: str, face: TrafficFace) -> Array | None:
    """From the corner of the outline that is farthest into the face at first contact."""
    outline = table.outline
    if outline is None:
        return None
    half, rear = outline.width / 2, outline.front - outline.length
    corners = [(x, y, table.cg[2]) for x in (outline.front, rear) for y in (-half, half)]
    placed = motion.places(name, np.zeros(1), np.array(corners) - np.array(table.cg))[0]
    touching = placed[int(np.argmax(face.behind(placed)))]
    kind = table.kind or ("truck" if (table.mass or 0.0) > HEAVY else "car")
    box = exit_box(kind, outline.width, outline.length, float(face.along(touching)))
    return box.corners(face)
