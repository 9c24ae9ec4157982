"""Marks through the film: predicted, measured, hidden, reacquired, never exchanged."""

from tracker.tracking.track import track_marks
from tracker.tracking.types import Corrections, ExcludedSpan, HandPlacement, TrackingResult

__all__ = ["Corrections", "ExcludedSpan", "HandPlacement", "TrackingResult", "track_marks"]
