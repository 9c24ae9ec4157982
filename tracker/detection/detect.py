"""The marks of a camera beyond a record's good picks: those that its pictures show themselves."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Set
from dataclasses import dataclass

import numpy as np

from calibration.camera import Camera, Lens
from calibration.findings import Diagnostic
from tracker.core.types import Mark, MarkId
from tracker.detection.fixed_targets import corrected_picks, locate_near_picks
from tracker.detection.ground_search import GroundSearch, read_picture, spread_frames
from tracker.detection.options import DETECTION
from tracker.detection.pattern_response import FAMILIES
from tracker.detection.vehicle import OtherMarks, locate_vehicle, pose_by_markers
from tracker.detection.verify import (
    SurveyedMark,
    VehicleInPicture,
    has_visible_candidate,
    project_marks,
    verify_pose,
)
from tracker.film import Film
from tracker.marks import Picture
from tracker.record.schema import Record

_OUTSIDE = -1e6
"""Pixel of a target that the camera doesn't see."""


@dataclass(frozen=True)
class DetectionResult:
    """Marks to track, and what was noticed on the way."""

    marks: tuple[Mark, ...]
    warnings: tuple[Diagnostic, ...]


def detect_marks(
    record: Record,
    camera: str,
    film: Film,
    lens: Lens | None,
    marks: tuple[Mark, ...],
    by_bars: Camera | None = None,
) -> DetectionResult:
    """The marks that the record picks, picks of fixed targets corrected where they are far off or
    missing, and with them those vehicles' markers that the picture shows without a pick.

    Markers are found that have a place, a pattern other than `patch` and a size, where the camera's
    pose is given by its fixed targets or by its scale bars (`by_bars`): at least three of a vehicle
    that agree with one pose of it. A vehicle of which three or more are picked leads to its others;
    else it is looked for in a few frames. `marks` come from `expected_marks`; those frames are read
    by random access.
    """
    ground = GroundSearch(camera, record.cameras[camera], film, lens)
    search = _MarkerSearch(record, camera, film)
    picked, unpicked = search.vehicles(marks)
    by_picks = ground.pose_by_picks(marks)
    if by_picks is not None and all(m.is_picked for m in marks):
        picked = {
            name: group
            for name, group in picked.items()
            if search.is_promising(by_picks.camera, group, _marks_of(marks, name))
        }
        if not picked and not unpicked:
            return DetectionResult(marks, ())
    pose, frame, warnings = ground.pose_by_pictures(marks)
    given, without_pick = marks, {m.name for m in marks if not m.is_picked}
    if pose is not None:
        marks = corrected_picks(marks, ground.known, ground.sizes, pose, frame)
    marks, unplaced = _split_unplaced(marks, without_pick, film.size)
    warnings += _unplaced_diagnostics(unplaced, f"cameras.{camera}.survey")
    view = by_bars if pose is None else pose.camera
    if view is None:
        return DetectionResult(marks, tuple(warnings))
    added: list[Mark] = []
    names = {m.name for m in marks}
    for name, group in picked.items():
        found = search.remaining_markers(view, name, group, _marks_of(given, name))
        added += [m for m in found if m.name not in names]
    alone, diagnostics = search.unpicked_markers(view, ground, unpicked, marks, added)
    return DetectionResult((*marks, *added, *alone), (*warnings, *diagnostics))


def _split_unplaced(
    marks: tuple[Mark, ...], without_pick: Set[str], size: tuple[int, int]
) -> tuple[tuple[Mark, ...], list[MarkId]]:
    """The marks but for those that had no pick and have no place in the picture still, and the
    names of these.
    """
    width, height = size
    unplaced = [
        m.name
        for m in marks
        if not (m.is_picked and -0.5 <= m.pixel[0] < width and -0.5 <= m.pixel[1] < height)
        and m.name in without_pick
    ]
    return tuple(m for m in marks if m.name not in unplaced), unplaced


