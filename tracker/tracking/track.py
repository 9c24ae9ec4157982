"""All marks of a camera through its film, in one pass each way."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from tracker.core.types import Mark, Progress, Tracks
from tracker.film import Film, Luma, Repeats
from tracker.tracking.passes import Anchors, back, course, there
from tracker.tracking.track_buffer import Tape
from tracker.tracking.types import Edited, Excluded, Followed


def follow(
    film: Film,
    camera: str,
    marks: Sequence[Mark],
    *,
    exposure_s: float | None = None,
    interval_s: float | None = None,
    bodies: Mapping[str, str] | None = None,
    edits: Sequence[Edited] = (),
    ruled_out: Sequence[Excluded] = (),
    progress: Progress | None = None,
    also: Sequence[Callable[[int, Luma], None]] = (),
) -> Followed:
    """Measure every mark in every frame that shows it.

    From their picks, marks are followed to the end of the film and, where a pick is in a later
    frame, back to its beginning. A mark is predicted from its own motion and from that of its
    body's other marks, and measured only where it looks like itself; else it is hidden, without a
    position, until it is found again where its body says. Hidden to an end of the film is lost.

    `exposure_s` and `interval_s` (s) give the motion blur; None for none. `bodies` names the body
    of each mark; without it, it is the part of the name before the dot. The body "survey" is the
    ground, which stands still but for the shaking of the picture. `edits` are kept as they are,
    with half a pixel of uncertainty, and followed from there both ways. `also` are told every
    frame of the film once, (index, luma), ascending.
    """
    duty = exposure_s / interval_s if exposure_s and interval_s else 0.0
    plan = course(film, camera, marks, duty, bodies or {}, edits, ruled_out)
    tape = Tape(film.frames, len(marks))
    repeats = Repeats()
    anchors = Anchors()
    there(plan, tape, anchors, 0 if also else plan.first, (repeats.see, *also), progress)
    back(plan, tape, anchors, progress)
    tracks = Tracks(camera, plan.names, tape.place, tape.covariance, tape.finished())
    return Followed(
        tracks=tracks,
        ratio=tape.ratio,
        contrast=tape.contrast,
        visible=tape.visible,
        shapes={plan.names[m]: shape for m, shape in anchors.shapes.items()},
        findings=(*anchors.findings, *repeats.findings(camera)),
    )
