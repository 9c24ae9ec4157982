"""Marks through the film: predicted, measured, hidden, taken up again, never exchanged."""

from tracker.follow.follow import follow
from tracker.follow.values import Edited, Excluded, Followed

__all__ = ["Edited", "Excluded", "Followed", "follow"]
