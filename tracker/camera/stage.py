"""What one camera saw: its film followed through, its pose, its steadiness and its clock."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.board.calibrate import LensCalibration
from calibration.camera import Camera, Lens
from calibration.errors import Problem
from calibration.findings import Diagnostic
from calibration.image_motion.stabilise import Steadiness, steadiness
from calibration.resection.resect import Resection, resect
from calibration.scale_bars.camera import LEVEL_U, Bar, camera_from_bars
from calibration.time.timebase import TimeBase, time_base
from calibration.time.timing_light import TimingLight
from tracker.camera.background_patches import background
from tracker.camera.brightness import Brightness, Region, light_of, steadied
from tracker.camera.expected_targets import SURVEY, groups, wanted_marks
from tracker.camera.lens_source import optics_of, straight_lines
from tracker.camera.pick_conflicts import settled
from tracker.camera.repeated_frames import (
    Repeated,
    repeated,
    said_of,
    without_copies,
    without_standing,
)
from tracker.camera.target_slips import without_slips
from tracker.core.types import Mark, Progress
from tracker.detection import find_marks
from tracker.film import Film, open_film
from tracker.record.camera import Camera as CameraEntry
from tracker.record.camera import ScaleBar
from tracker.record.schema import Record
from tracker.tracking import Corrections, TrackingResult, track_marks

FLASH, LIGHT = "flash", "timing light"
WOVEN = 0.2  # px rms from which regions of flash and timing light are held to the picture
BAR_PICK_U = 2.0  # px, of each end of a scale bar picked by hand


@dataclass(frozen=True)
class Sight:
    """One camera's film, followed and calibrated."""

    name: str
    film: Film
    followed: TrackingResult
    steadiness: Steadiness
    pose: Resection
    time: TimeBase
    warnings: tuple[Diagnostic, ...]
    lens_fit: LensCalibration | None = None  # where the lens comes from pictures of a board


def watch(
    film: Film,
    name: str,
    entry: CameraEntry,
    marks: tuple[Mark, ...],
    regions: Mapping[str, Region | None],
    progress: Progress,
) -> tuple[TrackingResult, dict[str, Array]]:
    """Follow the marks through a film, and note the mean grey (frames,) of regions beside."""
    grey = Brightness(film.frames, regions, _light(film, entry))
    exposure = 0.0 if entry.exposure is None else entry.exposure
    duty = 0.0 if np.isnan(film.rate) else exposure / (1 / film.rate)
    followed = track_marks(
        film,
        name,
        marks,
        duty=duty,
        bodies=groups(marks),
        corrections=Corrections(entry.edits, entry.ruled_out),
        progress=progress,
        listeners=(grey.look,) if regions else (),
    )
    return followed, grey.means


Watch = Callable[
    [Film, str, CameraEntry, tuple[Mark, ...], Mapping[str, Region | None], Progress],
    tuple[TrackingResult, dict[str, Array]],
]


def see(record: Record, name: str, progress: Progress, watching: Watch = watch) -> Sight:
    """Follow a camera's film and calibrate the camera by what it saw.

    `watching` may remember what following gave, as long as it gives what `watch` would. Raises
    Problem where the film can't be read or the camera's pose can't be told.
    """
    entry = record.cameras[name]
    where = f"cameras.{name}"
    film = open_film(
        record.place(entry.film), frame_rate=entry.frame_rate, bits=entry.bits, where=where
    )
    optics = optics_of(record, name, film.size)
    lens = optics.lens
    wanted = wanted_marks(record, name, film.size, lens)
    by_bars = camera_by_bars(record, name, film.size, lens)
    found = find_marks(record, name, film, lens, wanted, by_bars)
    marks, contradictions = settled(film, wanted, found.marks, where)
    regions: dict[str, Region | None] = {}
    if entry.time.zero == "flash":
        regions[FLASH] = entry.time.flash_region
    if entry.time.timing_light is not None:
        regions[LIGHT] = entry.time.timing_light.region
    followed, grey = watching(film, name, entry, marks, regions, progress)
    copies = repeated(followed.tracks)
    followed = replace(followed, tracks=without_copies(followed.tracks, copies))
    followed = without_slips(followed)
    steady = _steadied(film, followed)
    pose = _pose(record, name, film.size, lens, followed, steady)
    woven = bool(regions) and steady.rms_px > WOVEN
    means = steadied(film, regions, steady, _light(film, entry)) if woven else grey
    clock = without_standing(time_of(entry, film, means, where), copies)
    said = [
        *optics.warnings,
        *found.warnings,
        *contradictions,
        *_warnings(steady.findings, where),
        *_warnings(pose.findings, f"{where}.survey"),
        *straight_lines(entry.straight, pose.camera.lens, steady, where),
        *_warnings(clock.findings, f"{where}.time"),
        *film.findings,
        *_without(followed.findings, copies),
        *said_of(copies, where),
    ]
    return Sight(name, film, followed, steady, pose, clock, tuple(said), optics.fit)


def _light(film: Film, entry: CameraEntry) -> Array | None:
    return None if entry.time.gamma == 1 else light_of(film.white, entry.time.gamma)


def _steadied(film: Film, followed: TrackingResult) -> Steadiness:
    """The picture's motion as the fixed targets show it; without any, the background's texture."""
    names, position, covariance = _fixed(followed)
    found = None if names else background(film, followed.tracks)
    if found is None:
        return steadiness(names, position, covariance, size=film.size)
    steady = steadiness(found.names, found.position, found.covariance, size=film.size)
    text = (
        f"no fixed target is in view: the picture was held steady by {len(found.names)} patches of "
        f"the background, which leaves {steady.leftover_px:.2f} px rms at them"
    )
    return replace(steady, findings=(Diagnostic("steady_background", text), *steady.findings))


