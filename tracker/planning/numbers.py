"""A plan in words and rows: headline numbers with what to expect, marks, points to check."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tracker.core.types import MarkId, Quantity
from tracker.planning.options import PLAN
from tracker.planning.plan import Plan
from tracker.planning.predict import Outlook
from tracker.planning.view import PlannedMarkView
from tracker.report.wording import OCCUPANT, VEHICLE


@dataclass(frozen=True)
class Number:
    """A headline number of the planned motion."""

    key: str  # "car.impact_speed"
    label: str
    kind: str  # of unit
    quantity: Quantity


def numbers(outlook: Outlook) -> tuple[Number, ...]:
    """The headline numbers that the planned films would give."""
    return tuple(_numbers(outlook))


def _numbers(outlook: Outlook) -> Iterator[Number]:
    for vehicle, result in outlook.vehicles.items():
        for names, holder in ((VEHICLE, result), (OCCUPANT, result.occupant.film)):
            for field, name in names.items():
                quantity = getattr(holder, field, None)
                if quantity is not None and np.isfinite(quantity.u):
                    label = f"{vehicle}: {_after_colon(name.text)}"
                    yield Number(f"{vehicle}.{field}", label, name.kind, quantity)
    if outlook.crush is not None and outlook.crush.max_dynamic is not None:
        yield Number("crush", "greatest closing", "length", outlook.crush.max_dynamic)


def _after_colon(text: str) -> str:
    """With a small first letter, unless an abbreviation begins the text."""
    return text if text[:2].isupper() else text[:1].lower() + text[1:]


def time_in_view(mark: PlannedMarkView) -> str:
    """From when to when a mark is in view and large enough, within the watched time."""
    inside = (mark.time >= PLAN.watched_from - 1e-9) & (mark.time <= PLAN.watched_to + 1e-9)
    visible, time = mark.visible_mask[inside], mark.time[inside]
    if visible.all():
        return "throughout"
    if not visible.any():
        if not mark.facing_mask[inside].any():
            return "never: turned away"
        small = np.nanmax(mark.size_px[inside], initial=0.0) < PLAN.least_px
        return "never: too small" if small else "never: outside"
    shown = time[visible]
    if visible[0] and _is_one_stretch(visible):
        return f"until {_ms(shown[-1])}"
    if visible[-1] and _is_one_stretch(visible):
        return f"from {_ms(shown[0])}"
    return f"{_ms(shown[0])} to {_ms(shown[-1])}"


def _is_one_stretch(visible: NDArray[np.bool_]) -> bool:
    return int(np.sum(np.abs(np.diff(visible.astype(int))))) == 1


def _ms(time: float) -> str:
    return f"{1e3 * time:+.0f} ms".replace("-", "−")


def points_to_check(plan: Plan) -> list[str]:
    """What somebody should look at before the test, one sentence each."""
    found = []
    for name, stand in plan.stands.items():
        marks = [m for m in plan.outlook.marks[name] if m.visible_mask.any()]
        leaving = [m.target.name for m in marks if time_in_view(m) != "throughout"]
        small = [
            m.target.name for m in marks if np.nanmin(m.size_px[m.visible_mask]) < PLAN.small_px
        ]
        smeared = [m.target.name for m in marks if _blur(m) > PLAN.smeared_px]
        if leaving:
            found.append(
                f"{name}: {', '.join(leaving)} not in view throughout, from "
                f"{_ms(PLAN.watched_from)} to {_ms(PLAN.watched_to)}."
            )
        if small:
            found.append(f"{name}: {', '.join(small)} smaller than {PLAN.small_px:g} px.")
        if smeared:
            found.append(
                f"{name}: {', '.join(smeared)} smeared by more than {PLAN.smeared_px:g} px."
            )
        dark = 1 / stand.frame_rate - stand.exposure
        if (
            stand.exposure
            and dark > PLAN.shutter_gap
            and plan.record.cameras[name].time.zero == "flash"
        ):
            found.append(
                f"{name}: the shutter is closed for {100 * dark * stand.frame_rate:.0f} % of the "
                "time; if the flash comes on then, time zero is known to "
                f"{1e3 * dark / np.sqrt(12):.2f} ms only."
            )
        if not stand.exposure:
            found.append(f"{name}: no exposure is given; blur by motion was left out.")
        unseen = [f.target.name for f in plan.outlook.fixed[name] if not f.visible_mask[0]]
        if unseen:
            found.append(f"{name}: {', '.join(unseen)} not in the picture, or too small.")
        found += [f"{name}: {f.text}." for f in plan.outlook.poses[name].findings]
    for vehicle in plan.record.vehicles:
        counts = [
            sum(m.visible_mask.any() and m.target.name.vehicle == vehicle for m in marks)
            for marks in plan.outlook.marks.values()
        ]
        if max(counts, default=0) < 3:
            found.append(f"{vehicle}: no camera sees three of its marks, which its attitude needs.")
        if plan.record.vehicles[vehicle].at_contact is None:
            found.append(
                f"{vehicle}: at_contact is not given; it was put with its end at ground x = 0."
            )
    return found


def _blur(mark: PlannedMarkView) -> float:
    """Largest motion during the exposure while the mark is in view, px."""
    return float(np.max(np.linalg.norm(mark.blur[mark.visible_mask], axis=1), initial=0.0))


def mark_rows(plan: Plan, camera: str) -> list[tuple[MarkId, str, float, float, float, str]]:
    """Of each mark in a camera: name, pattern, px, largest blur (px), u of a place (px), when."""
    rows = []
    for mark in (*plan.outlook.fixed[camera], *plan.outlook.marks[camera]):
        on = mark.visible_mask
        if not on.any():
            size = u = blur = float("nan")
        else:
            size, blur = float(np.median(mark.size_px[on])), _blur(mark)
            noise = float(np.trace(mark.covariance[on].mean(axis=0)) / 2)
            u = float(np.sqrt(noise + plan.picture.drift_of(size) ** 2))
        fixed = mark.target.name.is_fixed
        when = ("yes" if on.all() else "no") if fixed else time_in_view(mark)
        rows.append((mark.target.name, mark.target.pattern, size, blur, u, when))
    return rows
