"""Rigid motion of vehicles from marks in films: one joint estimate with its posterior."""

from tracker.motion.diagnostics import empty_solution
from tracker.motion.evidence import AccelerometerEvidence, CameraEvidence, VehicleGeometry
from tracker.motion.free_marks import FreeMark, free_paths
from tracker.motion.model.common_errors import SurveyErrors
from tracker.motion.posterior import SOURCES, Draws, Solution
from tracker.motion.robust.outliers import Rejected
from tracker.motion.solve import solve
from tracker.motion.solver.add_accelerometers import add_accelerometers

__all__ = [
    "SOURCES",
    "AccelerometerEvidence",
    "CameraEvidence",
    "Draws",
    "FreeMark",
    "Rejected",
    "Solution",
    "SurveyErrors",
    "VehicleGeometry",
    "add_accelerometers",
    "empty_solution",
    "free_paths",
    "solve",
]
