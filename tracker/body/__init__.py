"""Rigid motion of vehicles from marks in films: one joint estimate with its posterior."""

from tracker.body.evidence import AccelerometerEvidence, CameraEvidence, VehicleGeometry
from tracker.body.join import joined
from tracker.body.posterior import SOURCES, Draws, Solution
from tracker.body.report import nothing_seen
from tracker.body.solve import solve
from tracker.body.trust import Rejected

__all__ = [
    "SOURCES",
    "AccelerometerEvidence",
    "CameraEvidence",
    "Draws",
    "Rejected",
    "Solution",
    "VehicleGeometry",
    "joined",
    "nothing_seen",
    "solve",
]
