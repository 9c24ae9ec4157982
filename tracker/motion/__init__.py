"""Rigid motion of vehicles from marks in films: one joint estimate with its posterior."""

from tracker.motion.diagnostics import nothing_seen
from tracker.motion.evidence import AccelerometerEvidence, CameraEvidence, VehicleGeometry
from tracker.motion.posterior import SOURCES, Draws, Solution
from tracker.motion.robust.outliers import Rejected
from tracker.motion.solve import solve
from tracker.motion.solver.add_accelerometers import joined

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