def time_of(entry: CameraEntry, film: Film, grey: Mapping[str, Array], where: str) -> TimeBase:
    """The camera's clock from what the record and the film say of it."""
    light = entry.time.timing_light
    return time_base(
        film.frames,
        stamps=film.stamps,
        rate=film.rate,
        stated=entry.frame_rate is not None,
        exposure=entry.exposure,
        zero=entry.time.zero if isinstance(entry.time.zero, float | int) else None,
        flash=grey.get(FLASH),
        timing_light=None if light is None else TimingLight(grey[LIGHT], light.rate, light.duty),
        white=float(film.white),
        where=where,
    )


def _fixed(followed: TrackingResult) -> tuple[list[str], Array, Array]:
    """Names, positions (frames, n, 2) and covariances of the fixed targets; NaN where hidden."""
    tracks = followed.tracks
    which = [i for i, mark in enumerate(tracks.marks) if mark.startswith(f"{SURVEY}.")]
    position = np.where(tracks.measured[:, which, None], tracks.position[:, which], np.nan)
    names = [tracks.marks[i].split(".", 1)[1] for i in which]
    return names, position, tracks.covariance[:, which]


def _pose(
    record: Record,
    name: str,
    size: tuple[int, int],
    lens: Lens | None,
    followed: TrackingResult,
    steady: Steadiness,
) -> Resection:
    entry = record.cameras[name]
    rough = None if entry.position is None else np.array(entry.position)
    surveyed = {n: t for n, t in entry.survey.items() if t.at is not None}
    if not surveyed:
        return camera_from_bars(
            [
                _bar(record, f"bar {i + 1}", bar, steady.steady(bar.frame, np.array(bar.pixels)))
                for i, bar in enumerate(entry.scale)
            ],
            size=size,
            lens=lens,
            rough_position=rough,
            where=f"cameras.{name}.scale",
        )
    names, _, _ = _fixed(followed)
    position, covariance = steady.reference, steady.reference_covariance
    kept = [i for i, n in enumerate(names) if n in surveyed and np.isfinite(position[i]).all()]
    return resect(
        [names[i] for i in kept],
        np.array([surveyed[names[i]].at for i in kept]).reshape(-1, 3),
        position[kept],
        covariance[kept],
        size=size,
        lens=off_middle(lens, steady.motion),
        ground_u=record.survey.ground_u,
        rough_position=rough,
        where=f"cameras.{name}.survey",
    )


def off_middle(lens: Lens | None, motion: Array) -> Lens | None:
    """A given lens with what the mean of a film's weave (frames, 4) may be off the middle: where
    the picture sits on average over the film, its principal point and scale, isn't where it sat
    when the lens was calibrated. None stays None.
    """
    if lens is None or len(motion) < 8 or not motion.any():
        return lens
    variance = [_of_mean(each) for each in motion.T]
    covariance = lens.covariance.copy()
    covariance[2, 2] += variance[0]
    covariance[3, 3] += variance[1]
    focal = np.diag(lens.matrix)[:2]
    covariance[:2, :2] += variance[3] * np.outer(focal, focal)
    return replace(lens, covariance=covariance)


def _of_mean(series: Array) -> float:
    """Variance of the mean of a series (n,) that is correlated up to where its correlation first
    falls to zero.
    """
    off = series - series.mean()
    total = float(off @ off)
    if total == 0:
        return 0.0
    memory = 1.0
    for lag in range(1, len(off) // 2):
        beside = float(off[lag:] @ off[:-lag]) / total
        if beside <= 0:
            break
        memory += 2 * beside
    lost = min(2 * memory / len(off), 0.5)  # of the variance and the memory, to taking the mean
    return total / len(off) ** 2 * memory / (1 - lost)


def camera_by_bars(
    record: Record, name: str, size: tuple[int, int], lens: Lens | None
) -> Camera | None:
    """The camera as its scale bars alone have it; None where fixed targets are surveyed."""
    entry = record.cameras[name]
    if not entry.scale or any(t.at is not None for t in entry.survey.values()):
        return None
    try:
        return camera_from_bars(
            [
                _bar(record, f"bar {i + 1}", bar, np.array(bar.pixels))
                for i, bar in enumerate(entry.scale)
            ],
            size=size,
            lens=lens,
            rough_position=None if entry.position is None else np.array(entry.position),
            where=f"cameras.{name}.scale",
        ).camera
    except Problem:
        return None  # `_pose` will say what is wrong


def _bar(record: Record, name: str, bar: ScaleBar, pixels: Array) -> Bar:
    """The bar, its ends at `pixels` (2, 2), with its plane in ground axes: a vehicle is taken to
    stand with its origin on the ground, at the lateral offset of the test plan.
    """
    plane = 0.0 if bar.plane is None else bar.plane
    seen_from_above = bar.plane is None or bar.plane <= 0
    if bar.on is not None and not seen_from_above:
        plane += record.test.intended.offset or 0.0
    along_u = LEVEL_U if bar.length is None else 0.0
    return Bar(
        name, pixels, bar.length, bar.along, bar.depth, plane, pixel_u=BAR_PICK_U, along_u=along_u
    )


def _warnings(findings: tuple[Diagnostic, ...], where: str) -> list[Diagnostic]:
    return [finding.at(where) for finding in findings]


def _without(findings: Sequence[Diagnostic], copies: Repeated) -> list[Diagnostic]:
    """Findings without that of equal pictures, where the marks' motion says more about them."""
    return [f for f in findings if f.code != "frames_repeated" or not len(copies.frames)]
