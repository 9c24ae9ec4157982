"""Where a camera stands and looks, from surveyed points and where they are seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import FILM, CalibrationError
from calibration.findings import Diagnostic
from calibration.resection import pose
from calibration.resection.adjustment import Evidence, Fit, LensFreedom, given, unknown
from calibration.resection.blunders import Verdict, swapped, without_blunders
from calibration.resection.pose import Sightings

FOCAL_KNOWN = 0.03
"""Relative standard uncertainty of the focal length up to which a survey is said to determine
it; beyond, the stated rough position of the camera is called in."""
_ROUGH_U, _ROUGH_RELATIVE_U = 0.3, 0.05  # m, and of the distance: how rough a rough position is
_LENS_TERMS = {"focal length": 0, "principal point": 2, "k1": 4}


@dataclass(frozen=True)
class Resection:
    """A camera's pose, and its lens where that was open, with what was noticed on the way.

    `camera.covariance` (15, 15) holds pick, survey, lens and prior; where a lens term has no
    freedom its rows are zero, and an open lens has fx = fy, so it may be singular.
    """

    camera: Camera
    residuals: dict[str, float]  # px, distance of each sighting from where it should be seen
    rms_px: float  # of the sightings used
    left_out: tuple[str, ...]  # names that contradict the rest
    solved: tuple[str, ...]  # lens terms that the evidence determined
    focal_u: float  # relative standard uncertainty of the focal length
    findings: tuple[Diagnostic, ...]


def resect(
    names: Sequence[str],
    ground: Array,
    pixels: Array,
    pixel_covariance: Array,
    *,
    size: tuple[int, int],
    lens: Lens | None = None,
    ground_u: float | Array = 0.002,
    rough_position: Array | None = None,
    where: str = "survey",
) -> Resection:
    """The camera that sees surveyed points where they are seen, and how well that is known.

    Parameters
    ----------
    names : n names of the points.
    ground : (n, 3) surveyed coordinates in ground axes, m.
    pixels : (n, 2) where they are seen, px; held steady first if the picture moves.
    pixel_covariance : (n, 2, 2) px^2.
    size : width and height of the picture, px.
    lens : a calibrated lens, its covariance serving as a prior; None solves focal length,
        principal point and radial distortion with the pose, with weak priors.
    ground_u : standard uncertainty of the surveyed coordinates, m: a scalar, or (n, 3).
    rough_position : (3,) ground axes, m. It chooses between poses that fit alike, is compared
        with the result, and determines the distance where the survey can't tell it from the
        focal length.
    where : the place named in problems.

    Raises
    ------
    Problem : too few points, points on a line, points that no camera sees so, contradictions.

    Least squares on pixels with the survey marginalised (Gauss-Markov), started from closed
    forms; leave-one and leave-two-out tests for blunders.
    """
    seen = _checked(names, ground, pixels, pixel_covariance, ground_u, lens, where)
    rough = None if rough_position is None else np.asarray(rough_position, dtype=np.float64)
    if len(seen) == 3 and rough is None:
        raise CalibrationError(
            "three surveyed points fit several poses",
            where=where,
            remedy="survey a fourth point or state the camera's rough position",
            status=FILM,
        )
    freedom = given(lens) if lens is not None else unknown(size)
    verdict, ambiguous = _without_blunders(seen, freedom, rough, where)
    findings: list[Diagnostic] = []
    if lens is None and _focal_u(verdict.fit) > FOCAL_KNOWN:
        freedom = unknown(size, log_focal_sd=0.4)
        extra: tuple[Evidence, ...] = ()
        if rough is not None:
            distance = float(np.linalg.norm(rough - seen.points.mean(0)))
            extra = (pose.near(rough, max(_ROUGH_U, _ROUGH_RELATIVE_U * distance)),)
        verdict, ambiguous = _again(seen, freedom, extra, rough, verdict)
        findings.append(_focal_finding(verdict, rough))
    kept = _kept(seen, verdict)
    camera = verdict.fit.camera
    camera = replace(camera, covariance=camera.covariance * verdict.scale)
    error = np.linalg.norm(camera.project(seen.points) - seen.pixels, axis=1)
    rms = float(np.sqrt(np.mean(error[kept] ** 2)))
    if rms > 0.02 * max(size):
        raise CalibrationError(
            f"no camera sees the surveyed points where they were picked: {rms:.0f} px rms are left",
            where=where,
            remedy="check the names, the order of the coordinates and the signs of the axes",
            status=FILM,
        )
    findings += _survey_findings(names, seen, verdict, error)
    findings += _pose_findings(camera, rough, ambiguous, seen)
    return Resection(
        camera,
        dict(zip(names, map(float, error), strict=True)),
        rms,
        tuple(names[i] for i in verdict.wrong),
        _solved(camera, freedom) if lens is None else (),
        _focal_u(verdict.fit) * float(np.sqrt(verdict.scale)),
        tuple(findings),
    )


def _checked(
    names: Sequence[str],
    ground: Array,
    pixels: Array,
    pixel_covariance: Array,
    ground_u: float | Array,
    lens: Lens | None,
    where: str,
) -> Sightings:
    points = np.asarray(ground, dtype=np.float64).reshape(-1, 3)
    n = len(points)
    seen = Sightings(
        points,
        np.asarray(pixels, dtype=np.float64).reshape(n, 2),
        np.asarray(pixel_covariance, dtype=np.float64).reshape(n, 2, 2),
        np.broadcast_to(np.asarray(ground_u, dtype=np.float64), (n, 3)),
    )
    least = 3 if lens is not None else 4
    if n < least:
        raise CalibrationError(
            f"{n} surveyed point{'' if n == 1 else 's'} "
            f"({', '.join(names) or 'none'}) can't give the camera's pose",
            where=where,
            remedy=f"survey at least {least}, not on a line, and better 6 or more",
            status=FILM,
        )
    for what, extent in (("surveyed points", points), ("picks", seen.pixels)):
        across = pose.spread(extent)
        if across[1] < 0.01 * across[0] or across[0] == 0:
            raise CalibrationError(
                f"the {what} {', '.join(names)} lie on one line",
                where=where,
                remedy="survey at least one more point well off that line",
                status=FILM,
            )
    return seen


def _kept(seen: Sightings, verdict: Verdict) -> list[int]:
    return [i for i in range(len(seen)) if i not in verdict.wrong]


def _without_blunders(
    seen: Sightings, freedom: LensFreedom, rough: Array | None, where: str
) -> tuple[Verdict, bool]:
    """The fit without blunders, and whether another pose fits as well."""

    def best(which: list[int], earlier: tuple[Fit, ...]) -> Fit | None:
        found = pose.solve(seen.only(which), freedom, tries=1, also=earlier, steps=15)
        return found[0] if found else None

    fits = pose.solve(seen, freedom)
    redundancy = 2 * len(seen) - 6
    verdict = without_blunders(best, len(seen), fits[0] if fits else None, redundancy)
    if verdict is None:
        raise CalibrationError(
            "no camera sees the surveyed points where they were picked",
            where=where,
            remedy="check the names, the order of the coordinates and the signs of the axes",
            status=FILM,
        )
    if verdict.wrong:
        return _again(seen, freedom, (), rough, verdict)
    return _plausible(fits, rough, verdict)


def _again(
    seen: Sightings,
    freedom: LensFreedom,
    extra: tuple[Evidence, ...],
    rough: Array | None,
    verdict: Verdict,
) -> tuple[Verdict, bool]:
    """The verdict with its good points fitted again, from all starts and with extra evidence."""
    fits = pose.solve(seen.only(_kept(seen, verdict)), freedom, extra, also=(verdict.fit,))
    return _plausible(fits, rough, verdict)


def _plausible(fits: list[Fit], rough: Array | None, verdict: Verdict) -> tuple[Verdict, bool]:
    """The verdict with the plausible one of the poses that fit alike, and whether another one is
    left.
    """
    alike = [fit for fit in fits if fit.cost < fits[0].cost + 9 * verdict.scale]
    chosen = min(alike, key=lambda fit: _implausibility(fit.camera, rough))
    ambiguous = rough is None and any(_elsewhere(fit, chosen) for fit in alike)
    return replace(verdict, fit=chosen), ambiguous


def _elsewhere(a: Fit, b: Fit) -> bool:
    """Whether two poses differ by far more than the uncertainty of either."""
    turn = float(np.linalg.norm(a.camera.rotation - b.camera.rotation)) / np.sqrt(2)
    return bool(turn > 0.01 + 5 * np.sqrt(np.trace(b.camera.covariance[:3, :3])))


def _implausibility(camera: Camera, rough: Array | None) -> tuple[float, float]:
    """Poses that fit alike: nearest to the rough position, else above ground (z down)."""
    if rough is not None:
        return float(np.linalg.norm(camera.position - rough)), 0.0
    return float(camera.position[2] > 0), float(camera.position[2])


def _focal_u(fit: Fit) -> float:
    return float(np.sqrt(fit.camera.covariance[6, 6]) / fit.camera.lens.matrix[0, 0])


def _solved(camera: Camera, freedom: LensFreedom) -> tuple[str, ...]:
    """Lens terms whose uncertainty the evidence brought below half of the prior's."""
    slope = freedom.slope(np.zeros(freedom.count))
    before = np.sqrt(np.sum(slope**2, axis=1))
    after = np.sqrt(np.diag(camera.covariance)[6:])
    return tuple(name for name, i in _LENS_TERMS.items() if after[i] < before[i] / 2)


