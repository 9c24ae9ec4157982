"""The pose of a camera by its fixed targets, wherever their picks are."""

from __future__ import annotations

import bisect
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from calibration.camera import Lens
from calibration.errors import Problem
from calibration.findings import Diagnostic
from tracker.core.types import SURVEY, Mark, MarkId
from tracker.detection.camera_from_layout import pixels_by_layout, target_layout
from tracker.detection.fixed_targets import (
    GroundPose,
    corrected_picks,
    ground_pose,
    locate_near_picks,
)
from tracker.detection.options import DETECTION
from tracker.film import Film
from tracker.marks import Picture
from tracker.record.camera import CameraEntry


def read_picture(film: Film, frame: int) -> Picture | None:
    """One frame of a film; None where it can't be read."""
    try:
        return Picture(film.frame(frame), float(film.white))
    except Problem:
        return None


def spread_frames(film: Film) -> list[int]:
    """Frames to look at in turn, each moved to the nearest keyframe if that is near."""
    starts, last = list(film.source.starts), film.frames - 1
    frames = []
    for k in range(DETECTION.frames_tried):
        frame = round(k * DETECTION.frame_spacing * last)
        i = bisect.bisect_left(starts, frame)
        near = min(starts[max(i - 1, 0) : i + 1], key=lambda s: abs(s - frame))
        reach = DETECTION.keyframe_reach * film.frames
        frames.append(near if abs(near - frame) <= reach else frame)
    return list(dict.fromkeys(frames))


class GroundSearch:
    """The fixed targets of one camera and how its pose is found by them."""

    def __init__(self, camera: str, entry: CameraEntry, film: Film, lens: Lens | None) -> None:
        self._where = f"cameras.{camera}.survey"
        self._film, self._lens = film, lens
        self._rough = None if entry.position is None else np.array(entry.position)
        self.known: Mapping[MarkId, Array] = {
            MarkId(SURVEY, name): np.array(target.at)
            for name, target in entry.survey.items()
            if target.at is not None
        }
        """Places (3,) of the surveyed targets, m, by full name."""
        self.sizes: Mapping[MarkId, float] = {
            MarkId(SURVEY, name): target.size
            for name, target in entry.survey.items()
            if target.size is not None
        }
        """m."""

    def pose_by_picks(self, marks: tuple[Mark, ...]) -> GroundPose | None:
        """The camera's pose by the picks of its fixed targets, where they agree well enough."""
        picked = [m for m in marks if m.name in self.known and m.is_picked]
        places = {m.name: np.array(m.pixel) for m in picked}
        pose = self._pose(places, DETECTION.pick_u)
        return pose if pose is not None and len(pose.places) == len(places) else None

    def _pose(self, places: Mapping[MarkId, Array], u: float) -> GroundPose | None:
        return ground_pose(self.known, places, self._film.size, self._lens, self._rough, u)

    def pose_by_pictures(
        self, marks: tuple[Mark, ...]
    ) -> tuple[GroundPose | None, int, list[Diagnostic]]:
        """The camera's pose by what the film shows of its fixed targets, near their picks or
        anywhere, and a frame in which they are so.
        """
        fixed = tuple(m for m in marks if m.name in self.known)
        picked = [m for m in fixed if m.is_picked and m.frame < self._film.frames]
        if len(fixed) < DETECTION.target_marks:
            return None, 0, []
        pictures = {
            frame: picture
            for frame in {m.frame for m in picked}
            if (picture := read_picture(self._film, frame)) is not None
        }
        usual = Counter(m.frame for m in picked if m.frame in pictures).most_common(1)
        frame = usual[0][0] if usual else 0
        pose = self._pose(locate_near_picks(pictures, fixed), DETECTION.fix_u)
        if pose is not None and pose.rms_px > DETECTION.contradicting_rms:
            pose = None  # what was found near the picks are not the targets
        enough = max(DETECTION.target_marks, (2 * len(picked) + 2) // 3)
        if pose is not None and len(pose.places) >= enough:
            return pose, frame, []
        for each in [frame] if pictures else spread_frames(self._film):
            by_layout = self._pose_by_layout(fixed, each)
            if by_layout is None or (pose and len(pose.places) >= len(by_layout.places)):
                continue
            return by_layout, each, [self._diagnostic(len(by_layout.places), len(fixed), picked)]
        return pose, frame, []

    def _diagnostic(self, found: int, targets: int, picked: list[Mark]) -> Diagnostic:
        cause = "no fixed target is picked"
        if picked:
            cause = "picks of fixed targets are far off or missing"
        text = f"{cause}; {found} of {targets} were found by their surveyed layout"
        return Diagnostic("targets_found", text, self._where)

    def _pose_by_layout(self, fixed: tuple[Mark, ...], frame: int) -> GroundPose | None:
        """The camera's pose by what a frame shows of its fixed targets' layout."""
        picture = read_picture(self._film, frame)
        if picture is None:
            return None
        targets = target_layout(self.known, fixed, self.sizes)
        peaks = pixels_by_layout(picture, targets, self._lens, self._rough)
        rough = self._pose(peaks, DETECTION.layout_peak_u)
        if rough is None:
            return None
        near = corrected_picks(fixed, self.known, self.sizes, rough, frame)
        near = tuple(replace(m, frame=frame) for m in near)
        pose = self._pose(locate_near_picks({frame: picture}, near), DETECTION.fix_u)
        return None if pose is None or pose.rms_px > DETECTION.contradicting_rms else pose
