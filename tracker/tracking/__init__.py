"""Marks through the film: predicted, measured, hidden, taken up again, never exchanged."""

from tracker.tracking.track import follow
from tracker.tracking.types import Edited, Excluded, Followed

__all__ = ["Edited", "Excluded", "Followed", "follow"]
