"""Numbers that steer the time of frames: frame rates, time stamps, timing lights."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class TimeOptions:
    """Frame rates, time stamps and stated time zeros."""

    rate_u: float = option(
        1e-4,
        "1",
        (1e-7, 1e-2),
        "nominal rates and time stamps are less certain",
        "a camera's quartz with some margin; common practice, no source",
    )
    usable: float = option(
        0.02, "1", (0.001, 0.2), "time stamps that differ more from the nominal rate are still used"
    )
    playback_rate: float = option(
        70.0,
        "1/s",
        (25, 200),
        "faster time stamps still count as written for slow motion; beyond, they are a "
        "camera's, and another stated rate is a contradiction",
    )
    playback_share: float = option(
        0.5, "1", (0.1, 0.9), "stamps that differ less than this contradict the stated rate anyway"
    )
    different: float = option(
        5e-4, "1", (1e-5, 0.01), "rates must differ more to be reported, beyond their uncertainty"
    )
    different_sigmas: float = option(3.0, "1", (2, 5), "likewise, in sigmas", "3-sigma rule")
    light_different: float = option(
        5e-3,
        "1",
        (1e-4, 0.05),
        "likewise, of a timing light's rate: lamps are mistyped, not detuned",
    )
    uneven: float = option(
        0.35, "frame interval", (0.1, 0.5), "time stamps may scatter more and be called rounded"
    )
    gap_steps: float = option(
        1.5, "median step", (1.1, 1.9), "longer steps still count for the usual interval"
    )
    part_frame_u: float = option(
        0.1,
        "frame",
        (0.01, 0.3),
        "time zeros stated with a fraction are less certain",
        "a fraction states knowledge within the frame",
    )


TIME = TimeOptions()


@dataclass(frozen=True)
class TimingLightOptions:
    """Finding and numbering the edges of a light that blinks at a known rate."""

    least_frames: int = option(8, "frame", (4, 100), "films must be longer")
    least_edges: int = option(4, "1", (3, 20), "more edges are needed")
    least_period: float = option(2.5, "frame", (2, 10), "lights must blink more slowly")
    least_exposure: float = option(
        1e-3, "frame interval", (1e-5, 0.1), "exposures count as no shorter than this"
    )
    resolved: float = option(
        1.4, "frame interval", (1, 3), "light and dark must last longer for edges, not flashes"
    )
    level_percentile: float = option(
        2.0, "%", (0.1, 20), "dark and light levels are first taken farther from the extremes"
    )
    level_frames: float = option(
        60.0, "frame", (10, 1000), "levels follow slower drift of the scene's brightness"
    )
    level_flashes: float = option(12.0, "flash", (3, 100), "likewise, counted in flashes")
    whole_frames: int = option(
        5, "1", (2, 50), "more frames with like neighbours are needed; else the extremes are levels"
    )
    extreme_percentile: float = option(
        25.0, "%", (5, 50), "more of the frames count as such extremes"
    )
    noise_floor: float = option(1e-6, "contrast", (1e-9, 1e-3), "noise is taken to be larger")
    least_contrast: float = option(6.0, "noise", (3, 20), "the light must blink more strongly")
    period_near: float = option(
        0.3, "1", (0.05, 0.5), "steps farther from the stated period still agree with it"
    )
    period_share: float = option(
        1 / 3, "1", (0.1, 1), "more steps must agree for the stated period to be used"
    )
    partial: float = option(
        0.03, "1", (0.001, 0.2), "frames must be lit more, and less than wholly, to hold an edge"
    )
    partial_noise: float = option(3.0, "noise", (1, 10), "likewise, in proportion to the noise")
    partial_most: float = option(0.3, "1", (0.1, 0.45), "likewise, at most")
    exposure_u: float = option(
        0.03, "frame interval", (0.001, 0.3), "exposures found from the edges are less certain"
    )
    edge_tolerance: float = option(
        0.01, "1", (0.001, 0.2), "edges in frames nearly dark or lit lie between two frames"
    )
    edge_noise: float = option(5.0, "noise", (1, 10), "likewise, in proportion to the noise")
    edge_most: float = option(0.25, "1", (0.1, 0.45), "likewise, at most")
    edge_noise_gain: float = option(
        1.5, "1", (1, 3), "an edge's place is less certain for the same noise", "two noisy levels"
    )
    edge_u: float = option(
        0.01, "exposure", (0.001, 0.1), "an edge's place is less certain, noise or not"
    )
    flash_seen: float = option(0.08, "1", (0.01, 0.5), "frames must be lit more to show a flash")
    flash_noise: float = option(4.0, "noise", (2, 10), "likewise, in proportion to the noise")
    flash_weak: float = option(
        0.3, "usual flash", (0.05, 0.9), "stronger flashes are still taken for reflections"
    )
    flash_whole: float = option(
        0.9, "usual flash", (0.5, 1), "flashes must be stronger to lie wholly in one frame"
    )
    flash_u: float = option(
        0.02, "frame interval", (0.001, 0.2), "a flash's place is less certain, noise or not"
    )
    flash_length_u: float = option(
        0.1, "flash", (0, 0.5), "a flash within a frame is placed less certainly by its length"
    )
    flash_reach: float = option(
        0.1, "frame interval", (0.01, 0.5), "a flash shared by two frames reaches farther at least"
    )
    length_share: float = option(
        0.1, "1", (0.01, 0.4), "flashes and pauses may differ more from their usual length"
    )
    off_beat: float = option(0.2, "period", (0.05, 0.4), "edges may be farther off the beat")
    off_beat_most: float = option(0.45, "period", (0.2, 0.49), "likewise, after long gaps")
    off_beat_growth: float = option(
        0.05, "1/period", (0, 0.5), "likewise, growing faster with the gap"
    )
    on_beat: float = option(
        0.1, "period", (0.01, 0.3), "edges farther off the beat still correct the local period"
    )
    period_gain: float = option(0.3, "1", (0.05, 1), "the local period follows the edges faster")
    outlier: float = option(4.5, "sd", (3, 10), "edges may be farther off the map")
    outlier_worst: float = option(
        0.4, "worst edge", (0.1, 1), "fewer edges are left out in one round"
    )
    outlier_rounds: int = option(10, "1", (1, 50), "edges are left out in more rounds")
    scatter: float = option(2.0, "1", (1.2, 5), "edges must scatter more to be reported")


TIMING_LIGHT = TimingLightOptions()


@dataclass(frozen=True)
class ClockSplineOptions:
    """The smooth map from frame number to time."""

    knot_periods: float = option(3.0, "period", (1, 20), "knots of the spline are sparser")
    most_pieces: int = option(60, "1", (4, 500), "long films have more knots")
    rounds: int = option(8, "1", (2, 50), "edges known only to a span are placed in more rounds")
    exact_edges: int = option(
        8, "1", (3, 50), "more exactly placed edges are needed to start from these alone"
    )
    span_weight: float = option(
        1e3, "1", (10, 1e6), "edges known only to a span bear less in such a start"
    )
    penalties: int = option(91, "1", (10, 1000), "more weights of the penalty are tried")
    penalty_low: float = option(
        14.0, "decade", (6, 18), "weaker penalties are tried, below the stiffest mode"
    )
    penalty_high: float = option(4.0, "decade", (1, 8), "stronger penalties are tried, above it")
    mixing: float = option(
        0.5,
        "1",
        (0.1, 1),
        "edges known only to a span move faster",
        "damped expectation propagation",
    )


CLOCK_SPLINE = ClockSplineOptions()


@dataclass(frozen=True)
class FlashOptions:
    """Finding a lamp that comes on, and the moment at which it began to shine."""

    before: int = option(24, "frame", (8, 200), "the dark level rests on more frames before it")
    after: int = option(8, "frame", (4, 100), "more lit frames than the rise takes are fitted")
    after_rises: float = option(
        1.5, "1", (1, 5), "likewise, as a multiple of the frames to the full light"
    )
    after_most: int = option(200, "frame", (20, 2000), "likewise, at most")
    full: float = option(0.95, "1", (0.8, 0.99), "the lamp counts as fully lit later")
    leaving: float = option(
        0.3, "1", (0.05, 0.9), "a lamp that has decayed to this share of its light isn't followed"
    )
    early: float = option(2.0, "frame", (1, 10), "the onset may lie earlier")
    early_share: float = option(0.5, "1", (0.1, 2), "likewise, times the frames to full light")
    late: float = option(0.5, "frame", (0, 3), "the onset may be farther after it")
    detected: float = option(5.0, "sd", (3, 10), "a frame must be brighter to count as lit")
    largest: float = option(
        1.5, "1", (1, 3), "the largest step must be larger: times that of a lit frame"
    )
    line_frames: int = option(
        8, "frame", (3, 50), "a dark level that slopes is found from more frames before"
    )
    saturated: float = option(
        0.98, "white", (0.8, 1), "a brighter region still shows something of the light"
    )
    coded_memory: float = option(
        0.5,
        "1",
        (0, 0.95),
        "what a coded film shows wrongly of a sudden change goes on longer",
        "rendered H.264 films: the second lit frame errs as much as the first, later ones less",
    )
    noise_least: float = option(
        1e-4, "peak", (1e-6, 1e-2), "a steady film's noise is taken to be larger"
    )
    gone: float = option(0.2, "peak", (0.05, 0.5), "a light counts as gone while brighter")
    again: float = option(0.6, "peak", (0.3, 0.95), "a second flash must be brighter to count")
    short: float = option(0.2, "first", (0.05, 0.5), "flashes that last longer count as short")
    brief: float = option(
        0.5, "second", (0.2, 0.9), "flashes that last longer are placed by their first frames alone"
    )
    slow: float = option(
        0.2, "frame", (0.02, 2), "lamps must rise more slowly for that to be reported"
    )
    rise_least: float = option(
        1e-6, "s", (1e-9, 1e-4), "the quickest lamp is slower", "light-emitting diodes"
    )
    rise_most: float = option(
        8e-3, "s", (1e-3, 0.1), "the slowest lamp is slower", "flash bulbs and filaments"
    )
    rise_power: float = option(
        0.5,
        "1",
        (0, 1),
        "slower lamps are thought likelier: at 0 all alike on a logarithmic scale, at 1 on a "
        "linear one",
        "between the two, so that the quickest and the slowest hidden rise both lie within 2 u",
    )
    rise_seen: float = option(
        0.03, "frame", (1e-3, 0.2), "quicker lamps count as at once on in the scan"
    )
    rises_first: int = option(14, "1", (5, 100), "rise times are first scanned more finely")
    rises: int = option(20, "1", (5, 100), "rise times are scanned more finely")
    decay_least: float = option(1.0, "frame", (0.2, 10), "the briefest lamp lasts longer")
    decay_most: float = option(300.0, "frame", (30, 1e4), "the steadiest decay is slower")
    decays_first: int = option(24, "1", (5, 200), "decays are first scanned more finely")
    decays: int = option(10, "1", (5, 100), "decays are scanned more finely")
    steady: float = option(0.5, "1", (0.05, 0.95), "lamps are thought likelier to be steady")
    onsets: int = option(24, "1", (10, 500), "onsets are scanned more finely")
    closer: int = option(8, "1", (1, 20), "rises and decays are closed in on in more rounds")
    stages: int = option(4, "1", (2, 6), "the scan closes in on the onset in more stages")
    likely_log_probability: float = option(
        12.0, "1", (5, 50), "less probable lamps and onsets are still looked at"
    )
    instant_log_evidence: float = option(
        4.5, "1", (1, 20), "a rise must be clearer to be taken as seen", "3-sigma rule"
    )
    misfit: float = option(
        2.0, "1", (1.2, 10), "residuals must be larger for the noise to be raised to them"
    )
    flicker_frames: int = option(
        8, "frame", (3, 50), "slower changes of the rest of the picture count as flicker"
    )
    flicker_correlation: float = option(
        0.5, "1", (0.2, 0.95), "the region must follow the rest of the picture more closely"
    )


FLASH = FlashOptions()
