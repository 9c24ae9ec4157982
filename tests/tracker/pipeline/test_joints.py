"""An articulated truck as two bodies with a joint at a given point, against its own truth."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.support import motion_case as case
from tracker.core.rigid_body import rotation
from tracker.motion import CameraEvidence, VehicleGeometry, solve
from tracker.pipeline.joints import joint_curves, joint_results, open_joints, with_joints
from tracker.pipeline.motions import SolvedMotions
from tracker.pipeline.vehicle_result import sample_motion
from tracker.record.load import InvalidRecordError, Record, load_record

TIME = np.arange(-0.06, 0.5, 5e-3)
HITCH = np.array([-1.9, 0.0, -0.5])  # in the tractor's axes
KINGPIN = np.array([0.4, 0.0, -0.5])  # in the trailer's
TRAILER_CG = np.array([-2.0, 0.0, -0.9])
TRAILER = {"top1": (-0.6, -0.5, -1.8), "top2": (-3.0, 0.4, -1.8)}
RECORD = """
schema = 1
[test]
number = "J-1"
[vehicles.tractor]
role = "striking"
cg = ["0 m", "0 m", "-0.56 m"]
[vehicles.trailer]
cg = ["-2 m", "0 m", "-0.9 m"]
joint = { to = "TO", at = ["-1.9 m", "0 m", "-0.5 m"], own = ["AT", "0 m", "-0.5 m"], u = "3 mm" }
"""


def truth() -> tuple[np.ndarray, np.ndarray]:
    """The tractor turns off, the trailer swings out to 40 degrees behind it."""
    tractor = np.zeros((len(TIME), 15))
    after = np.maximum(TIME, 0.0)
    tractor[:, 0], tractor[:, 2] = -1 + 8 * TIME, -0.56
    tractor[:, 5] = 0.8 * after**2
    trailer = np.zeros_like(tractor)
    trailer[:, 5] = (
        tractor[:, 5] - np.radians(40) * np.sin(np.minimum(after / 0.4, 1) * np.pi / 2) ** 2
    )
    pin = tractor[:, :3] + rotation(tractor[:, 3:6]) @ (HITCH - np.array(case.CG))
    trailer[:, :3] = pin - rotation(trailer[:, 3:6]) @ (KINGPIN - TRAILER_CG)
    return tractor, trailer


def beside(a: CameraEvidence, b: CameraEvidence) -> CameraEvidence:
    """One camera's evidence of both."""
    return replace(
        a,
        marks=a.marks + b.marks,
        position=np.concatenate([a.position, b.position], axis=1),
        covariance=np.concatenate([a.covariance, b.covariance], axis=1),
        measured_mask=np.concatenate([a.measured_mask, b.measured_mask], axis=1),
    )


@pytest.fixture(scope="module")
def motions() -> SolvedMotions:
    """From above alone, two marks of the trailer: its roll and height are not determined."""
    tractor, trailer = truth()
    first = case.evidence(case.OVERHEAD, TIME, tractor, case.TOP, 0.03, 1, "tractor")
    second = case.evidence(
        case.OVERHEAD, TIME, trailer, tuple(TRAILER), 0.03, 2, "trailer", TRAILER, tuple(TRAILER_CG)
    )
    side = case.evidence(case.SIDE, TIME, tractor, case.LEFT, 0.03, 3, "tractor")
    geometry = {
        "tractor": case.car(),
        "trailer": VehicleGeometry(tuple(TRAILER_CG), TRAILER, 1e-3, "other"),
    }
    solution = solve({"overhead": beside(first, second), "side": side}, geometry)
    draws = solution.draws(200, 1)
    of = {name: sample_motion(solution, draws, name, TIME) for name in geometry}
    return SolvedMotions({"overhead": TIME}, TIME, draws, of)


def vehicles(tmp_path: Path, to: str = "tractor", at: str = "0.4 m") -> Record:
    path = tmp_path / "record.toml"
    (tmp_path / "film.mp4").touch()
    camera = '[cameras.overhead]\nfilm = "film.mp4"\nframe_rate = "200 1/s"\n'
    path.write_text(RECORD.replace("TO", to).replace("AT", at) + camera, encoding="utf-8")
    return load_record(path)


def test_a_joint_gives_the_trailer_what_its_marks_do_not(
    motions: SolvedMotions, tmp_path: Path
) -> None:
    record = vehicles(tmp_path)
    _, trailer = truth()

    better, found = with_joints(record, motions)

    before, after = motions.of["trailer"].motion, better.of["trailer"].motion
    inside = (TIME > 0) & (TIME < 0.45)
    error = np.abs(after.state[inside, :3] - trailer[inside, :3])
    assert error.max() < 0.03
    assert np.median(after.u[inside, 2]) < 0.4 * np.median(before.u[inside, 2])
    off = error / after.u[inside, :3]
    assert np.mean(off < 2.5) > 0.9
    angles = found["trailer"]
    true = trailer[:, 5] - truth()[0][:, 5]
    at = np.interp(angles.time, TIME, true)
    assert np.abs(angles.yaw - at).max() < np.radians(0.3)
    assert angles.most_left.value == pytest.approx(np.radians(-40), abs=np.radians(0.3))
    assert not list(open_joints(found))
    assert dict(joint_results(record, found))["trailer"].to == "tractor"
    assert [c.quantity for c in joint_curves(found)] == ["articulation"]


def test_a_joint_that_was_surveyed_wrongly_is_reported(
    motions: SolvedMotions, tmp_path: Path
) -> None:
    _, found = with_joints(vehicles(tmp_path, at="0.7 m"), motions)

    (warning,) = open_joints(found)

    assert warning.code == "joint_opens"
    assert warning.where == "vehicles.trailer.joint"


def test_a_joint_names_another_vehicle(tmp_path: Path) -> None:
    with pytest.raises(InvalidRecordError, match="there is no other vehicle 'trailer'"):
        vehicles(tmp_path, to="trailer")
