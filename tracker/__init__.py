"""What moved on the film, how it moved, and what that means for an occupant.

The names below are the public ones; everything else may change from version to version. Each is
loaded when it is first asked for, so that `import tracker` is quick.

>>> from tracker import read_results
>>> results = read_results("demo/results")
>>> speed = results.vehicles["car"].impact_speed
>>> f"{speed.value:.1f} {speed.unit}"
'27.9 m/s'
>>> motion = results.motion["car"]
>>> motion["vx_mps"].shape == motion.u_of("vx_mps").shape == motion.time.shape
True
"""

import os
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

from tracker.storage.compiled_code import place_compiled_code

if TYPE_CHECKING:
    from calibration.errors import (
        CalibrationError,
        FilmError,
        MotionError,
        Problem,
        RecordError,
        ResultsError,
    )
    from calibration.findings import Diagnostic
    from tracker.core.types import STATE, MarkId, Motion, Quantity, Status, Tracks
    from tracker.pipeline.analyse import analyse
    from tracker.pipeline.write_results import films_outside, write_results
    from tracker.planning.plan import Plan, plan
    from tracker.record.load import load_record
    from tracker.record.schema import PlannedRecord, Record
    from tracker.results.folder import read_results
    from tracker.results.frames import motion_dataset, motion_frame
    from tracker.results.schema import OccupantResult, PointPath, Results, VehicleResult
    from tracker.results.verdicts import Criterion

    __version__: str

# Read once by OpenCV, when it is loaded: no picture file makes it allocate more than this, 8 times
# 4k, whatever its header promises.
os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", str(2**27))

# Read once by the compiler, when it is loaded.
place_compiled_code(Path(__file__).parent)

__all__ = [
    "STATE",
    "CalibrationError",
    "Criterion",
    "Diagnostic",
    "FilmError",
    "MarkId",
    "Motion",
    "MotionError",
    "OccupantResult",
    "Plan",
    "PlannedRecord",
    "PointPath",
    "Problem",
    "Quantity",
    "Record",
    "RecordError",
    "Results",
    "ResultsError",
    "Status",
    "Tracks",
    "VehicleResult",
    "analyse",
    "films_outside",
    "load_record",
    "motion_dataset",
    "motion_frame",
    "plan",
    "read_results",
    "write_results",
]

_HOMES = {
    "calibration.errors": (
        "CalibrationError",
        "FilmError",
        "MotionError",
        "Problem",
        "RecordError",
        "ResultsError",
    ),
    "calibration.findings": ("Diagnostic",),
    "tracker.core.types": ("STATE", "MarkId", "Motion", "Quantity", "Status", "Tracks"),
    "tracker.pipeline.analyse": ("analyse",),
    "tracker.pipeline.write_results": ("films_outside", "write_results"),
    "tracker.planning.plan": ("Plan", "plan"),
    "tracker.record.load": ("load_record",),
    "tracker.record.schema": ("PlannedRecord", "Record"),
    "tracker.results.folder": ("read_results",),
    "tracker.results.frames": ("motion_dataset", "motion_frame"),
    "tracker.results.schema": ("OccupantResult", "PointPath", "Results", "VehicleResult"),
    "tracker.results.verdicts": ("Criterion",),
}
"""Where each public name is made."""


def __getattr__(name: str) -> object:
    """A public name, loaded now."""
    if name == "__version__":
        from importlib.metadata import version

        return version("impactfilm")
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(home), name)
    raise AttributeError(f"module 'tracker' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
