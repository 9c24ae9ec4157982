"""Marks that were out of sight for long, found again in later frames of the film.

Tracking takes a mark up again where its own motion or its body's other marks put it. Of a vehicle
that spins behind smoke, or that leaves the picture and comes back, neither says where it is
hundreds of frames later. Its surveyed layout does: it is looked for as a vehicle without picks is,
and what is found is a further pick of each mark, from which the film is tracked both ways.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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
from tracker.detection.verify import SurveyedMark, verify_pose
from tracker.film import Film
from tracker.marks import Picture, locate_mark
from tracker.record.schema import Record

Pixel = tuple[float, float]


@dataclass(frozen=True)
class SeenAgain:
    """Further picks of marks, and diagnostics of those that stay out of sight."""

    picks: dict[MarkId, tuple[int, Pixel]]
    diagnostics: tuple[Diagnostic, ...]

    def added_to(self, marks: Sequence[Mark]) -> tuple[Mark, ...]:
        """The marks with these picks besides their own."""
        return tuple(
            replace(m, more=(*m.more, self.picks[m.name])) if m.name in self.picks else m
            for m in marks
        )


def marks_seen_again(
    record: Record,
    name: str,
    film: Film,
    marks: Sequence[Mark],
    tracks: Tracks,
    camera: Camera,
) -> SeenAgain:
    """Where marks of vehicles and of the article that are lost early are seen later in the film.

    Looked at are a few frames after the last one that shows each body's lost marks, the last of
    the film first. `camera` is the calibrated one. Marks that are lost for fewer frames than
    `SEEN_AGAIN.unseen` are left to tracking.
    """
    seen = _Seen(film, {m.name: m for m in marks}, tracks)
    lost = seen.lost_marks()
    picks: dict[MarkId, tuple[int, Pixel]] = {}
    diagnostics: list[Diagnostic] = []
    for body in sorted({mark.vehicle for mark in lost}):
        own = {mark: last for mark, last in lost.items() if mark.vehicle == body}
        if body in record.vehicles:
            found = _vehicle_again(record, body, seen, own, camera)
        elif all(mark.is_free for mark in own):
            found = _free_marks_again(seen, own)
        else:
            found = {}
        picks |= found
        if found:
            diagnostics.append(_found_diagnostic(body, found, name))
        elif body in record.vehicles and not seen.is_in_sight_at_end(body):
            diagnostics.append(_unseen_diagnostic(body, max(own.values()), film.frames, name))
    return SeenAgain(picks, tuple(diagnostics))


@dataclass(frozen=True)
class _Seen:
    """What a film showed of its marks."""

    film: Film
    marks: dict[MarkId, Mark]
    tracks: Tracks

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


def _vehicle_again(
    record: Record, body: str, seen: _Seen, lost: dict[MarkId, int], camera: Camera
) -> dict[MarkId, tuple[int, Pixel]]:
    """A vehicle's lost marks, where a frame shows its layout with them."""
    group = findable_marks(record, body)
    if len(group) < DETECTION.vehicle_marks or not {MarkId(body, t.name) for t in group} & set(
        lost
    ):
        return {}
    mine = seen.is_body_mask(body)
    offset = _lateral_place(camera, group, seen, mine, record.test.intended.offset or 0.0)
    found: dict[MarkId, tuple[int, Pixel]] = {}
    for frame, picture in seen.frames_after(max(lost.values())):
        placed = _placed_marks(group, seen, frame, mine)
        others = seen.places(frame, ~mine)
        if len(placed) >= DETECTION.vehicle_marks:
            pixels = _by_placed_marks(picture, camera, offset, group, placed)
        elif found:
            continue
        else:
            known = OtherMarks(
                np.array(list(others.values())).reshape(-1, 2), seen.sizes(list(others))
            )
            vehicle = locate_vehicle(picture, camera, offset, group, known, None)
            pixels = {} if vehicle is None else vehicle.pixels
        for marker, pixel in pixels.items():
            mark = MarkId(body, marker)
            if mark in lost and marker not in placed and not _is_claimed(pixel, others, seen):
                found.setdefault(mark, (frame, pixel))
        if len(found) == len(lost):
            break
    return found


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


def _by_placed_marks(
    picture: Picture,
    camera: Camera,
    offset: float,
    group: list[SurveyedMark],
    placed: dict[str, Array],
) -> dict[str, Pixel]:
    """Where the marks of a vehicle are that its tracked ones lead to."""
    plane, pose = pose_by_markers(camera, offset, group, placed)
    vehicle = verify_pose(picture, camera, plane, group, pose, placed)
    return {} if vehicle is None else vehicle.pixels


def _free_marks_again(seen: _Seen, lost: dict[MarkId, int]) -> dict[MarkId, tuple[int, Pixel]]:
    """Marks of the article, each near where it was last seen and nearer to there than to where any
    other mark of its pattern was.
    """
    found: dict[MarkId, tuple[int, Pixel]] = {}
    last_at = {
        mark: seen.tracks.position[last, seen.tracks.marks.index(mark)]
        for mark, last in lost.items()
    }
    everything = np.ones(len(seen.tracks.marks), bool)
    for mark, at in last_at.items():
        size = seen.marks[mark].size_px
        if not np.isfinite(size):
            continue
        for frame, picture in seen.frames_after(lost[mark]):
            others = seen.places(frame, everything)
            alike = [p for other, p in (last_at | others).items() if other != mark]
            apart = min((float(np.hypot(*(p - at))) for p in alike), default=np.inf)
            reach = min(SEEN_AGAIN.free_reach * size, SEEN_AGAIN.own_share * apart)
            fix = locate_mark(picture, seen.marks[mark].pattern, at, size, reach)
            pixel = (float(fix.position[0]), float(fix.position[1]))
            if fix.ok and not _is_claimed(pixel, others, seen):
                found[mark] = frame, pixel
                break
    return found


def _is_claimed(pixel: Pixel, others: dict[MarkId, Array], seen: _Seen) -> bool:
    """Whether a mark that is tracked lies at this place."""
    apart = np.array([np.hypot(*(at - pixel)) for at in others.values()])
    return bool(np.any(apart < DETECTION.overlap * seen.sizes(list(others))))


def _found_diagnostic(body: str, found: dict[MarkId, tuple[int, Pixel]], name: str) -> Diagnostic:
    frames = sorted({frame for frame, _ in found.values()})
    marks = ", ".join(mark.marker for mark in sorted(found))
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
