"""What a camera is to follow beyond a record's good picks: marks found by themselves."""

from __future__ import annotations

import bisect
from collections import Counter
from collections.abc import Mapping, Set
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import Problem
from calibration.findings import Diagnostic
from tracker.core.types import Mark
from tracker.detection import fixed_targets
from tracker.detection.camera_from_layout import by_layout, targets_of
from tracker.detection.pattern_response import LOOKS
from tracker.detection.vehicle import Known, place_vehicle, rest_of_vehicle
from tracker.detection.verify import ENOUGH, Placed, Target, promising, prove, seen_at
from tracker.film import Film
from tracker.record.schema import Record

PARTS = (0.0, 0.35, 0.7)
"""Where in the film vehicles without picks are looked for, until each has been found."""
SNAP = 0.15
"""Share of the film by which such a frame may be moved to one that stands by itself."""
PICK_U, FAR_U, FIX_U = 4.0, 2.0, 0.05
"""Error in px of a hand pick, of a peak of a response, and of a mark located."""
CONTRADICTS_PX = 2.0
"""Rms residual of the fixed targets at which their pose is none."""
NO_PICKS = "no fixed target is picked"
SURVEY = "survey"


@dataclass(frozen=True)
class Found:
    """Marks to follow, and what was noticed on the way."""

    marks: tuple[Mark, ...]
    warnings: tuple[Diagnostic, ...]


def find_marks(
    record: Record,
    camera: str,
    film: Film,
    lens: Lens | None,
    marks: tuple[Mark, ...],
    by_bars: Camera | None = None,
) -> Found:
    """The marks that the record picks, picks of fixed targets set right where they are far off or
    missing, and with them those vehicles' markers that the picture shows by themselves.

    Markers are found that have a place, a pattern other than `patch` and a size, where the
    camera's pose is told by its fixed targets or by its scale bars (`by_bars`): at least three of a
    vehicle that agree with one pose of it. A vehicle of which three or more are picked leads to
    its others; else it is looked for in up to three frames. `marks` come from `expected_marks`; a
    few frames are read by random access.
    """
    return _Search(record, camera, film, lens, marks, by_bars).run()


