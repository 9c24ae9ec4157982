"""What is cheap to know of a record's places and picks before its films are followed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations

import numpy as np

from calibration.arrays import Array
from calibration.errors import Problem
from tracker.camera.lens_source import lens_of
from tracker.camera.options import CAMERA
from tracker.pipeline.check_result import Check
from tracker.pipeline.check_vehicle_picks import check_vehicle_picks
from tracker.pipeline.options import CHECK
from tracker.record.load import CameraEntry, Record, Vehicle

SURVEY_CODES = ("survey_swapped", "survey_blunder", "survey_contradiction", "survey_misfit")


def check_places(record: Record) -> Iterator[Check]:
    """Surveyed places of all targets and markers: doubled, outlying, below ground, guessed."""
    for name, camera in record.cameras.items():
        targets = {n: t.at for n, t in camera.survey.items() if t.at is not None}
        yield from _check_doubled(targets, f"cameras.{name}.survey", "fixed targets")
        yield from _check_outlying(targets, f"cameras.{name}.survey")
        yield from _check_buried(targets, f"cameras.{name}.survey", "in ground axes")
    for name, vehicle in record.vehicles.items():
        where = f"vehicles.{name}.markers"
        markers = {n: m.at for n, m in vehicle.markers.items() if m.at is not None}
        yield from _check_doubled(markers, where, "markers")
        yield from _check_outlying(markers, where)
        yield from _check_buried(markers, where, "if the vehicle's axes stand on the ground")
        yield from _check_guessed(record, markers, where)


def check_picks(record: Record, name: str, size: tuple[int, int]) -> Iterator[Check]:
    """A camera's picks: two at one pixel, exchanged ones, and what the pose from them leaves."""
    camera = record.cameras[name]
    where = f"cameras.{name}"
    picks = {f"survey.{n}": (t.pixel, t.frame) for n, t in camera.survey.items() if t.pixel}
    picks |= {n: (p.pixel, p.frame) for n, p in camera.picks.items()}
    for (a, (pa, fa)), (b, (pb, fb)) in combinations(picks.items(), 2):
        if fa == fb and np.hypot(*np.subtract(pa, pb)) < CHECK.same_pixel:
            text = f"{a} and {b} are picked at one pixel ({pa[0]:g}, {pa[1]:g}): one is wrong"
            yield Check("doubtful", where, text)
    yield from _pose(record, name, camera, size)


def missing_costs(record: Record) -> Iterator[Check]:
    """What the results will lack for want of an optional key."""
    test = record.test
    for what, absent, cost in (
        ("test.intended.speed", test.intended.speed is None, "its tolerance and least energy"),
        ("test.intended.angle", test.intended.angle is None, "its tolerance, head-on or angled"),
        ("test.criteria", test.criteria == "none", "every verdict"),
        ("accelerometers", not record.accelerometers, "the cross-check"),
    ):
        if absent:
            yield Check("ok", what, f"not given: the results will lack {cost}")
    for name, vehicle in record.vehicles.items():
        yield from _vehicle_costs(name, vehicle)


def _vehicle_costs(name: str, vehicle: Vehicle) -> Iterator[Check]:
    where = f"vehicles.{name}"
    if vehicle.mass is None:
        text = "not given: the results will lack energies, balances, the mass and a prediction"
        yield Check("ok", f"{where}.mass", text)
    if "cg" not in vehicle.model_fields_set:
        text = "not given: motion, rise and occupant risk are those of the axes' origin"
        yield Check("ok", f"{where}.cg", text)


def _check_doubled(
    places: Mapping[str, tuple[float, float, float]], where: str, what: str
) -> Iterator[Check]:
    for (a, first), (b, second) in combinations(places.items(), 2):
        if np.linalg.norm(np.subtract(first, second)) < CHECK.same_place:
            yield Check("doubtful", where, f"the {what} {a} and {b} are surveyed at one place")


def _check_outlying(
    places: Mapping[str, tuple[float, float, float]], where: str
) -> Iterator[Check]:
    if len(places) < 4:
        return
    points = np.array(list(places.values()))
    for k, (name, at) in enumerate(places.items()):
        rest = np.delete(points, k, axis=0)
        extent = float(np.ptp(rest, axis=0).max())
        away = float(np.abs(np.subtract(at, np.median(rest, axis=0))).max())
        if extent > 0 and away > CHECK.outlying * extent:
            distance = f"{away / 1000:.1f} km" if away >= 1000 else f"{away:.0f} m"
            text = (
                f"{name} lies {distance} from the others: mm written as m, or a slip of the point"
            )
            yield Check("missing", f"{where}.{name}", text)


def _check_buried(
    places: Mapping[str, tuple[float, float, float]], where: str, how: str
) -> Iterator[Check]:
    for name, at in places.items():
        if at[2] > CHECK.buried:
            text = f"{name} lies {at[2]:.2f} m below ground {how}: z points down, check its sign"
            yield Check("doubtful", f"{where}.{name}", text)


def _check_guessed(
    record: Record, markers: Mapping[str, tuple[float, float, float]], where: str
) -> Iterator[Check]:
    """Round places whose uncertainty is the default."""
    if "marker_u" in record.survey.model_fields_set or len(markers) < CHECK.rounded_marks:
        return
    values = np.array(list(markers.values()))
    if np.abs(values / CHECK.rounded - np.round(values / CHECK.rounded)).max() < 1e-6:
        text = (
            f"all places are multiples of {1e3 * CHECK.rounded:.0f} mm, and survey.marker_u is not"
            f" given: its default of {1e3 * record.survey.marker_u:g} mm is for measured places"
        )
        yield Check("doubtful", where, text)


def _pose(record: Record, name: str, camera: CameraEntry, size: tuple[int, int]) -> Iterator[Check]:
    """The camera's pose from the rough picks: what it leaves, and which picks contradict it."""
    from calibration.resection.pose import sightings
    from calibration.resection.resect import resect

    where = f"cameras.{name}.survey"
    picked = {n: t for n, t in camera.survey.items() if t.at is not None and t.pixel is not None}
    if len(picked) < CHECK.pose_picks or len({t.frame for t in picked.values()}) > 1:
        return
    own = camera.lens is not None and camera.lens.board is None
    try:
        lens = lens_of(record, name, size)[0] if own else None
        seen = sightings(
            list(picked),
            np.array([t.at for t in picked.values()]),
            np.array([t.pixel for t in picked.values()]),
            _covariance(len(picked)),
            record.survey.ground_u,
        )
        rough = None if camera.position is None else np.asarray(camera.position)
        found = resect(seen, size=size, lens=lens, rough_position=rough, where=where)
    except Problem as problem:
        yield Check("doubtful", where, f"the picks give no pose: {problem.what}")
        return
    bad = [f for f in found.findings if f.code in SURVEY_CODES]
    for finding in bad:
        yield Check("doubtful", where, finding.text)
    text = f"a pose from the picks leaves {found.rms_px:.1f} px rms"
    yield Check(
        "doubtful" if found.rms_px > CHECK.pose_misfit * CAMERA.pick_u else "ok", where, text
    )
    if not bad:
        yield from check_vehicle_picks(record, name, camera, found.camera)


def _covariance(count: int) -> Array:
    """Of rough picks (count, 2, 2), px^2."""
    return np.broadcast_to(CAMERA.pick_u**2 * np.eye(2), (count, 2, 2))
