"""The plan as blocks of a report: its worth, what is in view, what was assumed."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np

from calibration.constants import GRAVITY
from tracker import __version__
from tracker.core.units import show
from tracker.motion.options import NOISE
from tracker.pipeline.options import EVALUATION
from tracker.planning.noise import FLOOR_PX
from tracker.planning.numbers import Number, mark_rows, numbers, points_to_check
from tracker.planning.options import PLAN, PLANNED_MOTION
from tracker.planning.plan import Plan
from tracker.report.blocks import Block, Document, Heading, Part, Plot, TableBlock, Text, table
from tracker.report.digits import NONE, round_with_u, unit_of
from tracker.results.schema import PROGRAM

CAUTION = (
    "A prediction, made to compare layouts. It supposes that every mark is found, nothing hides "
    "it, the camera stands still, and the pictures are as assumed below. It does not replace the "
    "test standard, the accredited laboratory or a licensed engineer's judgement."
)


def document(plan: Plan, captions: Mapping[str, str]) -> Document:
    """The whole plan; `captions` are those of the drawings in pictures/."""
    test = plan.record.test
    return Document(
        test.number,
        test.title or "Impact test",
        "Before the test: what the planned cameras will see, and the uncertainty to expect",
        f"{PROGRAM} {__version__}",
        "us-letter" if test.report_units == "us" else "a4",
        (
            Part("The uncertainty to expect", "for the engineer", _worth(plan)),
            Part("What the cameras will see", "for the camera crew", _sight(plan, captions)),
            Part("What was assumed", "for the reviewer", _assumed_text(plan)),
        ),
    )


def _worth(plan: Plan) -> tuple[Block, ...]:
    found = points_to_check(plan)
    blocks: list[Block] = [Text(_lead(plan), "lead"), Text(CAUTION, "caution")]
    if found:
        blocks += [Heading("To look at before the test"), *(Text(line) for line in found)]
    blocks += [numbers_table(plan)]
    return tuple(blocks)


def _lead(plan: Plan) -> str:
    found = {n.key: n for n in numbers(plan.outlook)}
    striking = [n for n, v in plan.record.vehicles.items() if v.role == "striking"]
    wanted = [(f"{striking[0]}.impact_speed", "impact speed"), (f"{striking[0]}.oiv_x", "OIV")]
    parts = [f"{name} to {_u(found[key], plan, True)}" for key, name in wanted if key in found]
    count = len(points_to_check(plan))
    note = f" {count} thing{'s' if count != 1 else ''} to look at." if count else ""
    return (
        f"As planned, the films will give {' and '.join(parts)} (k = 1).{note}" if parts else note
    )


def _u(number: Number, plan: Plan, unit: bool = False) -> str:
    """The standard uncertainty with two significant digits, in the report's unit."""
    name, factor = unit_of(number.kind, plan.record.test.report_units)
    u = round_with_u(0.0, number.quantity.u * factor)[1]
    return f"{u} {name}" if unit else u


def numbers_table(plan: Plan, only: Collection[str] = ()) -> TableBlock:
    """U of each headline number, now and with each change; `only` fields of these names."""
    changed = {c: {n.key: n for n in numbers(o)} for c, o in plan.changes.items()}
    rows = []
    for number in numbers(plan.outlook):
        if only and number.key.split(".")[-1] not in only:
            continue
        unit, _ = unit_of(number.kind, plan.record.test.report_units)
        cells = [_against(number, of.get(number.key)) for of in changed.values()]
        rows.append((number.label, unit, _u(number, plan), *cells))
    return table(
        "Standard uncertainty (k = 1) to expect of each headline number, and by how much one "
        "change of the layout would alter it.",
        ("number", "unit", "u", *changed),
        rows,
        "llr" + "r" * len(changed),
        "A change is made for all cameras at once; the survey point stands off the plane of the "
        f"others by {100 * PLAN.off_plane:.0f} % of the distance. Each u is the spread of "
        f"{EVALUATION.draws} draws, which leaves {100 / np.sqrt(2 * EVALUATION.draws):.0f} % of it "
        "open and up to "
        f"{100 / np.sqrt(EVALUATION.draws):.0f} % of a change (k = 1).",
    )


def _against(now: Number, then: Number | None) -> str:
    if then is None:
        return NONE
    share = then.quantity.u / now.quantity.u - 1
    percent = round(100 * share)
    return f"{percent:+d} %".replace("-", "−") if percent else "0 %"


def _sight(plan: Plan, captions: Mapping[str, str]) -> tuple[Block, ...]:
    blocks: list[Block] = [Plot("site", captions["site"]), cameras_table(plan)]
    for name in plan.stands:
        blocks += [
            Heading(name),
            Plot(f"view-{name}", captions[f"view-{name}"]),
            marks_table(plan, name),
        ]
    return tuple(blocks)


