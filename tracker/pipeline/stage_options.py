"""The options of every stage that an analysis goes through, as its log holds them."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from calibration.board.options import OPTICS
from calibration.image_motion.options import IMAGE_MOTION
from calibration.options import describe_options
from calibration.resection.options import RESECTION
from calibration.scale_bars.options import SCALE_BARS
from calibration.time.options import CLOCK_SPLINE, FLASH, TIME, TIMING_LIGHT
from tracker.accelerometers.options import ACCELEROMETERS, CHANNEL_ONSET
from tracker.camera.options import BACKGROUND, CAMERA, SEEN_AGAIN
from tracker.criteria.options import CRITERIA
from tracker.crosscheck.options import CROSS_CHECK, FILM_CLOCK
from tracker.detection.options import DETECTION
from tracker.film.options import FILM
from tracker.marks.options import MARKS
from tracker.mechanics.options import MECHANICS, PREDICTION
from tracker.motion.free_mark_options import FREE_MARKS, WHEELS
from tracker.motion.initial.options import ONSET, ZERO
from tracker.motion.options import (
    CLOCKS,
    CONTACT,
    KNOTS,
    NOISE,
    PRIOR,
    SENSORS,
    SOLVER,
    START,
)
from tracker.motion.robust.options import DIAGNOSTICS, ROBUST
from tracker.outcome.options import OUTCOME
from tracker.pipeline.options import ACCELEROMETER_ZERO, CHECK, EVALUATION, FUSION
from tracker.processes.options import PROCESSES
from tracker.tracking.options import TRACKING

STAGES: Mapping[str, Any] = MappingProxyType(
    {
        "accelerometers": ACCELEROMETERS,
        "accelerometers.onset": CHANNEL_ONSET,
        "calibration.board": OPTICS,
        "calibration.image_motion": IMAGE_MOTION,
        "calibration.resection": RESECTION,
        "calibration.scale_bars": SCALE_BARS,
        "calibration.time": TIME,
        "calibration.time.clock_spline": CLOCK_SPLINE,
        "calibration.time.flash": FLASH,
        "calibration.time.timing_light": TIMING_LIGHT,
        "camera": CAMERA,
        "camera.background": BACKGROUND,
        "camera.seen_again": SEEN_AGAIN,
        "criteria": CRITERIA,
        "crosscheck": CROSS_CHECK,
        "crosscheck.film_clock": FILM_CLOCK,
        "detection": DETECTION,
        "film": FILM,
        "marks": MARKS,
        "mechanics": MECHANICS,
        "mechanics.prediction": PREDICTION,
        "motion.clocks": CLOCKS,
        "motion.contact": CONTACT,
        "motion.free_marks": FREE_MARKS,
        "motion.wheels": WHEELS,
        "motion.knots": KNOTS,
        "motion.noise": NOISE,
        "motion.onset": ONSET,
        "motion.prior": PRIOR,
        "motion.robust": ROBUST,
        "motion.robust.diagnostics": DIAGNOSTICS,
        "motion.sensors": SENSORS,
        "motion.solver": SOLVER,
        "motion.start": START,
        "motion.zero": ZERO,
        "outcome": OUTCOME,
        "pipeline": EVALUATION,
        "pipeline.accelerometer_zero": ACCELEROMETER_ZERO,
        "pipeline.check": CHECK,
        "pipeline.fusion": FUSION,
        "processes": PROCESSES,
        "tracking": TRACKING,
    }
)
"""Stage to its options value. The workbench's steer no result and are not among them."""


def stage_options() -> dict[str, dict[str, Any]]:
    """Of every option: "stage.name" to its `value` and `unit`, in the stages' order."""
    return {
        f"{stage}.{option.name}": {"value": option.value, "unit": option.unit}
        for stage, options in STAGES.items()
        for option in describe_options(options)
    }
