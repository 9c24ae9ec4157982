"""Marks through the film: predicted, measured, hidden, reacquired, never exchanged."""

from tracker.tracking.checkpoints import PASS_CLASSES, PassMemory, RememberedPass
from tracker.tracking.track import track_marks
from tracker.tracking.types import Corrections, ExcludedSpan, HandPlacement, TrackingResult

__all__ = [
    "PASS_CLASSES",
    "Corrections",
    "ExcludedSpan",
    "HandPlacement",
    "PassMemory",
    "RememberedPass",
    "TrackingResult",
    "track_marks",
]
