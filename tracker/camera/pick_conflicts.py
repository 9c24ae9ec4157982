"""Fixed targets whose pick and survey contradict each other: which of the two is used.

The layout of the others gives where such a target should be. If a mark like it is there, the pick
was wrong, or two names are exchanged; if none is there but one is at the pick, the coordinates are
wrong, and the pick is kept so that the pose can name them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.camera.options import CAMERA
from tracker.core.types import Mark, MarkId
from tracker.film import Film
from tracker.marks import Picture, locate_mark


def reconcile_picks(
    film: Film, wanted: Sequence[Mark], found: Sequence[Mark], where: str
) -> tuple[tuple[Mark, ...], list[Diagnostic]]:
    """The marks to follow, those that contradict the survey where they were picked or where the
    layout has them, and a warning for each.

    `wanted` are the record's picks, `found` the same marks as the layout has them, and others.
    """
    picks = {m.name: m for m in wanted if m.name.is_fixed and m.is_picked}
    displaced = [
        m for m in found if m.name in picks and _distance(m, picks[m.name]) > _conflict_distance(m)
    ]
    if len(displaced) > CAMERA.conflict_share * len(picks):
        return tuple(found), []
    out, warnings, paired = list(found), [], set()
    for mark in displaced:
        pick = replace(picks[mark.name], size_px=float("nan"))  # as uncertain as the coordinates
        if not _is_there(film, mark) and _is_there(film, pick):
            out[out.index(mark)] = pick
            continue
        other = _exchanged_with(mark, displaced, picks)
        if other is None:
            warnings.append(_off_pick_diagnostic(mark, pick, film.size, where))
        elif mark.name not in paired:
            paired.add(other)
            warnings.append(_exchanged_diagnostic(mark.name, other, where))
    return tuple(out), warnings


def _distance(a: Mark, b: Mark) -> float:
    return float(np.hypot(*np.subtract(a.pixel, b.pixel)))


def _conflict_distance(mark: Mark) -> float:
    return CAMERA.conflict_px + CAMERA.conflict_sizes * float(np.nan_to_num(mark.size_px))


def _is_there(film: Film, mark: Mark) -> bool:
    """Whether such a mark is near its pixel in its frame."""
    place: Array = np.array(mark.pixel)
    inside = (place >= 0).all() and (place < np.array(film.size)).all()
    if mark.pattern == "patch" or not inside or mark.frame >= film.frames:
        return False
    luma = film.frame(mark.frame)
    return locate_mark(Picture(luma, float(film.white)), mark.pattern, place, mark.size_px).ok


def _exchanged_with(
    mark: Mark, displaced: Sequence[Mark], picks: dict[MarkId, Mark]
) -> MarkId | None:
    """The mark that was picked where this one is, and is where this one was picked."""
    for other in displaced:
        near, far = _distance(mark, picks[other.name]), _distance(other, picks[mark.name])
        if (
            other is not mark
            and near < _conflict_distance(mark)
            and far < _conflict_distance(other)
        ):
            return other.name
    return None


def _off_pick_diagnostic(mark: Mark, pick: Mark, size: tuple[int, int], where: str) -> Diagnostic:
    (u, v), (at_u, at_v) = pick.pixel, mark.pixel
    inside = 0 <= at_u < size[0] and 0 <= at_v < size[1]
    place = f"at ({at_u:.0f}, {at_v:.0f})" if inside else "outside the picture"
    text = (
        f"{mark.name.marker} was picked at ({u:.0f}, {v:.0f}); by the survey of the other "
        f"fixed targets it is {place}, and was looked for there"
    )
    return Diagnostic("pick_contradicts", text, f"{where}.survey")


def _exchanged_diagnostic(name: MarkId, other: MarkId, where: str) -> Diagnostic:
    text = (
        f"{name.marker} and {other.marker} were each picked where the survey has "
        "the other: their names or their coordinates are exchanged; "
        "each was taken where its coordinates are"
    )
    return Diagnostic("picks_exchanged", text, f"{where}.survey")
