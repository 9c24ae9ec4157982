"""What one camera saw: its film tracked, its picture stabilised, its pose and its clock solved.

The steps, in this order, each with its own value: open the film and read the lens (`_Opened`),
choose the marks to track (`_Wanted`), track them (`TrackedFilm`), hide positions that are none
(`_Checked`), stabilise the picture and solve the pose (`_View`), the last four once more where
marks that were out of sight for long are found again, time the frames.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from calibration.arrays import Array
from calibration.board.calibrate import LensCalibration
from calibration.findings import Diagnostic
from calibration.image_motion.stabilise import Stabilisation, stabilise_picture
from calibration.resection.resect import Resection
from calibration.time.timebase import FlashSignal, TimeBase, time_base
from calibration.time.timing_light import TimingLightSignal
from tracker.camera.background_patches import find_background
from tracker.camera.brightness import Region, stabilised_brightness
from tracker.camera.expected_targets import expected_marks
from tracker.camera.lens_source import CameraOptics, camera_optics, check_straight_lines
from tracker.camera.options import CAMERA
from tracker.camera.pick_conflicts import reconcile_picks
from tracker.camera.pose import camera_by_bars, camera_pose, fixed_targets
from tracker.camera.repeated_frames import (
    RepeatedFrames,
    correct_repeat_times,
    find_repeats,
    hide_repeats,
    repeat_diagnostics,
)
from tracker.camera.seen_again import marks_seen_again
from tracker.camera.target_slips import reject_slips
from tracker.camera.track_film import TrackedFilm, region_light, track_film
from tracker.core.types import Mark, Progress
from tracker.detection import detect_marks
from tracker.film import Film, open_film
from tracker.record.camera import CameraEntry
from tracker.record.schema import Record
from tracker.tracking import TrackingResult

FLASH, LIGHT, PICTURE = "flash", "timing light", "picture"


@dataclass(frozen=True)
class CalibratedFilm:
    """One camera's film, tracked, calibrated and timed."""

    name: str
    film: Film
    followed: TrackingResult
    stabilisation: Stabilisation
    pose: Resection
    time: TimeBase
    warnings: tuple[Diagnostic, ...]
    lens_fit: LensCalibration | None = None  # where the lens comes from pictures of a board


TrackingStep = Callable[
    [Film, str, CameraEntry, tuple[Mark, ...], Mapping[str, Region | None], Progress], TrackedFilm
]


class FilmOpening(Protocol):
    """How a film is opened."""

    def __call__(
        self, path: str, *, frame_rate: float | None, bits: int | None, where: str
    ) -> Film:
        """What `tracker.film.open_film` gives."""
        ...


def calibrate_camera(
    record: Record,
    name: str,
    progress: Progress,
    tracking: TrackingStep = track_film,
    opening: FilmOpening = open_film,
) -> CalibratedFilm:
    """Track a camera's film and calibrate the camera by what it saw.

    `tracking` may remember what tracking gave, as long as it gives what `track_film` would, and
    `opening` may have opened the film before. Raises
    `FilmError` where the film can't be read, `CalibrationError` where the camera's lens, pose or
    time can't be determined.
    """
    entry, where = record.cameras[name], f"cameras.{name}"
    opened = _open(record, name, opening)
    wanted = _choose_marks(record, name, opened)
    regions = _regions(entry)
    view = _view(record, name, opened, wanted.marks, regions, progress, tracking)
    again = marks_seen_again(
        record,
        name,
        opened.film,
        wanted.marks,
        view.checked.followed,
        view.pose.camera,
    )
    if not again.is_empty:
        marks = again.added_to(wanted.marks)
        view = _view(record, name, opened, marks, regions, progress, tracking)
    tracked, checked = view.tracked, view.checked
    stabilisation, pose = view.stabilisation, view.pose
    moving = bool(regions) and stabilisation.rms_px > CAMERA.stabilised_regions_px
    light = region_light(opened.film, entry)
    grey = (
        stabilised_brightness(opened.film, regions, stabilisation, light)
        if moving
        else tracked.brightness
    )
    clock = correct_repeat_times(camera_time(entry, opened.film, grey, where), checked.repeats)
    diagnostics = (
        *opened.optics.warnings,
        *wanted.diagnostics,
        *again.diagnostics,
        *(f.at(where) for f in stabilisation.findings),
        *(f.at(f"{where}.survey") for f in pose.findings),
        *check_straight_lines(entry.straight, pose.camera.lens, stabilisation, where),
        *(f.at(f"{where}.time") for f in clock.findings),
        *tracked.faults,
        *_without_repeats(checked.followed.findings, checked.repeats),
        *repeat_diagnostics(checked.repeats, where),
    )
    return CalibratedFilm(
        name,
        opened.film.with_findings(tracked.faults),
        checked.followed,
        stabilisation,
        pose,
        clock,
        diagnostics,
        opened.optics.fit,
    )


@dataclass(frozen=True)
class _Opened:
    """A camera's film, and its lens as far as the record gives it."""

    film: Film
    optics: CameraOptics


