"""Numbers that steer which evidence is believed, and what is warned of."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class RobustOptions:
    """Which marks and which surveyed places are believed."""

    student_dof: float = option(
        5.0,
        "1",
        (1, 50),
        "Student t while outliers are unknown: shorter tails",
        "Lange et al. 1989",
    )
    reject_sds: float = option(5.0, "sd", (3, 20), "distance beyond which a mark is rejected")
    persistent_share: float = option(
        0.5, "1", (0.1, 0.9), "share of good positions below which a whole mark is rejected"
    )
    variance_cap: float = option(
        6.0, "1", (1, 100), "variance over the usual one by which a mark is judged, at the most"
    )
    jitter_share: float = option(
        0.2, "1", (0, 2), "share of the variance of a frame's mean from which jitter counts"
    )
    jitter_pairs: int = option(60, "1", (10, 1e4), "pairs of marks from which jitter is estimated")
    jitter_least: float = option(1e-8, "px2", (0, 1), "least variance of jitter")
    unsurveyed_u: float = option(2.0, "m", (0.2, 100), "prior sd of an unsurveyed marker: freer")
    wrong_sds: float = option(
        5.0, "sd", (3, 20), "distance from its surveyed place that makes a marker unsurveyed"
    )
    determined: float = option(
        0.05, "1", (0.001, 0.5), "share of a place's sd that films must determine to judge it"
    )
    survey_factor: float = option(
        2.0, "1", (1, 10), "usual distance in sds above which the survey's u is raised"
    )
    fewest_markers: int = option(4, "1", (3, 50), "surveyed markers from which they are judged")
    most_unsurveyed: int = option(
        3, "1", (2, 20), "at most one marker in this many is made unsurveyed"
    )
    disagree_once: float = option(
        1e5,
        "films",
        (100, 1e9),
        "sound calibrations are taken to disagree once in so many films: fewer warnings",
    )
    disagree_information: float = option(
        0.1,
        "1",
        (0.01, 0.9),
        "share of its variance that the films must determine of a camera's unknown to judge it",
    )
    disagree_rounds: int = option(
        4, "1", (0, 10), "most rounds in which cameras that disagree are given more room"
    )
    disagree_scatter: float = option(
        4.0,
        "1",
        (1.5, 100),
        "scatter of a camera's marks in their sds from which calibrations are tried as its cause",
    )
    disagree_explained: float = option(
        0.5, "1", (0.1, 0.9), "share of that scatter that may be left for them to be its cause"
    )
    survey_checks: int = option(8, "1", (0, 50), "most rounds of the check of the survey")
    flexing_rounds: int = option(6, "1", (0, 12), "searches for marks that swing after contact")
    flexing_frames: int = option(
        20, "frames", (5, 500), "before and after contact, from which a mark is seen to swing"
    )
    flexing_of_most: float = option(
        0.3, "1", (0, 1), "of the vehicle's mark that swings most, to be taken beside it: fewer"
    )
    flexing_growth: float = option(
        1.5, "1", (1.05, 10), "of a mark's widened variance that asks for another round: fewer"
    )
    flexing_sds: float = option(
        5.0, "sd", (2, 20), "covariance of neighbouring residuals after contact that is clear"
    )
    flexing_share: float = option(
        0.5, "1", (0.05, 5), "the same over the variance before contact: fewer marks swing"
    )
    flexing_lasting: float = option(
        4.0,
        "1",
        (0, 50),
        "the same over the variance of the lasting error that each mark is allowed: fewer marks",
    )
    flexing_power: float = option(
        14.0,
        "1",
        (8, 100),
        "spectral density of what a camera's marks do together after contact, over that of their "
        "errors, from which they swing: fewer",
        "white noise of 1000 frequencies exceeds 14 in 1 of 1000 films",
    )
    panel_slowest: float = option(
        8.0, "Hz", (1, 30), "panels swing faster", "common practice, no source"
    )
    panel_fastest: float = option(
        100.0,
        "Hz",
        (30, 500),
        "panels that swing visibly do so slower",
        "common practice, no source",
    )


@dataclass(frozen=True)
class DiagnosticOptions:
    """When a solution is refused, and what gives a warning."""

    observed_share: float = option(
        0.5, "1", (0.05, 1), "posterior over prior sd up to which a component counts as observed"
    )
    unseen_gap: float = option(
        0.2, "s", (0.02, 10), "a vehicle must be out of sight for longer for a warning"
    )
    refused_sds: float = option(
        10.0,
        "sd",
        (3, 100),
        "scatter of a camera's marks by which it contradicts the motion",
        "common practice, no source",
    )
    refused_px: float = option(3.0, "px", (0.5, 50), "the same in px rms; both must be exceeded")
    jitter_px: float = option(0.005, "px", (0, 1), "common jitter that is reported")
    outnumbered: int = option(
        2, "1", (1, 20), "marks left out of a vehicle, no fewer than are kept, that are reported"
    )
    scattered: float = option(
        4.0, "1", (1.5, 50), "variance over the camera's usual one from which a mark is named"
    )
    noise_factor: float = option(2.0, "1", (1, 20), "variance factor that is reported")
    lag_one: float = option(0.3, "1", (0, 1), "correlation from frame to frame that is reported")
    correlated_share: float = option(0.1, "1", (0, 1), "correlated share that is reported")


ROBUST = RobustOptions()
DIAGNOSTICS = DiagnosticOptions()