class _Search:
    """One camera's search: its record, its film and what is known of the ground."""

    def __init__(
        self,
        record: Record,
        camera: str,
        film: Film,
        lens: Lens | None,
        marks: tuple[Mark, ...],
        by_bars: Camera | None,
    ) -> None:
        self.record, self.camera, self.film, self.lens = record, camera, film, lens
        self.entry = record.cameras[camera]
        self.marks, self.by_bars = marks, by_bars
        self.white = float(film.white)
        self.known = {
            f"{SURVEY}.{name}": np.array(target.at)
            for name, target in self.entry.survey.items()
            if target.at is not None
        }
        self.sizes = {
            f"{SURVEY}.{name}": target.size
            for name, target in self.entry.survey.items()
            if target.size is not None
        }
        self.unpicked = {m.name for m in marks if not m.picked}

    def run(self) -> Found:
        """See `find_marks`."""
        groups = {name: self._targets(name) for name in self.record.vehicles}
        picked = {name: [m for m in self.marks if _of(m, name)] for name in groups}
        open_to = {
            name: group
            for name, group in groups.items()
            if len(group) >= ENOUGH and any(f"{name}.{t.name}" not in self.names for t in group)
        }
        led = {n: group for n, group in open_to.items() if len(picked[n]) >= ENOUGH}
        lone = {n: group for n, group in open_to.items() if n not in led}
        by_picks = self._by_picks()
        if by_picks is not None and all(m.picked for m in self.marks):
            led = {n: g for n, g in led.items() if self._promising(by_picks.camera, g, picked[n])}
            if not led and not lone:
                return Found(self.marks, ())
        posed, frame, warnings = self._ground()
        if posed is not None:
            self.marks = fixed_targets.better_picks(
                self.marks, self.known, self.sizes, posed, frame
            )
        warnings += self._without_unpicked()
        camera = self.by_bars if posed is None else posed.camera
        if camera is None:
            return Found(self.marks, tuple(warnings))
        added: list[Mark] = []
        for name, group in led.items():
            added += self._rest(camera, name, group, picked[name])
        alone, said = self._lone(camera, lone, added)
        return Found((*self.marks, *added, *alone), (*warnings, *said))

    def _without_unpicked(self) -> list[Diagnostic]:
        """Leave out the fixed targets that have no place in the picture still, and say so."""
        width, height = self.film.size
        lost = [
            m.name
            for m in self.marks
            if not (m.picked and -0.5 <= m.pixel[0] < width and -0.5 <= m.pixel[1] < height)
            and m.name in self.unpicked
        ]
        self.marks = tuple(m for m in self.marks if m.name not in lost)
        if not lost:
            return []
        names = ", ".join(name.split(".", 1)[1] for name in lost)
        text = (
            f"no pixel is given for {names}, and the layout of the fixed targets does not tell "
            "where they are in the picture"
        )
        return [Diagnostic("targets_not_found", text, f"cameras.{self.camera}.survey")]

    @property
    def names(self) -> set[str]:
        """Names of the marks that are followed already."""
        return {m.name for m in self.marks}

    def _by_picks(self) -> fixed_targets.Grounded | None:
        """The camera's pose by the picks of its fixed targets, where they agree well enough."""
        picked = [m for m in self.marks if m.name in self.known and m.picked]
        places = {m.name: np.array(m.pixel) for m in picked}
        posed = self._pose(places, PICK_U)
        return posed if posed is not None and len(posed.places) == len(places) else None

    def _pose(self, places: Mapping[str, Array], u: float) -> fixed_targets.Grounded | None:
        rough = None if self.entry.position is None else np.array(self.entry.position)
        return fixed_targets.pose_of(self.known, places, self.film.size, self.lens, rough, u)

    def _promising(self, camera: Camera, group: list[Target], picked: list[Mark]) -> bool:
        """Whether a vehicle's picks lead to a place that looks like another mark of it."""
        here, frame = _together(picked)
        luma = self._picture(frame)
        held = {m.name.split(".", 1)[1]: np.array(m.pixel) for m in here}
        if luma is None or sum(t.name in held for t in group) < ENOUGH:
            return False
        _, pose = rest_of_vehicle(camera, self._offset, group, held)
        everyone = {m.name.split(".", 1)[1] for m in picked}
        return promising(luma, camera, group, pose, self.white, everyone)

    def _targets(self, vehicle: str) -> list[Target]:
        return [
            Target(name, np.array(marker.at), marker.pattern, marker.size)
            for name, marker in self.record.vehicles[vehicle].markers.items()
            if marker.at is not None and marker.size is not None and marker.pattern in LOOKS
        ]

    def _ground(self) -> tuple[fixed_targets.Grounded | None, int, list[Diagnostic]]:
        """The camera's pose by its fixed targets, wherever their picks are, and a frame in which
        they are so.
        """
        fixed = tuple(m for m in self.marks if m.name in self.known)
        picked = [m for m in fixed if m.picked and m.frame < self.film.frames]
        if len(fixed) < fixed_targets.ENOUGH:
            return None, 0, []
        pictures = {
            frame: picture
            for frame in {m.frame for m in picked}
            if (picture := self._picture(frame)) is not None
        }
        usual = Counter(m.frame for m in picked if m.frame in pictures).most_common(1)
        frame = usual[0][0] if usual else 0
        places = fixed_targets.near_picks(pictures, fixed, self.white)
        posed = self._pose(places, FIX_U)
        if posed is not None and posed.rms_px > CONTRADICTS_PX:
            posed = None  # what was found near the picks are not the targets
        most = max(fixed_targets.ENOUGH, (2 * len(picked) + 2) // 3)
        if posed is not None and len(posed.places) >= most:
            return posed, frame, []
        frames = [frame] if pictures else self._frames()
        for each in frames:
            again = self._laid_out(fixed, each)
            if again is not None and (posed is None or len(posed.places) < len(again.places)):
                of = "picks of fixed targets are far off or missing" if picked else NO_PICKS
                count = f"{len(again.places)} of {len(fixed)}"
                text = f"{of}; {count} were found by their surveyed layout"
                said = Diagnostic("targets_found", text, f"cameras.{self.camera}.survey")
                return again, each, [said]
        return posed, frame, []

    def _laid_out(self, fixed: tuple[Mark, ...], frame: int) -> fixed_targets.Grounded | None:
        """The camera's pose by what a frame shows of its fixed targets' layout."""
        luma = self._picture(frame)
        if luma is None:
            return None
        rough = None if self.entry.position is None else np.array(self.entry.position)
        targets = targets_of(self.known, fixed, self.sizes)
        far = by_layout(luma, targets, self.lens, rough, self.white)
        posed = self._pose(far, FAR_U)
        if posed is None:
            return None
        near = fixed_targets.better_picks(fixed, self.known, self.sizes, posed, frame)
        near = tuple(replace(m, frame=frame) for m in near)
        places = fixed_targets.near_picks({frame: luma}, near, self.white)
        again = self._pose(places, FIX_U)
        return None if again is None or again.rms_px > CONTRADICTS_PX else again

    def _rest(
        self, camera: Camera, vehicle: str, group: list[Target], picked: list[Mark]
    ) -> list[Mark]:
        """Marks of a vehicle that its picked ones lead to."""
        here, frame = _together(picked)
        luma = self._picture(frame)
        if luma is None:
            return []
        places = fixed_targets.near_picks({frame: luma}, here, self.white)
        held = {t.name: places[n] for t in group if (n := f"{vehicle}.{t.name}") in places}
        if len(held) < ENOUGH:
            return []
        plane, pose = rest_of_vehicle(camera, self._offset, group, held)
        placed = prove(luma, camera, plane, group, pose, self.white, held)
        marks = self._as_marks(camera, vehicle, group, placed, frame)
        return [m for m in marks if m.name not in self.names]

    def _lone(
        self, camera: Camera, lone: Mapping[str, list[Target]], added: list[Mark]
    ) -> tuple[list[Mark], list[Diagnostic]]:
        """Marks of vehicles that nothing leads to, frame by frame until each was found."""
        found: dict[str, list[Mark]] = {}
        for frame in self._frames() if lone else ():
            luma = self._picture(frame)
            if luma is None:
                continue
            seen = [m for m in (*self.marks, *added) if m.frame == frame and not _of(m, SURVEY)]
            found |= self._in_frame(camera, luma, frame, lone.keys() - found.keys(), lone, seen)
            if len(found) == len(lone):
                break
        fresh = [m for marks in found.values() for m in marks if m.name not in self.names]
        picked = {m.name.split(".", 1)[0] for m in self.marks}
        told = [name for name in lone if name in found or name not in picked]
        return fresh, [self._said(name, found.get(name, [])) for name in told]

    def _in_frame(
        self,
        camera: Camera,
        luma: NDArray[Any],
        frame: int,
        names: Set[str],
        groups: Mapping[str, list[Target]],
        seen: list[Mark],
    ) -> dict[str, list[Mark]]:
        """Marks of each of these vehicles that a frame shows, the one with most marks first; what
        is one vehicle's mark, or one already `seen`, is no other's.
        """
        found: dict[str, list[Mark]] = {}
        trials: dict[str, list[Mark]] = {}
        waiting = sorted(names)
        while waiting:
            others = self._fixed(camera, seen)
            for name in waiting:
                if name not in trials or _clash(trials[name], seen):
                    trials[name] = self._alone(camera, luma, frame, name, groups[name], others)
            best = max(waiting, key=lambda n: len(trials[n]))
            if not trials[best]:
                break
            found[best] = trials[best]
            seen = [*seen, *trials[best]]
            waiting.remove(best)
        return found

    def _alone(
        self,
        camera: Camera,
        luma: NDArray[Any],
        frame: int,
        name: str,
        group: list[Target],
        others: Known,
    ) -> list[Mark]:
        heading = self._heading(name)
        placed = place_vehicle(luma, camera, self._offset, group, others, self.white, heading)
        return self._as_marks(camera, name, group, placed, frame)

    def _said(self, vehicle: str, marks: list[Mark]) -> Diagnostic:
        where = f"cameras.{self.camera}.picks"
        if not marks:
            text = f"no markers of {vehicle} are picked, and none were found by themselves"
            return Diagnostic("markers_not_found", text, where)
        names = ", ".join(m.name.split(".", 1)[1] for m in marks)
        text = (
            f"{len(marks)} markers of {vehicle} were found by themselves in frame "
            f"{marks[0].frame}: {names}"
        )
        return Diagnostic("markers_found", text, where)

    def _as_marks(
        self, camera: Camera, vehicle: str, group: list[Target], placed: Placed | None, frame: int
    ) -> list[Mark]:
        if placed is None:
            return []
        _, scale = seen_at(camera, placed.pose, np.array([t.at for t in group]))
        return [
            Mark(f"{vehicle}.{t.name}", t.pattern, placed.pixels[t.name], frame, float(s * t.size))
            for t, s in zip(group, scale, strict=True)
            if t.name in placed.pixels
        ]

    def _fixed(self, camera: Camera, seen: list[Mark] | None = None) -> Known:
        """Places and sizes in the picture of everything that isn't the vehicle looked for."""
        names = list(self.known)
        points = np.array([self.known[name] for name in names]).reshape(-1, 3)
        depth = np.maximum(camera.in_camera_axes(points)[:, 2], 0.5)
        size = camera.lens.matrix[0, 0] * np.array([self.sizes.get(n, 0.3) for n in names]) / depth
        place = np.nan_to_num(camera.project(points), nan=-1e6)
        more = seen or []
        return Known(
            np.concatenate([place, np.array([m.pixel for m in more]).reshape(-1, 2)]),
            np.concatenate([size, np.array([m.size_px for m in more]).reshape(-1)]),
        )

    @property
    def _offset(self) -> float:
        return self.record.test.intended.offset or 0.0

    def _heading(self, vehicle: str) -> float:
        striking = self.record.vehicles[vehicle].role == "striking"
        return (self.record.test.intended.angle or 0.0) if striking else 0.0

    def _frames(self) -> list[int]:
        """Frames to look at, moved to the nearest from which the film can be read, if near."""
        starts, last = list(self.film.source.starts), self.film.frames - 1
        frames = []
        for part in PARTS:
            frame = round(part * last)
            i = bisect.bisect_left(starts, frame)
            near = min(starts[max(i - 1, 0) : i + 1], key=lambda s: abs(s - frame))
            frames.append(near if abs(near - frame) <= SNAP * self.film.frames else frame)
        return list(dict.fromkeys(frames))

    def _picture(self, frame: int) -> NDArray[Any] | None:
        try:
            return self.film.frame(frame)
        except Problem:
            return None


def _of(mark: Mark, body: str) -> bool:
    return mark.name.startswith(f"{body}.")


def _clash(some: list[Mark], others: list[Mark]) -> bool:
    """Whether two of them claim one place."""
    return any(
        np.hypot(*np.subtract(a.pixel, b.pixel)) < 0.5 * a.size_px for a in some for b in others
    )


def _together(picked: list[Mark]) -> tuple[tuple[Mark, ...], int]:
    """Marks picked in the frame in which most of them are, and that frame."""
    frame = Counter(m.frame for m in picked).most_common(1)[0][0]
    return tuple(m for m in picked if m.frame == frame), frame