def cameras_table(plan: Plan) -> TableBlock:
    """Where each camera stands and how well that will be known."""
    system = plan.record.test.report_units
    _, factor = unit_of("small_length", system)
    unit, _ = unit_of("small_length", system)
    rows = []
    for name, stand in plan.stands.items():
        camera = plan.outlook.poses[name].camera
        u = np.sqrt(np.diag(camera.covariance)[3:6]) * factor
        at = ", ".join(show(float(x), "length", system).split()[0] for x in stand.camera.position)
        at = at.replace("-", "−")
        rows.append(
            (
                name,
                at,
                stand.aim_text,
                f"{stand.camera.lens.matrix[0, 0]:.0f}",
                f"{stand.frame_rate:g}",
                f"{1e3 * stand.exposure:g}" if stand.exposure else NONE,
                ", ".join(round_with_u(0.0, float(x))[1] for x in u),
            )
        )
    length, _ = unit_of("length", system)
    return table(
        "Cameras, and the standard uncertainty that the planned survey leaves of their places.",
        (
            "camera",
            f"x, y, z ({length})",
            "looks",
            "focal length (px)",
            "frames (1/s)",
            "exposure (ms)",
            f"u of x, y, z ({unit})",
        ),
        rows,
        "lllrrrl",
    )


def marks_table(plan: Plan, camera: str) -> TableBlock:
    """Each mark in a camera's pictures."""
    rows = [
        (name, pattern, _px(size, 1), _px(blur, 2), _px(u, 3), when)
        for name, pattern, size, blur, u, when in mark_rows(plan, camera)
    ]
    first, last = (
        f"{1e3 * t:+.0f}".replace("-", "−") for t in (PLAN.watched_from, PLAN.watched_to)
    )
    return table(
        f"Marks in the pictures of {camera}: size, largest motion during the exposure, standard "
        "uncertainty of a place in one picture, and whether it is in view.",
        ("mark", "pattern", "size (px)", "blur (px)", "u (px)", f"in view, {first} to {last} ms"),
        rows,
        "llrrrl",
    )


def _px(value: float, digits: int) -> str:
    return f"{value:.{digits}f}" if np.isfinite(value) else NONE


def _motion_text(plan: Plan) -> str:
    article, lasts = plan.record.article, f"{1e3 * plan.motion.contact_lasts:.0f} ms"
    before = "Motion of the vehicles: constant speed until contact, then "
    if article is not None and article.kind == "pole":
        return (
            f"{before}a pole that breaks away within {lasts} and takes "
            f"{PLANNED_MOTION.pole_takes:g} m/s (common practice, no source), without "
            "pitch, roll and yaw."
        )
    if article is not None and article.traffic_face is not None:
        return (
            f"{before}a redirection along the article's face within {lasts}, which gives back "
            f"{100 * PLANNED_MOTION.rail_rebound:.0f} % of the speed towards it (common practice, "
            "no source), without pitch and roll."
        )
    return (
        f"{before}a deceleration of the vehicles against each other of "
        f"{PLANNED_MOTION.mean_pulse / GRAVITY:.1f} g in the mean over their closing, for {lasts}, "
        "as crush cushions give it (common practice, no source), with pitch, roll, yaw and rise on "
        "the springs."
    )


def _assumed_text(plan: Plan) -> tuple[Block, ...]:
    picture, record = plan.picture, plan.record
    first, last = plan.span
    survey = record.survey
    lines = [
        _motion_text(plan),
        f"Films from {1e3 * first:+.0f} to {1e3 * last:+.0f} ms of contact.".replace("-", "−"),
        f"Pictures: {picture.contrast:g} grey values of contrast between the paints, noise of "
        f"{picture.noise:g} grey values a pixel, edges blurred by {picture.blur:g} px; besides the "
        f"noise {picture.floor:g} px in each place of a mark of {FLOOR_PX:g} px from "
        f"compression, shading and paint, and a drift of {picture.drift:g} px, less for larger "
        f"ones; errors correlated by {picture.correlation:g} from frame to frame, the drift over "
        f"{NOISE.error_memory:g} frames. A shorter exposure is taken to be lit as well. A flash "
        "comes on during an exposure.",
        "Places of marks: the bound of Cramer and Rao for their edges at that contrast, noise, "
        "blur and motion, with the floor added.",
        f"Survey: {1e3 * survey.ground_u:g} mm for fixed targets, {1e3 * survey.marker_u:g} mm for "
        "markers (k = 1, each coordinate). Camera poses: resection of the planned survey.",
        "Motion: the estimator of the analysis on these marks and cameras; the headline numbers "
        "from draws of its posterior.",
        "A marker is taken to face up, or sideways if it is near a side of its vehicle; it is in "
        "view where its face turns to the camera and it is wholly in the picture. Vehicles, dust "
        "and barriers hide nothing here.",
    ]
    return tuple(Text(line) for line in lines)
