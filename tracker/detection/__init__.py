"""Marks found without a good pick: fixed targets despite rough picks, vehicles' markers alone.

The whole picture is searched for each pattern (`pattern_response`); the camera's pose comes from
its fixed targets (`ground_search`); hypotheses of a vehicle's pose that put its surveyed marks on
what looks like them are made from pairs (`vehicle_hypotheses`), refined and verified by finding
each mark where it must be (`verify`).
"""

from tracker.detection.detect import DetectionResult, detect_marks, findable_marks

__all__ = ["DetectionResult", "detect_marks", "findable_marks"]