def _unplaced_diagnostics(unplaced: list[MarkId], where: str) -> list[Diagnostic]:
    if not unplaced:
        return []
    names = ", ".join(name.marker for name in unplaced)
    text = (
        f"no pixel is given for {names}, and the layout of the fixed targets does not show "
        "where they are in the picture"
    )
    return [Diagnostic("targets_not_found", text, where)]


def findable_marks(record: Record, vehicle: str) -> list[SurveyedMark]:
    """The marks of a vehicle that may be found without a pick."""
    return [
        SurveyedMark(name, np.array(marker.at), marker.pattern, marker.size)
        for name, marker in record.vehicles[vehicle].markers.items()
        if marker.at is not None and marker.size is not None and marker.pattern in FAMILIES
    ]


class _MarkerSearch:
    """How vehicles' markers are found in one camera's film."""

    def __init__(self, record: Record, camera: str, film: Film) -> None:
        self._record, self._film = record, film
        self._where = f"cameras.{camera}.picks"
        self._offset = record.test.intended.offset or 0.0

    def vehicles(
        self, marks: tuple[Mark, ...]
    ) -> tuple[dict[str, list[SurveyedMark]], dict[str, list[SurveyedMark]]]:
        """Vehicles of which markers may be found beyond `marks`, by name: those of which enough
        are picked to lead to the others, and the rest.
        """
        names = {m.name for m in marks}
        picked: dict[str, list[SurveyedMark]] = {}
        unpicked: dict[str, list[SurveyedMark]] = {}
        for name in self._record.vehicles:
            group = findable_marks(self._record, name)
            if len(group) < DETECTION.vehicle_marks:
                continue
            if all(MarkId(name, t.name) in names for t in group):
                continue
            enough = len(_marks_of(marks, name)) >= DETECTION.vehicle_marks
            (picked if enough else unpicked)[name] = group
        return picked, unpicked

    def is_promising(self, camera: Camera, group: list[SurveyedMark], picked: list[Mark]) -> bool:
        """Whether a vehicle's picks lead to a place that looks like another mark of it."""
        here, frame = _picked_together(picked)
        picture = read_picture(self._film, frame)
        placed_marks = {m.name.marker: np.array(m.pixel) for m in here}
        if picture is None or sum(t.name in placed_marks for t in group) < DETECTION.vehicle_marks:
            return False
        _, pose = pose_by_markers(camera, self._offset, group, placed_marks)
        everyone = {m.name.marker for m in picked}
        return has_visible_candidate(picture, camera, group, pose, everyone)

    def remaining_markers(
        self, camera: Camera, vehicle: str, group: list[SurveyedMark], picked: list[Mark]
    ) -> list[Mark]:
        """Marks of a vehicle that its picked ones lead to, with these."""
        here, frame = _picked_together(picked)
        picture = read_picture(self._film, frame)
        if picture is None:
            return []
        places = locate_near_picks({frame: picture}, here)
        placed_marks = {
            t.name: places[n] for t in group if (n := MarkId(vehicle, t.name)) in places
        }
        if len(placed_marks) < DETECTION.vehicle_marks:
            return []
        plane, pose = pose_by_markers(camera, self._offset, group, placed_marks)
        placed = verify_pose(picture, camera, plane, group, pose, placed_marks)
        return _as_marks(camera, vehicle, group, placed, frame)

    def unpicked_markers(
        self,
        camera: Camera,
        ground: GroundSearch,
        unpicked: Mapping[str, list[SurveyedMark]],
        marks: tuple[Mark, ...],
        added: list[Mark],
    ) -> tuple[list[Mark], list[Diagnostic]]:
        """Marks of vehicles that no picks lead to, frame by frame until each was found."""
        found: dict[str, list[Mark]] = {}
        for frame in spread_frames(self._film) if unpicked else ():
            picture = read_picture(self._film, frame)
            if picture is None:
                continue
            seen = [m for m in (*marks, *added) if m.frame == frame and not m.name.is_fixed]
            missing = {name: unpicked[name] for name in unpicked.keys() - found.keys()}
            found |= self._markers_in_frame(camera, ground, picture, frame, missing, seen)
            if len(found) == len(unpicked):
                break
        names = {m.name for m in marks}
        fresh = [m for each in found.values() for m in each if m.name not in names]
        picked = {name.vehicle for name in names}
        reported = [name for name in unpicked if name in found or name not in picked]
        return fresh, [self._diagnostic(name, found.get(name, [])) for name in reported]

    def _markers_in_frame(
        self,
        camera: Camera,
        ground: GroundSearch,
        picture: Picture,
        frame: int,
        groups: Mapping[str, list[SurveyedMark]],
        seen: list[Mark],
    ) -> dict[str, list[Mark]]:
        """Marks of each of these vehicles that a frame shows, the one with most marks first; what
        is one vehicle's mark, or one already `seen`, is no other's.
        """
        found: dict[str, list[Mark]] = {}
        trials: dict[str, list[Mark]] = {}
        waiting = sorted(groups)
        while waiting:
            others = _other_marks(camera, ground, seen)
            for name in waiting:
                if name not in trials or _has_overlap(trials[name], seen):
                    heading = self._heading(name)
                    placed = locate_vehicle(
                        picture, camera, self._offset, groups[name], others, heading
                    )
                    trials[name] = _as_marks(camera, name, groups[name], placed, frame)
            best = max(waiting, key=lambda n: len(trials[n]))
            if not trials[best]:
                break
            found[best] = trials[best]
            seen = [*seen, *trials[best]]
            waiting.remove(best)
        return found

    def _heading(self, vehicle: str) -> float:
        striking = self._record.vehicles[vehicle].role == "striking"
        return (self._record.test.intended.angle or 0.0) if striking else 0.0

    def _diagnostic(self, vehicle: str, marks: list[Mark]) -> Diagnostic:
        if not marks:
            text = f"no markers of {vehicle} are picked, and none were found automatically"
            return Diagnostic("markers_not_found", text, self._where)
        names = ", ".join(m.name.marker for m in marks)
        text = (
            f"{len(marks)} markers of {vehicle} were found automatically in frame "
            f"{marks[0].frame}: {names}"
        )
        return Diagnostic("markers_found", text, self._where)


