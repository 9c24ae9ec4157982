"""Numbers that steer a camera's pose from surveyed points."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option

_LENSES = "common practice of ordinary camera lenses, no source"


@dataclass(frozen=True)
class ResectionOptions:
    """Priors of open lenses, limits of a plausible pose, tests for blunders, least squares."""

    ground_u: float = option(
        0.002, "m", (1e-4, 0.1), "surveyed coordinates are taken to be less certain", "a tape"
    )
    focal_known: float = option(
        0.03,
        "1",
        (0.005, 0.2),
        "a less certain focal length still counts as determined by the survey; beyond, the stated "
        "rough position of the camera is used",
    )
    rough_u: float = option(
        0.3, "m", (0.05, 5), "a stated rough position bears less on the camera", "paced distances"
    )
    rough_relative_u: float = option(
        0.05, "1", (0.01, 0.5), "likewise, in proportion to the distance", "paced distances"
    )
    largest_rms: float = option(
        0.02, "picture", (0.002, 0.2), "worse fits are still taken to be a camera"
    )
    least_breadth: float = option(
        0.01, "1", (1e-4, 0.1), "points nearer to one line, or to one plane, count as lying on it"
    )
    ambiguity_turn: float = option(
        0.01, "rad", (1e-3, 0.1), "poses must differ more to be two poses, not one"
    )
    ambiguity_sigmas: float = option(
        5.0, "1", (2, 10), "likewise, in proportion to their uncertainty"
    )
    alike_chi_square: float = option(
        9.0, "1", (1, 50), "poses and groups of points fit alike at larger differences", "3 sigma"
    )
    position_differs: float = option(
        0.2, "distance", (0.05, 1), "the camera may be farther from its stated rough position"
    )
    position_differs_least: float = option(1.0, "m", (0.1, 10), "likewise, at least")
    clean_chance: float = option(
        1e-3, "1", (1e-6, 0.05), "more clean surveys are called contradictory", "data snooping"
    )
    blunder_chance: float = option(
        1e-4, "1", (1e-7, 0.05), "more clean points are called wrong", "data snooping"
    )
    pair_points: int = option(
        12, "1", (3, 50), "pairs of wrong points are searched among more points"
    )
    focal_picture_widths: float = option(
        1.6, "picture width", (0.5, 5), "an open lens is taken to be longer", _LENSES
    )
    focal_log_sd: float = option(
        1.0, "1", (0.1, 2), "an open focal length is less certain", _LENSES
    )
    focal_log_sd_flat: float = option(
        0.4, "1", (0.1, 2), "likewise, where the survey does not determine it", _LENSES
    )
    centre_u: float = option(
        0.05, "picture width", (1e-3, 0.2), "an open principal point is less certain", _LENSES
    )
    k1_corner_u: float = option(
        0.05, "1", (1e-3, 0.5), "open radial distortion may be larger at the corner", _LENSES
    )
    k2_corner_u: float = option(0.01, "1", (1e-4, 0.5), "likewise, its next term", _LENSES)
    decentring_u: float = option(1e-3, "1", (1e-5, 0.1), "open decentring may be larger", _LENSES)
    least_noise_px: float = option(1e-4, "px", (1e-6, 0.01), "exact data are given less weight")
    starts: int = option(4, "1", (1, 20), "more closed-form poses are refined")
    same_turn: float = option(
        1e-3, "rad", (1e-5, 0.1), "starts that differ more count as leading to the same minimum"
    )
    same_distance: float = option(
        1e-3, "distance", (1e-5, 0.1), "likewise, by the camera's place; also of two minima"
    )
    same_focal: float = option(
        0.1, "1", (0.01, 1), "likewise, by the logarithm of the focal length"
    )
    same_minimum_turn: float = option(
        1e-4, "rad", (1e-6, 0.01), "minima that differ more count as one"
    )
    same_minimum_cost: float = option(
        1e-3, "1", (1e-6, 0.1), "likewise, by their relative sum of squares"
    )
    wrong_share: float = option(
        1 / 3, "1", (0.1, 0.5), "a larger share of the surveyed points may be left out as wrong"
    )
    steps: int = option(60, "1", (10, 500), "least squares is iterated more often")
    trial_steps: int = option(
        15, "1", (5, 100), "likewise, where points are left out on trial from an earlier fit"
    )
    converged: float = option(1e-6, "sd^2", (1e-12, 1e-2), "least squares stops at longer steps")
    damping: float = option(
        1e-4, "1", (1e-8, 1), "the first step is shorter", "Levenberg-Marquardt, usual start"
    )
    damping_factor: float = option(
        10.0, "1", (2, 100), "damping changes faster", "Marquardt (1963)"
    )
    damping_limit: float = option(
        1e10, "1", (1e4, 1e15), "least squares gives up later where no step helps"
    )
    lens_change_probability: float = option(
        1e-3, "1", (1e-9, 0.1), "of a larger change of a sound lens, below which it is named: fewer"
    )
    lens_change_determined: float = option(
        0.1, "1", (0.01, 1), "share of a lens' variance that the survey must take away to judge it"
    )


RESECTION = ResectionOptions()

START_FOCALS = (0.6, 1.0, 1.6, 2.6, 4.2, 7.0)
"""Focal lengths of an open lens from which the pose is started, picture widths; a geometric row
that covers ordinary lenses."""
