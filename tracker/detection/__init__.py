"""Marks found by themselves: fixed targets despite rough picks, vehicles' markers without picks.

The whole picture is searched for each pattern (`response`); the camera's pose comes from its fixed
targets (`ground`); poses of a vehicle that put its surveyed marks on what looks like them are made
from pairs (`layout`), settled and proved by finding each mark where it must be (`verify`).
"""

from tracker.detection.detect import Found, find_marks

__all__ = ["Found", "find_marks"]
