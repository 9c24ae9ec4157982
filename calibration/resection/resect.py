"""Where a camera stands and looks, from surveyed points and where they are seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.camera import LENS, Camera, Lens
from calibration.errors import FILM, CalibrationError
from calibration.findings import Diagnostic
from calibration.resection import pose
from calibration.resection.adjustment import (
    AdjustedCamera,
    LensPrior,
    Observation,
    calibrated_lens_prior,
    open_lens_prior,
)
from calibration.resection.blunders import BlunderSearch, exchanged_pairs, reject_blunders
from calibration.resection.lens_change import lens_findings
from calibration.resection.options import RESECTION
from calibration.resection.pose import Sightings
from calibration.resection.withheld import TargetResiduals, target_residuals

_LENS_TERMS = {"focal length": 0, "principal point": 2, "k1": 4}


@dataclass(frozen=True)
class Resection:
    """A camera's pose, and its lens where that was open, with diagnostics.

    `camera.covariance` (15, 15) holds pick, survey, lens and prior; where a lens term has no
    prior its rows are zero, and an open lens has fx = fy, so it may be singular.
    """

    camera: Camera
    residuals: Mapping[str, float]  # px, distance of each sighting from where it should be seen
    rms_px: float  # of the sightings used
    left_out: tuple[str, ...]  # names that contradict the rest
    solved: tuple[str, ...]  # lens terms that the evidence determined
    focal_u: float  # relative standard uncertainty of the focal length
    findings: tuple[Diagnostic, ...]
    targets: TargetResiduals | None = None  # None without surveyed targets


def resect(
    seen: Sightings,
    *,
    size: tuple[int, int],
    lens: Lens | None = None,
    rough_position: Array | None = None,
    where: str = "survey",
) -> Resection:
    """The camera that sees surveyed points where they are seen, and how well that is known.

    Parameters
    ----------
    seen : the surveyed points and where they are seen (`sightings` makes them of arrays).
    size : width and height of the picture, px.
    lens : a calibrated lens, its covariance serving as a prior; None solves focal length,
        principal point and radial distortion with the pose, with weak priors.
    rough_position : (3,) ground axes, m. It chooses between poses that fit alike, is compared
        with the result, and determines the distance where the survey can't separate it from the
        focal length.
    where : the place named in errors.

    Raises
    ------
    CalibrationError : too few points, points on a line, points that no camera sees so,
        contradictions.

    Least squares on pixels with the survey marginalised (Gauss-Markov), started from closed
    forms; leave-one and leave-two-out tests for blunders.
    """
    _check(seen, lens, where)
    names = seen.names
    rough = None if rough_position is None else np.asarray(rough_position, dtype=np.float64)
    if len(seen) == 3 and rough is None:
        raise CalibrationError(
            "three surveyed points fit several poses",
            where=where,
            remedy="survey a fourth point or state the camera's rough position",
            status=FILM,
        )
    prior = calibrated_lens_prior(lens) if lens is not None else open_lens_prior(size)
    verdict, ambiguous = _reject_blunders(seen, prior, rough, where)
    findings: list[Diagnostic] = []
    extra: tuple[Observation, ...] = ()
    if lens is None and _focal_u(verdict.fit) > RESECTION.focal_known:
        prior = open_lens_prior(size, log_focal_sd=RESECTION.focal_log_sd_flat)
        if rough is not None:
            distance = float(np.linalg.norm(rough - seen.points.mean(0)))
            extra = (
                pose.position_observation(
                    rough, max(RESECTION.rough_u, RESECTION.rough_relative_u * distance)
                ),
            )
        verdict, ambiguous = _refit(seen, prior, extra, rough, verdict)
        findings.append(_focal_finding(verdict, rough))
    inliers = _inliers(seen, verdict)
    camera = verdict.fit.camera
    camera = replace(camera, covariance=camera.covariance * verdict.scale)
    error = np.linalg.norm(camera.project(seen.points) - seen.pixels, axis=1)
    rms = float(np.sqrt(np.mean(error[inliers] ** 2)))
    if rms > RESECTION.largest_rms * max(size):
        raise CalibrationError(
            f"no camera sees the surveyed points where they were picked: {rms:.0f} px rms are left",
            where=where,
            remedy="check the names, the order of the coordinates and the signs of the axes",
            status=FILM,
        )
    findings += _survey_findings(seen, verdict, error)
    if lens is not None:
        findings += lens_findings(lens, camera.lens, verdict.fit.camera.covariance[LENS, LENS])
    findings += _pose_findings(camera, rough, ambiguous, seen)
    return Resection(
        camera,
        dict(zip(names, map(float, error), strict=True)),
        rms,
        tuple(names[i] for i in verdict.wrong),
        _determined_terms(camera, prior) if lens is None else (),
        _focal_u(verdict.fit) * float(np.sqrt(verdict.scale)),
        tuple(findings),
        target_residuals(seen, inliers, verdict.fit, prior, verdict.scale, extra),
    )


def _check(seen: Sightings, lens: Lens | None, where: str) -> None:
    """Raise CalibrationError where the points can't give a pose."""
    least = 3 if lens is not None else 4
    n, names = len(seen), seen.names
    if n < least:
        raise CalibrationError(
            f"{n} surveyed point{'' if n == 1 else 's'} "
            f"({', '.join(names) or 'none'}) can't give the camera's pose",
            where=where,
            remedy=f"survey at least {least}, not on a line, and better 6 or more",
            status=FILM,
        )
    for what, extent in (("surveyed points", seen.points), ("picks", seen.pixels)):
        across = pose.principal_sds(extent)
        if across[1] < RESECTION.least_breadth * across[0] or across[0] == 0:
            raise CalibrationError(
                f"the {what} {', '.join(names)} lie on one line",
                where=where,
                remedy="survey at least one more point well off that line",
                status=FILM,
            )


