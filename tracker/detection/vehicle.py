"""One vehicle in one picture: found by the patterns and the surveyed layout of its marks."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.detection.options import DETECTION
from tracker.detection.pattern_response import FAMILIES, filter_sizes, pattern_response
from tracker.detection.vehicle_hypotheses import (
    MotionPlane,
    ResponsePeaks,
    VehicleLayout,
    best_poses,
    motion_plane,
    pose_hypotheses,
)
from tracker.detection.verify import (
    RefinedPose,
    SurveyedMark,
    VehicleInPicture,
    fit_any_heading,
    refine_pose,
    verify_pose,
)
from tracker.marks import Picture
from tracker.marks.patterns import Family


@dataclass(frozen=True)
class OtherMarks:
    """Marks of a picture that are not the vehicle's: fixed targets, other vehicles' marks."""

    place: Array  # (n, 2) px
    size: Array  # (n,) px


def locate_vehicle(
    picture: Picture,
    camera: Camera,
    offset: float,
    targets: list[SurveyedMark],
    known: OtherMarks,
    heading: float | None = 0.0,
) -> VehicleInPicture | None:
    """One vehicle in one picture, none of whose marks are known; None where it isn't found.

    `offset` (m) is the lateral place of the vehicle by the test plan, `heading` (rad)
    the way it faces if nothing else decides; None where nothing says that.
    """
    plane = motion_plane(camera, offset)
    layout = _vehicle_layout(targets)
    sizes = np.array([t.size for t in targets])
    every = _vehicle_peaks(picture, camera, plane, layout, sizes, known)
    seen = {
        family: peaks.strongest(DETECTION.vehicle_peaks_strongest)
        for family, peaks in every.items()
    }
    reach = max(
        DETECTION.near_least_peaks, DETECTION.near * _size_px(camera, plane, float(sizes.mean()))
    )
    near = {
        family: _nearness_map(picture.luma.shape, peaks, reach) for family, peaks in every.items()
    }
    at = {family: peaks.place for family, peaks in every.items()}
    poses = pose_hypotheses(camera, plane, layout, seen)
    refined = [
        refine_pose(camera, plane, layout, sizes, pose, at)
        for pose in best_poses(camera, layout, poses, near, DETECTION.poses_refined)
    ]
    refined = [s for s in refined if np.isfinite(s.rms_px)]
    refined.sort(key=lambda s: -evidence(s.agreeing, s.rms_px))
    verified: list[VehicleInPicture] = []
    for pose, count, rms in _distinct_poses(refined)[: DETECTION.poses_verified]:
        if any(_is_surpassed(p, count, rms, heading) for p in verified):
            break
        placed = verify_pose(picture, camera, plane, targets, pose, {})
        verified += [] if placed is None else [placed]
    return _unambiguous(verified, heading)


def pose_by_markers(
    camera: Camera, offset: float, targets: list[SurveyedMark], placed_marks: dict[str, Array]
) -> tuple[MotionPlane, Array]:
    """Plane of motion and pose (6,) of a vehicle by the places (2,) of enough marks."""
    plane = motion_plane(camera, offset)
    which = [t for t in targets if t.name in placed_marks]
    at = np.array([t.at for t in which])
    return plane, fit_any_heading(
        camera, plane, at, np.array([placed_marks[t.name] for t in which])
    )


def _vehicle_layout(targets: list[SurveyedMark]) -> VehicleLayout:
    return VehicleLayout(
        tuple(t.name for t in targets),
        np.array([t.at for t in targets]),
        tuple(FAMILIES[t.pattern] for t in targets),
    )


def evidence(count: int, rms: float) -> float:
    """How much speaks for a pose under which `count` marks fit to `rms` px: the logarithm of how
    much closer they are than by chance, for each coordinate that the pose's place and heading
    leave over.
    """
    return (2 * count - 4) * float(np.log(DETECTION.chance / (rms + DETECTION.rms_floor)))


def _is_surpassed(found: VehicleInPicture, count: int, rms: float, heading: float | None) -> bool:
    """Whether a verified pose leaves one with this many peaks, to `rms` px, no chance. Peaks are
    coarser than marks: where nothing says how the vehicle faces, only more marks do.
    """
    if heading is None:
        return len(found.pixels) > count
    return evidence(len(found.pixels), found.rms_px) > evidence(count, rms)


def _unambiguous(
    verified: list[VehicleInPicture], heading: float | None
) -> VehicleInPicture | None:
    """The pose for which most speaks. Where several that differ in place do equally well, none;
    where they differ by the way the vehicle faces, the one nearest to `heading`, none without it.
    """
    if not verified:
        return None
    worths = [evidence(len(p.pixels), p.rms_px) for p in verified]
    rivals = [
        p for p, w in zip(verified, worths, strict=True) if w > DETECTION.rival_share * max(worths)
    ]
    facing = max(rivals, key=lambda p: 0.0 if heading is None else np.cos(p.pose[5] - heading))
    others = [p for p in rivals if np.cos(p.pose[5] - facing.pose[5]) > DETECTION.same_facing]
    if heading is None and len(others) < len(rivals):
        return None
    same = all(
        np.linalg.norm(p.pose[:3] - facing.pose[:3]) < DETECTION.same_vehicle for p in others
    )
    return facing if same else None


def _distinct_poses(refined: list[RefinedPose]) -> list[RefinedPose]:
    distinct: list[RefinedPose] = []
    for each in refined:
        away = [each.pose - other.pose for other in distinct]
        if all(
            np.linalg.norm(d[:3]) > DETECTION.distinct_pose or abs(d[5]) > DETECTION.same_heading
            for d in away
        ):
            distinct.append(each)
    return distinct


def _size_px(camera: Camera, plane: MotionPlane, size: float) -> float:
    """Size in px of a length (m) in the plane of motion."""
    depth = abs(plane.middle - camera.position[plane.axis])
    return float(camera.lens.matrix[0, 0] * size / max(depth, DETECTION.least_depth))


def _vehicle_peaks(
    picture: Picture,
    camera: Camera,
    plane: MotionPlane,
    layout: VehicleLayout,
    sizes: Array,
    known: OtherMarks,
) -> dict[Family, ResponsePeaks]:
    """What the picture shows of the layout's families, other marks left out."""
    reach = np.abs(
        plane.middle + layout.at[:, plane.axis] * (plane.axis == 2) - camera.position[plane.axis]
    )
    pixels = camera.lens.matrix[0, 0] * sizes / np.maximum(reach, DETECTION.least_depth)
    found: dict[Family, ResponsePeaks] = {}
    for family in dict.fromkeys(layout.families):
        places, scores = [], []
        for size in filter_sizes(pixels[[name == family for name in layout.families]]):
            place, score = pattern_response(picture, family, size).peaks(
                DETECTION.vehicle_peaks, DETECTION.vehicle_response
            )
            away = np.hypot(*(place[:, None] - known.place).transpose(2, 0, 1))
            free = ~np.any(away < DETECTION.other_mark_reach * known.size, axis=1)
            places.append(place[free])
            scores.append(score[free])
        found[family] = ResponsePeaks(np.concatenate(places), np.concatenate(scores))
    return found


def _nearness_map(shape: tuple[int, ...], peaks: ResponsePeaks, reach: float) -> Array:
    """How well a mark at each pixel (rows, columns) is explained by the best peak in reach."""
    picture = np.zeros(shape[:2], np.float32)
    floor = DETECTION.response_floor
    worth = ((peaks.score - floor) / (1.0 - floor)) ** 2
    for i in np.argsort(worth):
        u, v = (round(float(x)) for x in peaks.place[i])
        cv2.circle(picture, (u, v), round(reach), float(worth[i]), -1)
    return np.asarray(picture, float)
