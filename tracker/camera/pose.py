"""A camera's pose: by its surveyed fixed targets, else by its scale bars."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import Problem
from calibration.image_motion.stabilise import Stabilisation
from calibration.resection.pose import sightings
from calibration.resection.resect import Resection, resect
from calibration.scale_bars.camera import Bar, camera_from_bars
from calibration.scale_bars.options import SCALE_BARS
from tracker.camera.options import CAMERA
from tracker.record.camera import CameraEntry, ScaleBar
from tracker.record.schema import Record
from tracker.tracking import TrackingResult


def camera_pose(
    record: Record,
    name: str,
    size: tuple[int, int],
    lens: Lens | None,
    followed: TrackingResult,
    stabilisation: Stabilisation,
) -> Resection:
    """The camera's pose by its fixed targets; without surveyed ones, by its scale bars."""
    entry = record.cameras[name]
    rough = None if entry.position is None else np.array(entry.position)
    surveyed = {n: t for n, t in entry.survey.items() if t.at is not None}
    if not surveyed:
        return camera_from_bars(
            _bars(record, entry, stabilisation),
            size=size,
            lens=lens,
            rough_position=rough,
            where=f"cameras.{name}.scale",
        )
    names, _, _ = fixed_targets(followed)
    position, covariance = stabilisation.reference, stabilisation.reference_covariance
    usable = [i for i, n in enumerate(names) if n in surveyed and np.isfinite(position[i]).all()]
    return resect(
        sightings(
            [names[i] for i in usable],
            np.array([surveyed[names[i]].at for i in usable]).reshape(-1, 3),
            position[usable],
            covariance[usable],
            ground_u=record.survey.ground_u,
        ),
        size=size,
        lens=lens_with_weave(lens, stabilisation.motion),
        rough_position=rough,
        where=f"cameras.{name}.survey",
    )


def camera_by_bars(
    record: Record, name: str, size: tuple[int, int], lens: Lens | None
) -> Camera | None:
    """The camera as its scale bars alone have it; None where fixed targets are surveyed."""
    entry = record.cameras[name]
    if not entry.scale or any(t.at is not None for t in entry.survey.values()):
        return None
    try:
        return camera_from_bars(
            _bars(record, entry, None),
            size=size,
            lens=lens,
            rough_position=None if entry.position is None else np.array(entry.position),
            where=f"cameras.{name}.scale",
        ).camera
    except Problem:
        return None  # `camera_pose` reports what is wrong


def _bars(record: Record, entry: CameraEntry, stabilisation: Stabilisation | None) -> list[Bar]:
    """The scale bars of a camera, their ends in the stabilised picture."""
    found = []
    for i, bar in enumerate(entry.scale):
        pixels: Array = np.array(bar.pixels)
        placed = (
            pixels if stabilisation is None else stabilisation.stabilised_pixels(bar.frame, pixels)
        )
        found.append(_bar(record, f"bar {i + 1}", bar, placed))
    return found


def _bar(record: Record, name: str, bar: ScaleBar, pixels: Array) -> Bar:
    """The bar, its ends at `pixels` (2, 2), with its plane in ground axes: a vehicle is taken to
    stand with its origin on the ground, at the lateral offset of the test plan.
    """
    plane = 0.0 if bar.plane is None else bar.plane
    seen_from_above = bar.plane is None or bar.plane <= 0
    if bar.on is not None and not seen_from_above:
        plane += record.test.intended.offset or 0.0
    along_u = SCALE_BARS.level_u if bar.length is None else 0.0
    return Bar(
        name,
        pixels,
        bar.length,
        bar.along,
        bar.depth,
        plane,
        pixel_u=CAMERA.bar_pick_u,
        along_u=along_u,
    )


def fixed_targets(followed: TrackingResult) -> tuple[list[str], Array, Array]:
    """Names, positions (frames, n, 2) and covariances of the fixed targets; NaN where hidden."""
    tracks = followed.tracks
    which = [i for i, mark in enumerate(tracks.marks) if mark.is_fixed]
    position = np.where(tracks.measured_mask[:, which, None], tracks.position[:, which], np.nan)
    names = [tracks.marks[i].marker for i in which]
    return names, position, tracks.covariance[:, which]


def lens_with_weave(lens: Lens | None, motion: Array) -> Lens | None:
    """A given lens with what the mean of a film's weave (frames, 4) may be off the middle: where
    the picture sits on average over the film, its principal point and scale, isn't where it sat
    when the lens was calibrated. None stays None.
    """
    if lens is None or len(motion) < CAMERA.weave_frames or not motion.any():
        return lens
    variance = [_mean_variance(each) for each in motion.T]
    covariance = lens.covariance.copy()
    covariance[2, 2] += variance[0]
    covariance[3, 3] += variance[1]
    focal = np.diag(lens.matrix)[:2]
    covariance[:2, :2] += variance[3] * np.outer(focal, focal)
    return replace(lens, covariance=covariance)


def _mean_variance(series: Array) -> float:
    """Variance of the mean of a series (n,) that is correlated up to where its correlation first
    falls to zero.
    """
    off = series - series.mean()
    total = float(off @ off)
    if total == 0:
        return 0.0
    memory = 1.0
    for lag in range(1, len(off) // 2):
        correlation = float(off[lag:] @ off[:-lag]) / total
        if correlation <= 0:
            break
        memory += 2 * correlation
    # of the variance and the memory, by taking the mean
    lost = min(2 * memory / len(off), CAMERA.weave_memory)
    return total / len(off) ** 2 * memory / (1 - lost)