def _inliers(seen: Sightings, verdict: BlunderSearch) -> list[int]:
    return [i for i in range(len(seen)) if i not in verdict.wrong]


def _reject_blunders(
    seen: Sightings, prior: LensPrior, rough: Array | None, where: str
) -> tuple[BlunderSearch, bool]:
    """The fit without blunders, and whether another pose fits as well."""

    def best(which: list[int], earlier: tuple[AdjustedCamera, ...]) -> AdjustedCamera | None:
        found = pose.pose_minima(
            seen.subset(which), prior, tries=1, also=earlier, steps=RESECTION.trial_steps
        )
        return found[0] if found else None

    fits = pose.pose_minima(seen, prior)
    redundancy = 2 * len(seen) - 6
    verdict = reject_blunders(best, len(seen), fits[0] if fits else None, redundancy)
    if verdict is None:
        raise CalibrationError(
            "no camera sees the surveyed points where they were picked",
            where=where,
            remedy="check the names, the order of the coordinates and the signs of the axes",
            status=FILM,
        )
    if verdict.wrong:
        return _refit(seen, prior, (), rough, verdict)
    return _plausible_pose(fits, rough, verdict)


def _refit(
    seen: Sightings,
    prior: LensPrior,
    extra: tuple[Observation, ...],
    rough: Array | None,
    verdict: BlunderSearch,
) -> tuple[BlunderSearch, bool]:
    """The verdict with its good points fitted again, from all starts and with extra evidence."""
    fits = pose.pose_minima(seen.subset(_inliers(seen, verdict)), prior, extra, also=(verdict.fit,))
    return _plausible_pose(fits, rough, verdict)


def _plausible_pose(
    fits: list[AdjustedCamera], rough: Array | None, verdict: BlunderSearch
) -> tuple[BlunderSearch, bool]:
    """The verdict with the plausible one of the poses that fit alike, and whether another one
    remains.
    """
    alike = [
        fit for fit in fits if fit.cost < fits[0].cost + RESECTION.alike_chi_square * verdict.scale
    ]
    chosen = min(alike, key=lambda fit: _implausibility(fit.camera, rough))
    ambiguous = rough is None and any(_is_elsewhere(fit, chosen) for fit in alike)
    return replace(verdict, fit=chosen), ambiguous


def _is_elsewhere(a: AdjustedCamera, b: AdjustedCamera) -> bool:
    """Whether two poses differ by far more than the uncertainty of either."""
    turn = float(np.linalg.norm(a.camera.rotation - b.camera.rotation)) / np.sqrt(2)
    return bool(
        turn
        > RESECTION.ambiguity_turn
        + RESECTION.ambiguity_sigmas * np.sqrt(np.trace(b.camera.covariance[:3, :3]))
    )


def _implausibility(camera: Camera, rough: Array | None) -> tuple[float, float]:
    """Poses that fit alike: nearest to the rough position, else above ground (z down)."""
    if rough is not None:
        return float(np.linalg.norm(camera.position - rough)), 0.0
    return float(camera.position[2] > 0), float(camera.position[2])


