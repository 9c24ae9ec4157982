"""Marks found at their picks, and those found later where their body has brought them."""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.core.types import Mark
from tracker.film import Luma
from tracker.marks import Fix, Picture, locate_mark, measure_marks
from tracker.tracking.anchors import Anchor, AnchorLog, SoughtMark
from tracker.tracking.layout_motion import carry_points
from tracker.tracking.options import TRACKING
from tracker.tracking.plan import StartPoint, TrackingPlan
from tracker.tracking.state import TrackingState
from tracker.tracking.track_buffer import TrackBuffer

_SOUGHT_OFTEN = 3
"""Binary digits of the frames since the pick less those of the interval: 4 to 8 tries an octave."""


def start_mark(
    plan: TrackingPlan,
    buffer: TrackBuffer,
    anchors: AnchorLog,
    state: TrackingState,
    start: StartPoint,
    luma: Luma,
) -> None:
    """Find a mark at its pick and track it from there."""
    m, mark = start.mark, plan.marks[start.mark]
    known = start.corrected and state.motion.known_mask[m]
    size = float(state.appearance.size[m]) if known else mark.size_px
    fix = _fix_at_pick(plan, mark, start.pixel, size, luma)
    if fix.ok:
        place, shape = fix.position, fix.shape
    else:
        old = anchors.shapes.get(m)
        if old is None or not start.corrected:
            if start.corrected:
                buffer.write_edit(start.frame, m, start.pixel)
            if start.corrected or state.motion.known_mask[m]:
                anchors.note_missing(plan, start, fix.why)
            else:
                seek_later(anchors, state, start, fix.why)
            return
        place, shape = start.pixel, state.appearance.shape(m, old)
    if start.corrected:
        buffer.write_edit(start.frame, m, start.pixel)
    else:
        buffer.write_fix(start.frame, m, fix)
    state.anchor(m, luma, place, shape, None)
    anchors.found[start.frame, m] = Anchor(place, shape)
    anchors.shapes.setdefault(m, shape)


def is_inside(luma: Luma, place: Array, margin: float) -> bool:
    """Whether a place (2,) px is this far, px, or farther inside the picture."""
    rows, columns = luma.shape
    return bool(
        np.all(place >= margin) and np.all(place <= (columns - 1 - margin, rows - 1 - margin))
    )


def seek_later(anchors: AnchorLog, state: TrackingState, start: StartPoint, why: str) -> None:
    """Have a mark looked for later: it is outside the picture at its pick, or was not found."""
    motion = state.motion
    if motion.known_mask[start.mark]:
        return
    motion.place[start.mark] = start.pixel
    anchors.sought[start.mark] = SoughtMark(start, motion.place, motion.measured_mask, why)


def start_sought(
    plan: TrackingPlan, buffer: TrackBuffer, anchors: AnchorLog, state: TrackingState, luma: Luma
) -> None:
    """Look for marks that their picks did not give where their body has brought them."""
    frame, known = state.frame, state.motion.known_mask
    for m, sought in list(anchors.sought.items()):
        if known[m]:
            del anchors.sought[m]
            continue
        if not plan.allowed_mask[frame, m] or not _is_due(sought, frame):
            continue
        fix = _fix_where_carried(plan, state, sought, luma)
        if fix is None:
            continue
        buffer.write_fix(frame, m, fix)
        state.anchor(m, luma, fix.position, fix.shape, None)
        anchors.shapes.setdefault(m, fix.shape)
        del anchors.sought[m]
        if sought.why:
            buffer.await_confirmation(frame, m)
            anchors.found[frame, m] = Anchor(fix.position, fix.shape)


def _is_due(sought: SoughtMark, frame: int) -> bool:
    """Whether a mark is looked for in this frame: one outside the picture steadily, one that was
    not found ever less often.
    """
    age = frame - sought.start.frame
    if not sought.why:
        return frame % TRACKING.entry_interval == 0
    return age > 0 and age % (1 << max(0, age.bit_length() - _SOUGHT_OFTEN)) == 0


def _fix_where_carried(
    plan: TrackingPlan, state: TrackingState, sought: SoughtMark, luma: Luma
) -> Fix | None:
    """A sought mark where its body's other marks have brought it; None where it is not found."""
    m, body, motion = sought.start.mark, state.marks.body, state.motion
    mates = sought.measured_mask & motion.measured_mask & (body == body[m])
    if not mates.any():
        return None
    mark, then = plan.marks[m], sought.place
    place = carry_points(then[mates], motion.place[mates], then[m][None])[0][0]
    half = mark.size_px / 2 if np.isfinite(mark.size_px) else TRACKING.entry_margin
    if not is_inside(luma, place, half):
        return None
    fix = _fix_at_pick(plan, mark, place, mark.size_px, luma)
    others = np.flatnonzero(motion.measured_mask)
    apart = np.hypot(*(motion.place[others] - fix.position).T)
    is_claimed = np.any(apart < TRACKING.overlap * fix.shape.size)
    return fix if fix.ok and not is_claimed else None


def _fix_at_pick(plan: TrackingPlan, mark: Mark, pixel: Array, size: float, luma: Luma) -> Fix:
    """The mark at a pick; also one that is spoilt inside, by a highlight or by dirt.

    What doesn't look like a clean mark of known size is measured again by its outline alone, robust
    against the rest, and taken if it stands out well.
    """
    picture = Picture(luma, float(plan.film.white))
    low, high = TRACKING.spoilt_size_low, TRACKING.spoilt_size_high
    fix = locate_mark(picture, mark.pattern, pixel, size)
    if fix.ok or not np.isfinite(size) or not low < fix.shape.size / size < high:
        return fix
    if abs(fix.contrast) <= TRACKING.stands_out * fix.shape.noise:
        return fix
    again = measure_marks(picture, [fix.shape], fix.position[None])[0]
    return again if again.ok and again.visible > TRACKING.spoilt_visible else fix
