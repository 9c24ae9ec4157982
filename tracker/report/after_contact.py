"""What happened after contact, as blocks of the report: exit, article; the sequence of events."""

from __future__ import annotations

from collections.abc import Mapping

from tracker.core.types import Quantity
from tracker.core.units import System
from tracker.report.blocks import Block, Heading, Plot, TableBlock, table
from tracker.report.digits import NONE, in_report, unit_of, value_with_u
from tracker.report.plan_view import PLAN_VIEW
from tracker.results.after_contact import ArticleFigure, ArticleMarkResult, ExitBoxResult
from tracker.results.headline import length_kind
from tracker.results.schema import Results, VehicleResult

FIGURES = {
    "dynamic_deflection": "Dynamic deflection",
    "permanent_deflection": "Permanent deflection",
    "working_width": "Working width",
    "vehicle_intrusion": "Vehicle intrusion",
}
CROSSED = {True: "crossed", False: "not crossed", None: "not seen"}
SOURCES = {"film": "film", "photograph": "later photograph", "tape": "tape"}
ARTICLE_NOTE = (
    "Square to the undeformed traffic face, as EN 1317-2 defines these distances. Working width: "
    "the article's back is taken to move with the mark."
)
POLE_NOTE = "Along ground x, the intended path: a pole is struck head-on."
MARKS_NOTE = (
    "What a mark did that broke off is no deflection of the article. Lost for good: every camera "
    "that saw it lost it well before its film ended."
)
EXIT_NOTE = "Angles against the article's undeformed face, else ground x; to the right +."


def after_contact(results: Results, plots: Mapping[str, str]) -> list[Block]:
    """Exit and place of rest, the article's figures, the plan view; nothing of a test without."""
    blocks: list[Block | None] = [
        exit_table(name, entry, results.test.report_units)
        for name, entry in results.vehicles.items()
    ]
    blocks += [article_table(results), marks_table(results)]
    if PLAN_VIEW in plots:
        blocks.append(Plot(PLAN_VIEW, plots[PLAN_VIEW]))
    known = [block for block in blocks if block is not None]
    return [Heading("After contact"), *known] if known else []


def exit_table(name: str, entry: VehicleResult, system: System) -> TableBlock | None:
    """Exit parameters and place of rest, as reports of full-scale tests state them."""
    leaves, final = entry.exit, entry.final
    if leaves is None and (final is None or not final.at_rest):
        return None
    rows: list[tuple[str, str]] = []
    if leaves is not None:
        time = value_with_u(leaves.time, leaves.time_u)
        rows += [
            ("Loss of contact (s)" + (", stated" if leaves.source == "typed" else ""), time),
            _row("Exit speed", leaves.speed, "speed", system),
            _row("Trajectory angle", leaves.trajectory_angle, "angle", system),
            _row("Heading angle", leaves.heading_angle, "angle", system),
            _row("Yaw rate", leaves.yaw_rate, "angular_rate", system),
        ]
        if leaves.exit_box is not None:
            rows += _box_rows(leaves.exit_box, system)
    if final is not None:
        where = f"At rest, {SOURCES[final.source]}" if final.at_rest else "At the film's end"
        rows += [
            _row(f"{where}: downstream of impact", final.downstream, "length", system),
            _row(f"{where}: lateral", final.lateral, "length", system),
            _row(f"{where}: heading", final.heading, "angle", system),
        ]
    return table(f"Exit and rest, {name}", ("", "value"), rows, "ll", EXIT_NOTE)


def _box_rows(box: ExitBoxResult, system: System) -> list[tuple[str, str]]:
    unit, factor = unit_of("length", system)
    size = f"{box.depth * factor:.1f} × {box.length * factor:.1f} {unit}"
    rows = [(f"Exit box, {size}", f"{CROSSED[box.crossed]}: {box.why}")]
    if box.at is not None:
        rows.append(_row("Crossed downstream of loss of contact", box.at, "length", system))
    return rows


def _row(label: str, value: Quantity | None, kind: str, system: System) -> tuple[str, str]:
    unit, _ = unit_of(kind, system)
    return f"{label} ({unit})", in_report(value, kind, system)


def article_table(results: Results) -> TableBlock | None:
    """Deflections, working width and intrusion, each with the mark that sets it and its time."""
    article, system = results.article, results.test.report_units
    if article is None:
        return None
    rows = []
    for field, label in FIGURES.items():
        figure: ArticleFigure | None = getattr(article, field)
        if figure is None:
            continue
        unit, factor = unit_of(length_kind(figure.value), system)
        value = ("≥ " if figure.at_end else "") + value_with_u(
            figure.value * factor, figure.u * factor
        )
        at = NONE if figure.time is None else f"{figure.time:.3f}"
        rows.append((f"{label} ({unit})", value, at, figure.mark))
    head = ("", "value", "at (s)", "set by")
    note = POLE_NOTE if article.kind == "pole" else ARTICLE_NOTE
    return table("Article", head, rows, "lcrl", note) if rows else None


def marks_table(results: Results) -> TableBlock | None:
    """Each mark of the article by itself."""
    article, system = results.article, results.test.report_units
    if article is None or not article.marks:
        return None
    kinds = [
        length_kind(*(abs(q.value) for q in found if q is not None))
        for found in zip(
            *((m.dynamic_deflection, m.permanent_deflection) for m in article.marks.values()),
            strict=True,
        )
    ]
    rows = [
        (
            name,
            in_report(mark.dynamic_deflection, kinds[0], system),
            in_report(mark.permanent_deflection, kinds[1], system),
            NONE if mark.lost_at is None else f"{mark.lost_at:.3f}",
            _break_off_text(mark),
        )
        for name, mark in article.marks.items()
    ]
    dynamic, permanent = (unit_of(kind, system)[0] for kind in kinds)
    head = (
        "mark",
        f"dynamic ({dynamic})",
        f"permanent ({permanent})",
        "lost for good (s)",
        "broke off",
    )
    return table("Marks of the article", head, rows, "lccrl", MARKS_NOTE)


def _break_off_text(mark: ArticleMarkResult) -> str:
    if mark.detached_at is not None:
        return f"at {mark.detached_at:.3f} s, stated"
    return "flew off" if mark.detached else ""


def events_table(results: Results) -> TableBlock | None:
    """The sequence of events with frame numbers by camera."""
    if len(results.events) < 2:
        return None
    cameras = list(results.cameras)
    rows = [
        (
            f"{event.time:.4f}".replace("-", "−"),
            event.text,
            event.source,
            *(f"{event.frames[c]:.1f}" if c in event.frames else NONE for c in cameras),
        )
        for event in results.events
    ]
    head = ("time (s)", "event", "", *cameras)
    return table("Sequence of events, with frame numbers", head, rows, "rll" + "r" * len(cameras))