def _open(record: Record, name: str, opening: FilmOpening) -> _Opened:
    entry = record.cameras[name]
    film = opening(
        record.place(entry.film),
        frame_rate=entry.frame_rate,
        bits=entry.bits,
        where=f"cameras.{name}",
    )
    return _Opened(film, camera_optics(record, name, film.size))


@dataclass(frozen=True)
class _Wanted:
    """The marks to track, and what finding them was worth a diagnostic."""

    marks: tuple[Mark, ...]
    diagnostics: tuple[Diagnostic, ...]


def _choose_marks(record: Record, name: str, opened: _Opened) -> _Wanted:
    """The record's picks, completed by what is found by its layout and reconciled with it."""
    film, lens = opened.film, opened.optics.lens
    picked = expected_marks(record, name, film.size, lens)
    by_bars = camera_by_bars(record, name, film.size, lens)
    found = detect_marks(record, name, film, lens, picked, by_bars)
    marks, contradictions = reconcile_picks(film, picked, found.marks, f"cameras.{name}")
    return _Wanted(marks, (*found.warnings, *contradictions))


def _regions(entry: CameraEntry) -> dict[str, Region | None]:
    """The regions of flash and timing light; of the whole picture where a flash names none."""
    regions: dict[str, Region | None] = {}
    if entry.time.zero == "flash":
        regions[FLASH] = entry.time.flash_region
        if entry.time.flash_region is not None:
            regions[PICTURE] = None  # shows the flicker of the whole scene
    if entry.time.timing_light is not None:
        regions[LIGHT] = entry.time.timing_light.region
    return regions


@dataclass(frozen=True)
class _View:
    """What marks give of a camera: their tracks, the picture's motion, the pose."""

    tracked: TrackedFilm
    checked: _Checked
    stabilisation: Stabilisation
    pose: Resection


def _view(
    record: Record,
    name: str,
    opened: _Opened,
    marks: tuple[Mark, ...],
    regions: Mapping[str, Region | None],
    progress: Progress,
    tracking: TrackingStep,
) -> _View:
    tracked = tracking(opened.film, name, record.cameras[name], marks, regions, progress)
    checked = _check_tracks(tracked.followed)
    stabilisation = _stabilise(opened.film, checked.followed)
    pose = camera_pose(
        record, name, opened.film.size, opened.optics.lens, checked.followed, stabilisation
    )
    return _View(tracked, checked, stabilisation, pose)


@dataclass(frozen=True)
class _Checked:
    """Tracks without positions in repeated frames and without slips of fixed targets."""

    followed: TrackingResult
    repeats: RepeatedFrames


def _check_tracks(followed: TrackingResult) -> _Checked:
    repeats = find_repeats(followed.tracks)
    shown = replace(followed, tracks=hide_repeats(followed.tracks, repeats))
    return _Checked(reject_slips(shown), repeats)


def _stabilise(film: Film, followed: TrackingResult) -> Stabilisation:
    """The picture's motion as the fixed targets show it; without any, the background's texture."""
    names, position, covariance = fixed_targets(followed)
    found = None if names else find_background(film, followed.tracks)
    if found is None:
        return stabilise_picture(names, position, covariance, size=film.size)
    stabilisation = stabilise_picture(found.names, found.position, found.covariance, size=film.size)
    text = (
        f"no fixed target is in view: the picture was stabilised by {len(found.names)} patches of "
        f"the background, which leaves {stabilisation.leftover_px:.2f} px rms at them"
    )
    return replace(
        stabilisation, findings=(Diagnostic("steady_background", text), *stabilisation.findings)
    )


def camera_time(entry: CameraEntry, film: Film, grey: Mapping[str, Array], where: str) -> TimeBase:
    """The times of a camera's frames from what the record states and the film shows."""
    light, zero = entry.time.timing_light, entry.time.zero
    flash = _flash_signal(entry, film, grey)
    return time_base(
        film.frames,
        stamps=film.stamps,
        rate=film.rate,
        stated=entry.frame_rate is not None,
        exposure=entry.exposure,
        zero=zero if isinstance(zero, float | int) else flash,
        timing_light=(
            None if light is None else TimingLightSignal(grey[LIGHT], light.rate, light.duty)
        ),
        where=where,
    )


def _flash_signal(entry: CameraEntry, film: Film, grey: Mapping[str, Array]) -> FlashSignal | None:
    if FLASH not in grey:
        return None
    lag, lag_u, late = entry.time.flash_lag, entry.time.flash_lag_u, entry.time.flash_late
    return FlashSignal(
        grey[FLASH],
        float(film.white),
        grey.get(PICTURE),
        lag,
        lag_u,
        late,
        coded=film.is_coded,
    )


def _without_repeats(findings: Sequence[Diagnostic], copies: RepeatedFrames) -> list[Diagnostic]:
    """Findings without that of equal pictures, where the marks' motion has more about them."""
    return [f for f in findings if f.code != "frames_repeated" or not len(copies.frames)]
