"""The plan of a test: what its cameras see, what its numbers will be worth, what would help."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.arrays import Array
from tracker.core.types import SURVEY, MarkId, Progress, silent
from tracker.planning.layout import Stand, Target, stands
from tracker.planning.motion import PlannedMotion, planned_motion
from tracker.planning.noise import AssumedPicture
from tracker.planning.options import PLAN
from tracker.planning.predict import Outlook, predict
from tracker.planning.view import fixed_target_views, in_picture_mask
from tracker.record.load import load_planned
from tracker.record.schema import PlannedRecord

MORE_SURVEY, EXPOSURE, MARKS = (
    "one more survey point",
    "half the exposure",
    "marks 1.5 × larger",
)


@dataclass(frozen=True)
class Plan:
    """Everything that the plan's pages show."""

    record: PlannedRecord
    stands: Mapping[str, Stand]
    motion: PlannedMotion
    span: tuple[float, float]  # s, of the films that the prediction supposes
    picture: AssumedPicture
    outlook: Outlook
    changes: Mapping[str, Outlook]  # one change each, for all cameras


def make_plan(record: PlannedRecord, progress: Progress | None = None) -> Plan:
    """Predict the record's layout, and again with each of three changes.

    Raises Problem where the record lacks what a plan needs, or the layout can't give a result.
    """
    report_progress = progress or silent
    planned = stands(record)
    motion = planned_motion(record)
    picture = AssumedPicture()
    span = (PLAN.watched_from, max(PLAN.watched_to, motion.contact_lasts + PLAN.film_beyond))
    layouts = {"": planned, **single_changes(planned, picture)}
    outlooks = {}
    for done, (change, layout) in enumerate(layouts.items()):
        report_progress("plan", done, len(layouts))
        outlooks[change] = predict(record, layout, motion, span, picture)
    report_progress("plan", len(layouts), len(layouts))
    outlook = outlooks.pop("")
    return Plan(record, planned, motion, span, picture, outlook, outlooks)


def plan(path: str | Path, progress: Progress | None = None) -> Plan:
    """What the layout in this record will see, and the uncertainty to expect, before the test.

    `path` is a record or a folder with `record.toml`; its films need not be there. Raises `Problem`
    where the record is wrong or lacks what a plan needs.

    >>> from tracker import plan
    >>> layout = plan("demo")
    >>> sorted(layout.stands) == sorted(layout.record.cameras)
    True
    """
    return make_plan(load_planned(path), progress)


def single_changes(
    planned: Mapping[str, Stand], picture: AssumedPicture
) -> dict[str, dict[str, Stand]]:
    """The layout with one change each; a change that no camera can make is left out."""
    layouts = {
        MORE_SURVEY: {n: _surveyed_more(s, picture) for n, s in planned.items()},
        EXPOSURE: {n: replace(s, exposure=s.exposure / 2) for n, s in planned.items()},
        MARKS: {n: _larger(s) for n, s in planned.items()},
    }
    return {
        name: layout
        for name, layout in layouts.items()
        if any(
            layout[n] != planned[n] for n in planned if _is_different(name, planned[n], layout[n])
        )
    }


def _is_different(change: str, before: Stand, after: Stand) -> bool:
    """Whether a change did anything to a camera (arrays don't compare as one)."""
    if change == MORE_SURVEY:
        return len(after.fixed) != len(before.fixed)
    return change == MARKS or after.exposure != before.exposure


def _larger(stand: Stand) -> Stand:
    def enlarge(targets: tuple[Target, ...]) -> tuple[Target, ...]:
        return tuple(replace(t, size=PLAN.larger_marks * t.size) for t in targets)

    return replace(stand, fixed=enlarge(stand.fixed), markers=enlarge(stand.markers))


def _surveyed_more(stand: Stand, picture: AssumedPicture) -> Stand:
    """With a fixed target like the others, between their middle and the farthest, off their plane
    towards the camera; the stand as it is where such a point would not be in the picture.
    """
    inside = [t.target for t in fixed_target_views(stand, picture) if t.visible_mask[0]]
    if len(inside) < 3:
        return stand
    at = np.array([t.at for t in inside])
    middle = at.mean(axis=0)
    way = stand.camera.position - middle
    normal = _normal(at, way)
    farthest = at[int(np.argmax(np.linalg.norm(at - middle, axis=1)))]
    size = float(np.median([t.size for t in inside]))
    for share in (0.6, 0.4, 0.2, 0.0):
        place = middle + share * (farthest - middle)
        place = place + PLAN.off_plane * float(np.linalg.norm(way)) * normal
        pixel = stand.camera.project(place[None])
        if in_picture_mask(stand.camera, pixel, np.array([PLAN.mark_margin]))[0]:
            mark = MarkId(SURVEY, "one_more")
            new = Target(mark, place, inside[0].pattern, size, inside[0].normal)
            return replace(stand, fixed=(*stand.fixed, new))
    return stand


def _normal(at: Array, towards: Array) -> Array:
    """Normal (3,) of the plane that fits points (n, 3) best, on the side of `towards`."""
    _, _, axes = np.linalg.svd(at - at.mean(axis=0))
    return np.asarray(axes[2] * np.sign(axes[2] @ towards))
