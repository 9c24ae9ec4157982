"""A camera's marks through its film, with what the next time needs to go on from a change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.camera.brightness import Brightness, Region, light_table
from tracker.core.types import Mark, Progress
from tracker.film import Film
from tracker.record.camera import CameraEntry
from tracker.tracking import (
    Corrections,
    PassMemory,
    RememberedPass,
    TrackingResult,
    track_marks,
)


@dataclass(frozen=True)
class TrackedFilm:
    """Tracks of the marks, mean grey (frames,) of the regions of light, and the film's faults."""

    followed: TrackingResult
    brightness: Mapping[str, Array]
    faults: tuple[Diagnostic, ...]


@dataclass(frozen=True)
class RememberedTracking:
    """A film as it was tracked, and where the forward pass stood at some frames."""

    tracked: TrackedFilm
    forward_pass: RememberedPass | None


def track_film(
    film: Film,
    name: str,
    entry: CameraEntry,
    marks: tuple[Mark, ...],
    regions: Mapping[str, Region | None],
    progress: Progress,
) -> TrackedFilm:
    """Track the marks through a film, and take the mean grey of regions on the way."""
    return track_film_again(film, name, entry, marks, regions, progress, None).tracked


def track_film_again(
    film: Film,
    name: str,
    entry: CameraEntry,
    marks: tuple[Mark, ...],
    regions: Mapping[str, Region | None],
    progress: Progress,
    earlier: RememberedTracking | None,
) -> RememberedTracking:
    """What `track_film` gives, and what the next time needs.

    `earlier`: how the same film was tracked before, with the same regions; frames before the first
    change are taken from it. A film with faults is read from its beginning: what a damaged frame
    looks like depends on where reading began.
    """
    known = earlier
    if earlier is not None and not set(earlier.tracked.faults) <= set(film.findings):
        known = None
    memory = PassMemory(None if known is None else known.forward_pass)
    grey = Brightness(film.frames, regions, region_light(film, entry))
    exposure = 0.0 if entry.exposure is None else entry.exposure
    duty = 0.0 if np.isnan(film.rate) else exposure / (1 / film.rate)
    followed = track_marks(
        film,
        name,
        marks,
        duty=duty,
        corrections=Corrections(entry.edits, entry.ruled_out),
        progress=progress,
        listeners=(grey.add_frame,) if regions else (),
        memory=memory,
    )
    if known is not None:
        before = slice(0, memory.resumed_after + 1)
        for region, mean in grey.means.items():
            mean[before] = known.tracked.brightness[region][before]
    tracked = TrackedFilm(followed, grey.means, film.with_faults().findings)
    return RememberedTracking(tracked, memory.present_pass)


def region_light(film: Film, entry: CameraEntry) -> Array | None:
    """The light (levels,) of each grey level; None where it is in proportion."""
    return None if entry.time.gamma == 1 else light_table(film.white, entry.time.gamma)