def _as_marks(
    camera: Camera,
    vehicle: str,
    group: list[SurveyedMark],
    placed: VehicleInPicture | None,
    frame: int,
) -> list[Mark]:
    if placed is None:
        return []
    _, scale = project_marks(camera, placed.pose, np.array([t.at for t in group]))
    return [
        Mark(MarkId(vehicle, t.name), t.pattern, placed.pixels[t.name], frame, float(s * t.size))
        for t, s in zip(group, scale, strict=True)
        if t.name in placed.pixels
    ]


def _other_marks(camera: Camera, ground: GroundSearch, seen: list[Mark]) -> OtherMarks:
    """Places and sizes in the picture of everything that isn't the vehicle looked for."""
    names = list(ground.known)
    points = np.array([ground.known[name] for name in names]).reshape(-1, 3)
    depth = np.maximum(camera.in_camera_axes(points)[:, 2], DETECTION.least_depth)
    size_m = np.array([ground.sizes.get(n, DETECTION.unknown_size) for n in names])
    size = camera.lens.matrix[0, 0] * size_m / depth
    place = np.nan_to_num(camera.project(points), nan=_OUTSIDE)
    return OtherMarks(
        np.concatenate([place, np.array([m.pixel for m in seen]).reshape(-1, 2)]),
        np.concatenate([size, np.array([m.size_px for m in seen]).reshape(-1)]),
    )


def _marks_of(marks: tuple[Mark, ...], body: str) -> list[Mark]:
    return [m for m in marks if m.name.vehicle == body]


def _has_overlap(some: list[Mark], others: list[Mark]) -> bool:
    """Whether two of them claim one place."""
    return any(
        np.hypot(*np.subtract(a.pixel, b.pixel)) < DETECTION.overlap * a.size_px
        for a in some
        for b in others
    )


def _picked_together(picked: list[Mark]) -> tuple[tuple[Mark, ...], int]:
    """Marks picked in the frame in which most of them are, and that frame."""
    frame = Counter(m.frame for m in picked).most_common(1)[0][0]
    return tuple(m for m in picked if m.frame == frame), frame