def _focal_u(fit: AdjustedCamera) -> float:
    return float(np.sqrt(fit.camera.covariance[6, 6]) / fit.camera.lens.matrix[0, 0])


def _determined_terms(camera: Camera, prior: LensPrior) -> tuple[str, ...]:
    """Lens terms whose uncertainty the evidence brought below half of the prior's."""
    slope = prior.slope(np.zeros(prior.count))
    before = np.sqrt(np.sum(slope**2, axis=1))
    after = np.sqrt(np.diag(camera.covariance)[6:])
    return tuple(name for name, i in _LENS_TERMS.items() if after[i] < before[i] / 2)


def _focal_finding(verdict: BlunderSearch, rough: Array | None) -> Diagnostic:
    u = 100 * _focal_u(verdict.fit) * np.sqrt(verdict.scale)
    remedy = (
        "survey two or more points off that plane by a tenth of the camera's distance, or give "
        "the lens"
    )
    if rough is not None:
        return Diagnostic(
            "focal_from_position",
            "the surveyed points lie too nearly in one plane seen face on to separate focal length "
            f"and distance: the stated rough position was used, which leaves {u:.1f} % of focal "
            f"length and distance open; {remedy}",
        )
    return Diagnostic(
        "focal_undetermined",
        "the surveyed points lie too nearly in one plane seen face on to separate focal length and "
        f"distance ({u:.0f} % open): places in that plane hold, places off it are uncertain "
        f"accordingly; state the camera's position, {remedy}",
    )


def _survey_findings(seen: Sightings, verdict: BlunderSearch, error: Array) -> list[Diagnostic]:
    names, findings = seen.names, []
    crossed = exchanged_pairs(verdict.fit, seen, verdict.wrong)
    for i, j in crossed:
        findings.append(
            Diagnostic(
                "survey_swapped",
                f"{names[i]} and {names[j]} are exchanged: each is seen where the other should "
                "be; both were left out",
            )
        )
    alone = [i for i in verdict.wrong if not any(i in pair for pair in crossed)]
    metres = _metres_per_pixel(verdict.fit.camera, seen)
    for i in alone:
        findings.append(
            Diagnostic(
                "survey_blunder",
                f"{names[i]} is seen {error[i]:.1f} px from where its surveyed place should be "
                f"({error[i] * metres[i]:.2g} m there): its coordinates or its pick are wrong; "
                "it was left out",
            )
        )
    if verdict.suspects:
        listed = ", ".join(names[i] for i in verdict.suspects)
        findings.append(
            Diagnostic(
                "survey_contradiction",
                f"one of {listed} is wrong, and there are too few surveyed points to find which; "
                "all were used, with uncertainties widened to match",
            )
        )
    elif verdict.scale > 1:
        findings.append(
            Diagnostic(
                "survey_misfit",
                f"the survey fits {np.sqrt(verdict.scale):.1f} times worse than its stated "
                "uncertainties; the camera's were widened to match",
            )
        )
    return findings


def _metres_per_pixel(camera: Camera, seen: Sightings) -> Array:
    depth = camera.in_camera_axes(seen.points)[:, 2]
    return np.asarray(np.abs(depth) / camera.lens.matrix[0, 0])


def _pose_findings(
    camera: Camera, rough: Array | None, ambiguous: bool, seen: Sightings
) -> list[Diagnostic]:
    findings = []
    if ambiguous:
        findings.append(
            Diagnostic(
                "pose_ambiguous",
                "two poses of the camera explain the survey alike, and the one higher above "
                "ground was taken; state the camera's rough position",
            )
        )
    if rough is None:
        if camera.position[2] > 0:
            findings.append(
                Diagnostic(
                    "camera_below_ground",
                    f"the camera comes out {camera.position[2]:.1f} m below ground: z points down, "
                    "y to the right; one axis of the survey probably has the wrong sign",
                )
            )
        return findings
    off = float(np.linalg.norm(camera.position - rough))
    away = float(np.linalg.norm(rough - seen.points.mean(0)))
    if off > max(RESECTION.position_differs_least, RESECTION.position_differs * away):
        x, y, z = camera.position
        findings.append(
            Diagnostic(
                "position_differs",
                f"the camera comes out at ({x:.2f}, {y:.2f}, {z:.2f}) m, {off:.1f} m from its "
                "stated rough position; check the signs of the survey and of the position",
            )
        )
    return findings