def _focal_finding(verdict: Verdict, rough: Array | None) -> Diagnostic:
    u = 100 * _focal_u(verdict.fit) * np.sqrt(verdict.scale)
    remedy = (
        "survey two or more points off that plane by a tenth of the camera's distance, or give "
        "the lens"
    )
    if rough is not None:
        return Diagnostic(
            "focal_from_position",
            "the surveyed points lie too nearly in one plane seen face on to tell focal length "
            f"from distance: the stated rough position was used, which leaves {u:.1f} % of focal "
            f"length and distance open; {remedy}",
        )
    return Diagnostic(
        "focal_undetermined",
        "the surveyed points lie too nearly in one plane seen face on to tell focal length from "
        f"distance ({u:.0f} % open): places in that plane hold, places off it are uncertain "
        f"accordingly; state the camera's position, {remedy}",
    )


def _survey_findings(
    names: Sequence[str], seen: Sightings, verdict: Verdict, error: Array
) -> list[Diagnostic]:
    findings = []
    crossed = swapped(verdict.fit, seen, verdict.wrong)
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
                f"one of {listed} is wrong, and there are too few surveyed points to say which; "
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
    if off > max(1.0, 0.2 * float(np.linalg.norm(rough - seen.points.mean(0)))):
        x, y, z = camera.position
        findings.append(
            Diagnostic(
                "position_differs",
                f"the camera comes out at ({x:.2f}, {y:.2f}, {z:.2f}) m, {off:.1f} m from its "
                "stated rough position; check the signs of the survey and of the position",
            )
        )
    return findings
