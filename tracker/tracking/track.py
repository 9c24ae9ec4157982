"""All marks of a camera through its film, in one pass each way."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from tracker.core.types import Mark, Progress, Tracks
from tracker.film import Film, Luma, RepeatDetector
from tracker.tracking.anchors import AnchorLog
from tracker.tracking.checkpoints import PassMemory
from tracker.tracking.coding import coding_covariance
from tracker.tracking.passes import run_backward_pass, run_forward_pass
from tracker.tracking.plan import tracking_plan
from tracker.tracking.track_buffer import TrackBuffer
from tracker.tracking.types import Corrections, TrackingResult


def track_marks(
    film: Film,
    camera: str,
    marks: Sequence[Mark],
    *,
    duty: float = 0.0,
    corrections: Corrections | None = None,
    progress: Progress | None = None,
    listeners: Sequence[Callable[[int, Luma], None]] = (),
    memory: PassMemory | None = None,
) -> TrackingResult:
    """Measure every mark in every frame that shows it.

    From their picks, marks are tracked to the end of the film and, where a pick is in a later
    frame, back to its beginning. A mark is predicted from its own motion and from that of its
    body's other marks, and measured only where it looks like itself; else it is hidden, without a
    position, until it is found again where its body says. Hidden to an end of the film is lost.

    Parameters
    ----------
    film : read once forwards, and backwards from picks that are not in its first frame.
    camera : its name, for findings and progress.
    marks : the marks with their picks; fixed targets are the ground, which stands still but for
        the shaking of the picture.
    duty : exposure over the time from frame to frame, for the motion blur; 0 for none.
    corrections : a person's places, kept as they are with half a pixel of uncertainty and tracked
        from both ways, and spans in which a mark is not measured.
    progress : called with (camera, frames done, frames).
    listeners : called with every frame of the film once, (index, luma), ascending.
    memory : an earlier pass through this film and room for this one; what both have in common is
        taken from it, and listeners are not called for the frames up to `memory.resumed_after`.
    """
    plan = tracking_plan(film, camera, marks, duty, corrections or Corrections())
    buffer = TrackBuffer(film.frames, len(marks))
    repeats = RepeatDetector()
    anchors = AnchorLog()
    first = 0 if listeners else plan.first
    run_forward_pass(
        plan, buffer, anchors, first, repeats, listeners, memory or PassMemory(None), progress
    )
    run_backward_pass(plan, buffer, anchors, progress)
    covariance = buffer.covariance + coding_covariance(buffer.place, buffer.contrast, buffer.step)
    tracks = Tracks(camera, plan.names, buffer.place, covariance, buffer.final_status())
    return TrackingResult(
        tracks=tracks,
        ratio=buffer.ratio,
        contrast=buffer.contrast,
        visible=buffer.visible,
        shapes={plan.names[m]: shape for m, shape in anchors.shapes.items()},
        findings=(*anchors.findings, *repeats.findings(camera)),
    )
