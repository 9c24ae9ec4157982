"""Numbers that steer tracking. Lengths are px of the picture, times are frames.

Compiled functions take their copies when they are compiled, and numba keeps compiled code on disk
by the time stamp of its own module: after a change here, delete the `__pycache__` beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class TrackingOptions:
    """How marks are predicted, searched, rejected and accepted from frame to frame."""

    # Picks
    stands_out: float = option(
        8.0, "1", (3.0, 20.0), "contrast over residual from which a spoilt mark is believed"
    )
    spoilt_visible: float = option(
        0.6, "1", (0.3, 0.9), "visible part from which a spoilt mark is believed at its pick"
    )
    spoilt_size_low: float = option(
        0.8, "1", (0.5, 1.0), "least size over the expected one for a spoilt mark to be measured"
    )
    spoilt_size_high: float = option(
        1.25, "1", (1.0, 2.0), "largest size over the expected one for a spoilt mark to be measured"
    )
    edit_u: float = option(
        0.5, "px", (0.05, 5.0), "standard uncertainty of a person's place, each axis"
    )
    usual_noise: float = option(
        0.8, "1", (0.0, 1.0), "least noise of a mark over the median of all marks of the film"
    )
    entry_interval: int = option(
        4, "frames", (1, 50), "larger: marks outside the picture are looked for less often"
    )
    entry_margin: float = option(
        10.0, "px", (0.0, 100.0), "margin to the picture's edge where a mark's size is unknown"
    )
    passes_meet: float = option(
        0.5, "px", (0.05, 3.0), "distance at which the backward pass has met the forward pass"
    )

    # Prediction
    velocity_gain: float = option(
        0.5, "1", (0.05, 1.0), "share of an innovation that is taken for a change of velocity"
    )
    innovation_share: float = option(
        0.2, "1", (0.01, 1.0), "share of a frame's innovation in its running mean"
    )
    innovation_cap: float = option(
        10.0, "px", (1.0, 100.0), "most that one frame's innovation counts in its mean"
    )
    search_first: float = option(
        1.0, "px", (0.1, 10.0), "mean innovation from which every frame is searched before fitting"
    )
    same_place: float = option(
        0.4, "px", (0.05, 3.0), "predictions closer than this are tried once only"
    )
    patience: int = option(
        300, "frames", (10, 5000), "hidden frames after which a mark is sought less often"
    )
    late_interval: int = option(
        5, "frames", (1, 50), "after `patience` a mark is sought in one of this many frames"
    )
    checkpoints: int = option(
        9, "1", (0, 100), "a change late in a film is followed from nearer to it"
    )
    reference_interval: int = option(
        8, "frames", (1, 100), "frames after which a mark's reference picture is renewed"
    )
    reference_visible: float = option(
        0.85, "1", (0.3, 1.0), "visible part from which a reference picture may be cut"
    )

    # Layout
    layout_scale: float = option(
        0.5, "px", (0.05, 5.0), "residual from which a mark loses weight in its body's motion"
    )
    layout_flat: float = option(
        0.15, "1", (0.0, 1.0), "spread across over along below which marks count as a line"
    )
    layout_iterations: int = option(6, "1", (1, 50), "reweighted passes of a body's motion")

    # Coarse search
    correlated: float = option(
        0.45, "1", (0.1, 0.95), "correlation from which the coarse search has found a mark"
    )
    reference_ground: int = option(
        3, "px", (0, 20), "ground round a mark that belongs to its reference picture"
    )
    reference_half: int = option(40, "px", (8, 200), "half width of the largest reference picture")
    distance_penalty: float = option(
        0.1, "1", (0.0, 0.5), "correlation that a shift at the edge of the reach loses"
    )
    least_area_change: float = option(
        0.2, "1", (0.01, 1.0), "change of area below which a reference picture is not turned"
    )
    most_area_change: float = option(
        5.0, "1", (1.0, 100.0), "change of area beyond which a reference picture is not turned"
    )
    mate_reach: float = option(
        3.0, "px", (1.0, 20.0), "reach round the place that a mark's mates give it"
    )
    mate_reach_growth: float = option(
        0.1, "px/frame", (0.0, 2.0), "growth of that reach with each hidden frame"
    )
    mate_reach_most: float = option(16.0, "px", (2.0, 100.0), "largest reach round that place")
    mate_reach_least: float = option(2.0, "px", (1.0, 10.0), "least reach round that place")
    own_share: float = option(
        0.4, "1", (0.1, 0.5), "share of the distance to the next like mark that is a mark's own"
    )
    body_interval_after: int = option(
        12, "frames", (1, 200), "hidden frames after which a whole body is sought less often"
    )
    body_interval: int = option(
        4, "frames", (1, 50), "a body hidden for long is sought in one of this many frames"
    )
    body_reach: float = option(
        6.0, "px", (1.0, 50.0), "reach of the search for a body of which nothing is seen"
    )
    body_reach_speed: float = option(
        0.5, "frames", (0.0, 5.0), "growth of that reach with the body's speed"
    )
    body_reach_growth: float = option(
        0.3, "px/frame", (0.0, 5.0), "growth of that reach with each hidden frame"
    )
    body_reach_fresh: float = option(
        12.0, "px", (1.0, 100.0), "that reach, besides a mark's size, while no velocity is known"
    )
    body_reach_most: float = option(48.0, "px", (8.0, 300.0), "largest reach of the coarse search")
    body_way_most: float = option(
        400.0, "px", (10.0, 5000.0), "half of the farthest way on which a body is sought"
    )
    spread: float = option(
        3.0, "px", (1.0, 20.0), "how far marks may be from their body's common shift"
    )
    spread_growth: float = option(
        0.4, "px/frame", (0.0, 5.0), "growth of that distance with each hidden frame"
    )
    spread_least: float = option(8.0, "px", (1.0, 50.0), "least bound of that distance")
    spread_share: float = option(
        0.25, "1", (0.05, 0.5), "bound of that distance over the spacing of like marks"
    )
    spacing_most: float = option(
        64.0, "px", (10.0, 500.0), "spacing of like marks beyond which it no longer counts"
    )
    rival_apart: float = option(
        6.0, "px", (1.0, 50.0), "distance, besides twice the spread, from which a shift is another"
    )
    rival_share: float = option(
        0.5, "1", (0.1, 1.0), "the same over the spacing of like marks, where that is more"
    )
    lead: float = option(
        0.35, "marks", (0.0, 5.0), "lead of a common shift over any other if all marks are seen"
    )
    lead_in_part: float = option(
        1.0, "marks", (0.0, 5.0), "lead of a common shift over any other if some marks are seen"
    )
    stopping_frames: float = option(
        40.0, "frames", (1.0, 1000.0), "frames in which a body may be stopped unseen"
    )
    unseen_drift: float = option(
        0.05, "px/frame", (0.0, 2.0), "how fast an unseen body may otherwise leave its prediction"
    )

    # Checks
    drifted: float = option(
        2.0, "px", (0.3, 20.0), "distance from its place among the others that rejects a target"
    )
    inconsistent: float = option(
        2.5, "px", (0.3, 20.0), "innovation beyond that of the body that rejects a mark"
    )
    inconsistent_share: float = option(
        0.3, "1", (0.0, 0.5), "share of `inconsistent` below which no innovation can differ by it"
    )
    overlap: float = option(
        0.5, "1", (0.1, 1.0), "distance, in sizes, within which two marks claim one place"
    )
    whole_visible: float = option(
        0.86, "1", (0.5, 1.0), "visible part from which a measurement is reliable"
    )
    reliable_ratio: float = option(
        1.1, "1", (1.0, 2.0), "residual over noise up to which a measurement is reliable"
    )
    reliable_spread: float = option(
        1.1, "px", (0.0, 5.0), "what is added to it over the size: the spread of few pixels' noise",
        "twice the relative sd of a residual, 1 / sqrt(2 n), of n = 1.6 size squared pixels",
    )  # fmt: skip
    faint_whole: float = option(
        0.2, "1", (0.0, 1.0), "contrast over the strongest that rejects a mark seen whole"
    )
    faint_in_part: float = option(
        0.4, "1", (0.0, 1.0), "contrast over the strongest that rejects a mark seen in part"
    )
    least_visible: float = option(
        0.5, "1", (0.2, 0.9), "visible part below which a mark is rejected"
    )
    off_layout: float = option(
        0.3, "px", (0.05, 5.0), "distance from its place by reliable marks that rejects a mark"
    )
    off_layout_growth: float = option(
        0.01, "px/frame", (0.0, 1.0), "growth of that distance, since a body's picture bends"
    )
    off_layout_misfit: float = option(
        2.0, "1", (0.0, 10.0), "growth of it with how badly the reliable marks fit one motion"
    )
    off_layout_memory: int = option(
        300, "frames", (1, 1000), "age up to which reliable places are compared with"
    )
    confirmations: int = option(
        3, "frames", (1, 20), "frames in a row in which a mark found again must be measured"
    )

    # Coding
    coding_share: float = option(
        0.5, "1", (0.0, 2.0), "error of a moving mark over its coder's step over its contrast",
        "measured: H.264 at crf 12, 18, 24 and 30, tests/bench/film_look.py, seed 100",
    )  # fmt: skip
    coding_most: float = option(
        0.125, "px", (0.0, 0.5), "largest such error: coders shift blocks by quarters of a pixel"
    )
    coding_still: float = option(
        0.012,
        "px/frame",
        (0.001, 0.5),
        "speed below which a mark is rather coded as standing still",
    )
    coding_frames: int = option(9, "frames", (1, 51), "frames over which that speed is the mean")

    # Reading
    read_ahead: int = option(4, "frames", (1, 64), "frames decoded in advance")


TRACKING = TrackingOptions()
