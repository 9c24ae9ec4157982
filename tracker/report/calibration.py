"""How the cameras were calibrated: a column a camera, a row a target, and the independent check."""

from __future__ import annotations

import math
from collections.abc import Iterator

from tracker.core.units import System
from tracker.report.blocks import Block, TableBlock, Text, table
from tracker.report.digits import NONE, in_report, unit_of, value_with_u
from tracker.report.tables import fixed_decimals, significant
from tracker.report.time_zero import time_zero
from tracker.report.wording import RESIDUAL
from tracker.results.calibrations import CalibrationResult, TargetResult
from tracker.results.schema import CameraResult, Results

TERMS = ("k1", "k2", "p1", "p2", "k3")
TARGET_HEAD = ("camera", "target", "x", "y", "z", "u", "du", "dv", "expected", "du", "dv")
WITHHELD_HEAD = ("withheld du", "dv", "expected")


def calibration(results: Results) -> list[Block]:
    """The cameras, their targets, what a residual is, and how the withheld ones came out."""
    blocks: list[Block] = [cameras(results)]
    if (rests_on := time_zero(results)) is not None:
        blocks.append(rests_on)
    found = targets(results)
    if found is not None:
        blocks += [Text(RESIDUAL), found]
        blocks += [Text(sentence) for sentence in _checks(results)]
    elif (short := _distances(results)) is not None:
        blocks.append(short)
    return blocks


def _distances(results: Results) -> TableBlock | None:
    """Residuals without their signs, of results that hold no more."""
    rows = [
        (camera, name, fixed_decimals(residual, 3))
        for camera, entry in results.cameras.items()
        for name, residual in entry.survey_residuals_px.items()
    ]
    head = ("camera", "target", "residual (px)")
    return table("Surveyed targets after calibration", head, rows, "llr") if rows else None


def cameras(results: Results) -> TableBlock:
    """The calibration of each camera: film, clock, lens and place."""
    system = results.test.report_units
    rows = [
        (label, *cells)
        for label, *cells in zip(
            _labels(system), *(_column(c, system) for c in results.cameras.values()), strict=True
        )
        if any(cell != NONE for cell in cells)
    ]
    head = ("", *results.cameras)
    return table("Cameras", head, rows, "l" + "r" * len(results.cameras))


def _labels(system: System) -> list[str]:
    length, small = unit_of("length", system)[0], unit_of("small_length", system)[0]
    return [
        "Film",
        "Size (px), grey levels (bit)",
        "Frames",
        "Frame rate (1/s)",
        "Exposure (ms)",
        "Frame of time zero",
        "Focal length fx, fy (px)",
        "Principal point (px)",
        *(f"Distortion {term}" for term in TERMS),
        "Lens from",
        "Lens calibrated on",
        "Viewing angles, horizontal, vertical (deg)",
        f"In the plane of motion ({small} a px)",
        *(f"Position {axis} ({length})" for axis in "xyz"),
        "Reprojection of all marks, rms (px)",
        "Steadiness, rms (px)",
        "Marks measured / hidden / lost (sightings)",
    ]


def _column(camera: CameraResult, system: System) -> list[str]:
    zero, counts = camera.time_zero_frame, camera.marks
    _, factor = unit_of("length", system)
    place = camera.position or (None, None, None)
    return [
        camera.film or NONE,
        *_film(camera),
        NONE if zero is None else value_with_u(zero.value, zero.u),
        *_lens(camera),
        *_view(camera.calibration, system),
        *(NONE if q is None else value_with_u(q.value * factor, q.u * factor) for q in place),
        fixed_decimals(camera.reprojection_rms_px, 3),
        fixed_decimals(camera.steadiness_rms_px, 3),
        NONE if counts is None else f"{counts.measured} / {counts.hidden} / {counts.lost}",
    ]


def _film(camera: CameraResult) -> Iterator[str]:
    found = camera.calibration
    yield NONE if found is None else f"{found.size[0]} x {found.size[1]}, {found.bits}"
    yield str(camera.frames)
    yield in_report(camera.frame_rate, "rate", "si")
    if found is None:
        yield NONE
    else:
        yield "not stated" if found.exposure is None else f"{1e3 * found.exposure:.4g}"


