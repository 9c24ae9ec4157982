"""Marks that were out of sight for long, found again in later frames of the film.

Tracking takes a mark up again where its own motion or its body's other marks put it. Of a vehicle
that spins behind smoke, or that leaves the picture and comes back, neither says where it is
hundreds of frames later. Its surveyed layout does: it is looked for as a vehicle without picks is,
and what is found is a further pick of each mark, from which the film is tracked both ways.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from calibration.findings import Diagnostic
from tracker.camera.options import SEEN_AGAIN
from tracker.core.types import Mark, MarkId, Tracks
from tracker.detection import findable_marks
from tracker.detection.ground_search import read_picture
from tracker.detection.options import DETECTION
from tracker.detection.vehicle import OtherMarks, locate_vehicle, pose_by_markers
from tracker.detection.verify import (
    SurveyedMark,
    VehicleInPicture,
    project_marks,
    verify_pose,
)
from tracker.film import Film
from tracker.marks import Picture, locate_mark
from tracker.record.schema import Record
from tracker.tracking import TrackingResult

Pixel = tuple[float, float]


@dataclass(frozen=True)
class SeenAgain:
    """Further picks of marks, marks of the same vehicles that had none, and diagnostics of those
    that stay out of sight.
    """

    picks: dict[MarkId, tuple[int, Pixel]]
    fresh: tuple[Mark, ...]
    diagnostics: tuple[Diagnostic, ...]

    @property
    def is_empty(self) -> bool:
        """Whether nothing was found."""
        return not self.picks and not self.fresh

    def added_to(self, marks: Sequence[Mark]) -> tuple[Mark, ...]:
        """The marks with these picks besides their own, and the fresh ones."""
        again = (
            replace(m, more=(*m.more, self.picks[m.name])) if m.name in self.picks else m
            for m in marks
        )
        return (*again, *self.fresh)


def marks_seen_again(
    record: Record,
    name: str,
    film: Film,
    marks: Sequence[Mark],
    followed: TrackingResult,
    camera: Camera,
) -> SeenAgain:
    """Where marks of vehicles and of the article that are lost early are seen later in the film.

    Looked at are a few frames after the last one that shows each body's lost marks, the last of
    the film first. `camera` is the calibrated one. Marks that are lost for fewer frames than
    `SEEN_AGAIN.unseen` are left to tracking.
    """
    seen = _Seen(film, {m.name: m for m in marks}, followed.tracks, followed.contrast)
    lost = seen.lost_marks()
    picks: dict[MarkId, tuple[int, Pixel]] = {}
    fresh: list[Mark] = []
    diagnostics: list[Diagnostic] = []
    for body in sorted({mark.vehicle for mark in lost}):
        own = {mark: last for mark, last in lost.items() if mark.vehicle == body}
        if body in record.vehicles:
            sights = _vehicle_again(record, body, seen, own, camera)
        elif all(mark.is_free for mark in own):
            sights = _free_marks_again(seen, own)
        else:
            sights = []
        picks |= {m.name: (m.frame, m.pixel) for m in sights if m.name in seen.marks}
        fresh += [m for m in sights if m.name not in seen.marks]
        if sights:
            diagnostics.append(_found_diagnostic(body, sights, name))
        elif body in record.vehicles and not seen.is_in_sight_at_end(body):
            diagnostics.append(_unseen_diagnostic(body, max(own.values()), film.frames, name))
    return SeenAgain(picks, tuple(fresh), tuple(diagnostics))


@dataclass(frozen=True)
class _Seen:
    """What a film showed of its marks."""

    film: Film
    marks: dict[MarkId, Mark]
    tracks: Tracks
    contrast: Array  # (frames, marks) grey

    def lost_marks(self) -> dict[MarkId, int]:
        """The last frame of each mark that was seen and then not for long, to the film's end."""
        mask = self.tracks.measured_mask
        ends = len(mask) - 1 - np.argmax(mask[::-1], axis=0)
        lost = mask.any(axis=0) & (len(mask) - 1 - ends >= SEEN_AGAIN.unseen)
        return {
            mark: int(end)
            for mark, end, gone in zip(self.tracks.marks, ends, lost, strict=True)
            if gone and not mark.is_fixed and mark in self.marks
        }

    def is_in_sight_at_end(self, body: str) -> bool:
        """Whether a mark of the body was measured in the last frames of the film."""
        mine = [mark.vehicle == body for mark in self.tracks.marks]
        return bool(self.tracks.measured_mask[-SEEN_AGAIN.unseen :, mine].any())

    def frames_after(self, last: int) -> Iterator[tuple[int, Picture]]:
        """Frames in which marks that were last seen in this one may be in sight again."""
        end = self.film.frames - 1
        count = min(SEEN_AGAIN.frames, (end - last) // SEEN_AGAIN.unseen)
        shares = [1.0, *(k / 2**j for j in range(1, 8) for k in range(2**j - 1, 0, -2))]
        for share in shares[: 1 + count]:
            frame = round(last + share * (end - last))
            picture = read_picture(self.film, frame)
            if picture is not None:
                yield frame, picture

    def places(self, frame: int, which: NDArray[np.bool_]) -> dict[MarkId, Array]:
        """Where these marks (n,) were measured in a frame, px."""
        here = which & self.tracks.measured_mask[frame]
        return {self.tracks.marks[i]: self.tracks.position[frame, i] for i in np.flatnonzero(here)}

    def is_body_mask(self, body: str) -> NDArray[np.bool_]:
        """Which marks (n,) belong to the body."""
        return np.array([mark.vehicle == body for mark in self.tracks.marks], bool)

    def sizes(self, names: Sequence[MarkId]) -> Array:
        """Their sizes (n,) px, 0 where unknown."""
        return np.nan_to_num([self.marks[n].size_px if n in self.marks else 0.0 for n in names])

    def last_stand(self, mark: MarkId) -> tuple[Array, float] | None:
        """Where a lost mark stood (2,) px, and its contrast, when it was last seen; None where it
        moved then, or was seen for too short a time.
        """
        m = self.tracks.marks.index(mark)
        shown = np.flatnonzero(self.tracks.measured_mask[:, m])[-SEEN_AGAIN.stand :]
        at = self.tracks.position[shown, m]
        moves = np.ptp(at, axis=0).max() > SEEN_AGAIN.stand_share * self.marks[mark].size_px
        known = np.isfinite(self.marks[mark].size_px)
        if len(shown) < SEEN_AGAIN.stand or moves or not known:
            return None
        return at[-1], float(np.nanmedian(self.contrast[shown, m]))

    def is_claimed(self, pixel: Pixel, others: Mapping[MarkId, Array]) -> bool:
        """Whether one of these marks that are tracked lies at a place."""
        apart = np.array([np.hypot(*(at - pixel)) for at in others.values()])
        return bool(np.any(apart < DETECTION.overlap * self.sizes(list(others))))


def _vehicle_again(
    record: Record, body: str, seen: _Seen, lost: dict[MarkId, int], camera: Camera
) -> list[Mark]:
    """A vehicle's lost marks, and those that nobody picked, where a frame shows its layout with
    them: it may have turned its other side to the camera.
    """
    group = findable_marks(record, body)
    if len(group) < DETECTION.vehicle_marks or not {MarkId(body, t.name) for t in group} & set(
        lost
    ):
        return []
    mine = seen.is_body_mask(body)
    offset = _lateral_place(camera, group, seen, mine, record.test.intended.offset or 0.0)
    found: dict[MarkId, Mark] = {}
    for frame, picture in seen.frames_after(max(lost.values())):
        placed = _placed_marks(group, seen, frame, mine)
        others = seen.places(frame, ~mine)
        if len(placed) >= DETECTION.vehicle_marks:
            plane, pose = pose_by_markers(camera, offset, group, placed)
            vehicle = verify_pose(picture, camera, plane, group, pose, placed)
        elif found:
            continue
        else:
            known = OtherMarks(
                np.array(list(others.values())).reshape(-1, 2), seen.sizes(list(others))
            )
            vehicle = locate_vehicle(picture, camera, offset, group, known, None)
        for mark in () if vehicle is None else _marks_of(vehicle, camera, body, group, frame):
            sought = mark.name in lost or mark.name not in seen.marks
            if (
                sought
                and mark.name.marker not in placed
                and not seen.is_claimed(mark.pixel, others)
            ):
                found.setdefault(mark.name, mark)
        if len(found) == len(lost):
            break
    return list(found.values())


def _marks_of(
    vehicle: VehicleInPicture, camera: Camera, body: str, group: list[SurveyedMark], frame: int
) -> list[Mark]:
    """What a frame shows of a vehicle, as marks picked there."""
    _, scale = project_marks(camera, vehicle.pose, np.array([t.at for t in group]))
    return [
        Mark(MarkId(body, t.name), t.pattern, vehicle.pixels[t.name], frame, float(s * t.size))
        for t, s in zip(group, scale, strict=True)
        if t.name in vehicle.pixels
    ]


def _placed_marks(
    group: list[SurveyedMark], seen: _Seen, frame: int, mine: NDArray[np.bool_]
) -> dict[str, Array]:
    """Where a frame shows surveyed marks of a vehicle, by marker."""
    here = {mark.marker: at for mark, at in seen.places(frame, mine).items()}
    return {t.name: here[t.name] for t in group if t.name in here}


def _lateral_place(
    camera: Camera,
    group: list[SurveyedMark],
    seen: _Seen,
    mine: NDArray[np.bool_],
    planned: float,
) -> float:
    """Ground y, m, at which the vehicle was last seen by enough marks; else the `planned` one."""
    names = {t.name for t in group}
    own = mine & np.array([mark.marker in names for mark in seen.tracks.marks])
    enough = seen.tracks.measured_mask[:, own].sum(axis=1) >= DETECTION.vehicle_marks
    if not enough.any():
        return planned
    last = int(np.flatnonzero(enough)[-1])
    placed = _placed_marks(group, seen, last, mine)
    return float(pose_by_markers(camera, planned, group, placed)[1][1])


def _free_marks_again(seen: _Seen, lost: dict[MarkId, int]) -> list[Mark]:
    """Marks of the article that stood when they were last seen, each near there, as strong as it
    was, and nearer to there than to where any other mark was.
    """
    found: list[Mark] = []
    everything = np.ones(len(seen.tracks.marks), bool)
    stood = {mark: stand for mark in lost if (stand := seen.last_stand(mark)) is not None}
    for mark, (at, contrast) in stood.items():
        size = seen.marks[mark].size_px
        elsewhere = {other: place for other, (place, _) in stood.items() if other != mark}
        for frame, picture in seen.frames_after(lost[mark]):
            others = seen.places(frame, everything)
            away = [float(np.hypot(*(p - at))) for p in (elsewhere | others).values()]
            reach = min(SEEN_AGAIN.free_reach * size, SEEN_AGAIN.own_share * min(away, default=1e9))
            fix = locate_mark(picture, seen.marks[mark].pattern, at, size, reach)
            pixel = (float(fix.position[0]), float(fix.position[1]))
            alike = fix.ok and fix.contrast / contrast > SEEN_AGAIN.contrast
            if alike and not seen.is_claimed(pixel, others):
                found.append(replace(seen.marks[mark], frame=frame, pixel=pixel))
                break
    return found


def _found_diagnostic(body: str, found: list[Mark], name: str) -> Diagnostic:
    frames = sorted({mark.frame for mark in found})
    marks = ", ".join(sorted(mark.name.marker for mark in found))
    text = (
        f"{marks} of {body}, out of sight for long, were found again in "
        f"frame{'s' * (len(frames) > 1)} {', '.join(str(frame) for frame in frames)}"
    )
    return Diagnostic("marks_seen_again", text, f"cameras.{name}.picks")


def _unseen_diagnostic(body: str, last: int, frames: int, name: str) -> Diagnostic:
    text = (
        f"no mark of {body} is seen after frame {last} of {frames}: if it is in sight again, pick "
        "three of its marks or more once more in a frame that shows them"
    )
    return Diagnostic("vehicle_out_of_sight", text, f"cameras.{name}.picks")
