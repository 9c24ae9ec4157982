"""The fitted centre of the mark that a person points at."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from calibration.errors import Problem
from tracker.core.types import MarkId
from tracker.record.load import Pick, Record, load_record
from tracker.workbench.options import WORKBENCH
from tracker.workbench.session import OpenTest


def snap(
    test: OpenTest, camera: str, frame: int, pixel: tuple[float, float], mark: str, pattern: str
) -> dict[str, Any]:
    """Place and uncertainty of the mark near a pixel; `ok` False with `why` where none is found.

    A patch has no centre of its own: the pixel stays.
    """
    if pattern == "patch":
        return _fit_failure(pixel, "a patch has no centre to snap to: the place pointed at is kept")
    from tracker.marks import Picture, locate_mark

    frames = test.frames(camera)
    size = _size(test, camera, frame, pixel, mark)
    reach = math.nan if math.isnan(size) else max(WORKBENCH.snap_reach * size, WORKBENCH.snap_least)
    fix = locate_mark(
        Picture(frames.luma(frame), float(frames.film.white)),
        pattern,  # type: ignore[arg-type]
        np.array(pixel),
        size,
        reach,
    )
    if not fix.ok:
        return _fit_failure(pixel, fix.why)
    u, v = (float(x) for x in fix.position)
    sigma = np.sqrt(np.diag(fix.covariance))
    if sigma.max() > WORKBENCH.snap_limit:
        return _fit_failure(
            pixel, f"what is there is too faint a {pattern} (u = {sigma.max():.2g} px)"
        )
    return {
        "ok": True,
        "pixel": [round(u, 2), round(v, 2)],
        "u": [float(f"{s:.2g}") for s in sigma],
        "why": "",
    }


def _fit_failure(pixel: tuple[float, float], why: str) -> dict[str, Any]:
    return {"ok": False, "pixel": [round(pixel[0], 2), round(pixel[1], 2)], "u": None, "why": why}


def _size(test: OpenTest, camera: str, frame: int, pixel: tuple[float, float], mark: str) -> float:
    """Size of a mark in the picture as the analysis foresees it, px; NaN if unknown.

    A lens that would have to be found from pictures of a board is left open.
    """
    from tracker.camera.expected_targets import expected_marks
    from tracker.camera.lens_source import lens_of

    try:
        record = _with_pick(load_record(test.record), camera, frame, pixel, mark)
        entry = record.cameras[camera]
        if entry.lens is not None and entry.lens.board is not None:
            entry = entry.model_copy(update={"lens": None})
            record = record.model_copy(update={"cameras": {**record.cameras, camera: entry}})
        size = test.frames(camera).film.size
        found = lens_of(record, camera, size)
        lens = found[0] if isinstance(found, tuple) else found
        marks = {str(m.name): m for m in expected_marks(record, camera, size, lens)}
    except (Problem, KeyError, ValueError):
        return math.nan
    return marks[mark].size_px if mark in marks else math.nan


def _with_pick(
    record: Record, camera: str, frame: int, pixel: tuple[float, float], mark: str
) -> Record:
    """The record with a vehicle's mark picked where the person points."""
    if MarkId.parse(mark).is_fixed:
        return record
    entry = record.cameras[camera]
    picks = {**entry.picks, mark: Pick(pixel=pixel, frame=frame)}
    new = entry.model_copy(update={"picks": picks})
    return record.model_copy(update={"cameras": {**record.cameras, camera: new}})