def _lens(camera: CameraResult) -> Iterator[str]:
    if camera.calibration is None:
        yield fixed_decimals(camera.focal_px, 1)
        yield from [NONE] * 8
        return
    lens = camera.calibration.lens
    for pair, pair_u in ((lens.focal_px, lens.u[:2]), (lens.centre_px, lens.u[2:4])):
        yield "; ".join(value_with_u(value, u) for value, u in zip(pair, pair_u, strict=True))
    for value, u in zip(lens.distortion, lens.u[4:], strict=True):
        yield value_with_u(value, u) if u else f"{value:.5f}".replace("-", "−")
    yield lens.source
    yield lens.date or "not stated"


def _view(found: CalibrationResult | None, system: System) -> Iterator[str]:
    if found is None:
        yield from [NONE] * 2
        return
    across, down = (math.degrees(angle) for angle in found.view_angles)
    yield f"{across:.1f}, {down:.1f}"
    factor = unit_of("small_length", system)[1]
    yield NONE if found.scale is None else f"{found.scale * factor:.3g}"


def targets(results: Results) -> TableBlock | None:
    """Every surveyed target: its coordinates, residuals, and the check without it."""
    system = results.test.report_units
    length, metres = unit_of("length", system)
    small, tiny = unit_of("small_length", system)
    rows = [
        _target(camera, name, each, metres, tiny)
        for camera, entry in results.cameras.items()
        if entry.calibration is not None
        for name, each in entry.calibration.targets.items()
    ]
    if not rows:
        return None
    units = ("", "", *[f" ({length})"] * 3, f" ({small})", *[" (px)"] * 3, *[f" ({small})"] * 2)
    head = [a + b for a, b in zip(TARGET_HEAD, units, strict=True)]
    head += [f"{text} (px)" for text in WITHHELD_HEAD]
    return table(
        "Surveyed targets: coordinates and residuals", head, rows, "ll" + "r" * 12, _survey(results)
    )


def _target(
    camera: str, name: str, each: TargetResult, metres: float, tiny: float
) -> tuple[str, ...]:
    spread = max(each.at_u)
    withheld = [NONE] * 3
    if each.withheld_px is not None and each.withheld_expected_px is not None:
        withheld = [
            *(_signed_text(v, 3) for v in each.withheld_px),
            _size(each.withheld_expected_px),
        ]
    return (
        camera,
        name if each.used else f"{name} (left out)",
        *(fixed_decimals(v * metres, 3) for v in each.at),
        significant(spread * tiny) if spread > 0 else "0",
        *(_signed_text(v, 3) for v in each.residual_px),
        _size(each.expected_px),
        *(_signed_text(v * tiny, 3 if tiny < 100 else 2) for v in each.residual_m),
        *withheld,
    )


def _signed_text(value: float, decimals: int) -> str:
    return f"{value:+.{decimals}f}".replace("-", "−")


def _size(pair: tuple[float, float]) -> str:
    """The root mean square of the expectations along u and v."""
    return f"{math.hypot(*pair) / math.sqrt(2):.3f}"


def _survey(results: Results) -> str:
    found = next(c.calibration for c in results.cameras.values() if c.calibration is not None)
    origin = "stated by the record" if found.ground_u_source == "record" else "the default"
    instrument = found.instrument or "instrument not stated"
    return (
        f"Survey: {instrument}; u of each coordinate is {origin}. Expected: root mean square of "
        "the two directions."
    )


def _checks(results: Results) -> Iterator[str]:
    """How the withheld targets of each camera came out beside what was to be expected."""
    for name, camera in results.cameras.items():
        each = {} if camera.calibration is None else camera.calibration.targets
        ratios = [(ratio, target) for target, one in each.items() for ratio in _ratios(one)]
        if not ratios:
            yield f"Independent check, {name}: too few targets to withhold one."
            continue
        rms = math.sqrt(sum(r * r for r, _ in ratios) / len(ratios))
        largest, where = max((abs(r), target) for r, target in ratios)
        within = sum(abs(r) <= 2 for r, _ in ratios)
        yield (
            f"Independent check, {name}: residuals of the withheld targets are {rms:.2f} times "
            f"their expected size (rms; 1 is to be expected), {within} of {len(ratios)} within "
            f"twice of it (95 % are to be expected), the largest {largest:.1f} times, at {where}."
        )


def _ratios(target: TargetResult) -> list[float]:
    if target.withheld_px is None or target.withheld_expected_px is None:
        return []
    pairs = zip(target.withheld_px, target.withheld_expected_px, strict=True)
    return [value / size for value, size in pairs if size > 0]
