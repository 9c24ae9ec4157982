"""A camera for film that has no survey, from known lengths that lie in the plane of motion.

The camera is taken to look square at the plane of motion, within a tilt that nobody measured and
that stays in its covariance. Scale bars give the ratio of focal length to distance, bars on
planes at different distances separate the two, and a stated depth gives the distance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.errors import RECORD, CalibrationError
from calibration.findings import Diagnostic
from calibration.resection.adjustment import (
    AdjustedCamera,
    LensPrior,
    Observation,
    adjust,
    calibrated_lens_prior,
    open_lens_prior,
)
from calibration.resection.blunders import is_consistent
from calibration.resection.options import RESECTION
from calibration.resection.resect import Resection
from calibration.scale_bars import model
from calibration.scale_bars.model import (
    AXES,
    VIEWS,
    Bar,
    ViewDirection,
    bar_vector,
    plane_axes,
    view_axis,
)
from calibration.scale_bars.options import SCALE_BARS

__all__ = ["Bar", "ViewDirection", "camera_from_bars"]

POSE_UNKNOWNS = 6
_SEEN: dict[ViewDirection, str] = {
    "above": "from above",
    "right": "from the right of the striking vehicle's path",
    "left": "from the left of the striking vehicle's path",
}


def camera_from_bars(
    bars: Sequence[Bar],
    *,
    size: tuple[int, int],
    lens: Lens | None = None,
    rough_position: Array | None = None,
    view: ViewDirection | None = None,
    tilt_u: float = SCALE_BARS.tilt_u,
    where: str = "scale",
) -> Resection:
    """The camera that sees known lengths as long as they are seen.

    Ground axes: seen from above, x is to the right in the picture and y down (z away from the
    camera), turned so that bars `along` an axis lie along it; seen from the right, x is to the
    right and z down; from the left, x is to the left and z down. The origin's place within the
    plane is where the picture's centre looks, or where a stated position puts it.

    Parameters
    ----------
    bars : the known lengths, plane coordinates in ground axes. Lines without a length give the
        camera's roll (and tilted, if several converge); they may lie off the plane of motion.
    size : width and height of the picture, px.
    lens : a calibrated lens; without, the focal length follows from the bars within a weak prior.
    rough_position : (3,) ground axes, m: gives the view, defines the ground origin, and gives the
        distance to the plane of motion (5 %) where no bar states its depth.
    view : from where the camera looks; without, it is read off the position, the bars' axes or
        the sign of their planes, in this order.
    tilt_u : standard uncertainty of the camera's tilt against square, rad.

    Raises
    ------
    CalibrationError : no bar, a bar without length in the picture, a camera inside its plane.

    Residuals are in px: how much longer than predicted each bar is seen. Similar triangles
    (pinhole), solved by least squares with the priors above as observations.
    """
    _check_bars(bars, where)
    bars = _bars_in_one_plane(bars)
    position = None if rough_position is None else np.asarray(rough_position, dtype=np.float64)
    findings: list[Diagnostic] = []
    if view is None:
        view, certain = _view_direction(bars, position)
        if not certain:
            findings.append(_view_diagnostic(view))
    blind = [b for b in bars if b.length is None and b.along not in plane_axes(view)]
    findings += [_blind_diagnostic(bar, view) for bar in blind]
    bars = [bar for bar in bars if bar not in blind]
    prior = (
        calibrated_lens_prior(lens)
        if lens is not None
        else open_lens_prior(size, log_focal_sd=SCALE_BARS.focal_log_sd)
    )
    start, z = _start(bars, view, prior, position, where)
    setting = _Setting(size, start, view, position, tilt_u, prior)
    fit = setting.fit(bars, start, z)
    if not is_consistent(fit.cost, len(fit.residuals) - POSE_UNKNOWNS):
        findings.append(_contradiction(bars, _residuals(bars, view, fit.camera)))
        bars, fit = _inflate_uncertainties(bars, setting, fit)
    camera = fit.camera
    residuals = _residuals(bars, view, camera)
    focal_u = float(np.sqrt(camera.covariance[6, 6]) / camera.lens.matrix[0, 0])
    findings += _distance_diagnostics(camera, bars, view, tilt_u)
    return Resection(
        camera,
        dict(zip((bar.name for bar in bars), map(float, residuals), strict=True)),
        float(np.sqrt(np.mean(residuals**2))),
        (),
        ("focal length",) if lens is None and focal_u < RESECTION.focal_known else (),
        focal_u,
        tuple(findings),
    )


@dataclass(frozen=True)
class _Setting:
    """Everything that the fit rests on besides the bars."""

    size: tuple[int, int]
    start: Camera
    view: ViewDirection
    position: Array | None
    tilt_u: float
    prior: LensPrior

    def fit(self, bars: Sequence[Bar], camera: Camera, z: Array) -> AdjustedCamera:
        """The camera that sees the bars best, from a start with the lens unknowns `z` (r,)."""
        view, position = self.view, self.position
        observations: list[Observation] = [
            model.squareness(self.start, bars, view, self.tilt_u),
            model.origin_definition(self.size, bars, view, position),
            *(model.length_observation(bar, view) for bar in bars if bar.length is not None),
            *(model.direction_observation(b, view) for b in bars if b.along in plane_axes(view)),
            *model.distance_observations(bars, view, position),
        ]
        return adjust(camera, self.prior, observations, z=z)


def _inflate_uncertainties(
    bars: Sequence[Bar], setting: _Setting, fit: AdjustedCamera
) -> tuple[Sequence[Bar], AdjustedCamera]:
    """The bars with ends so much less certain that they agree, and the fit to them."""
    redundancy = len(fit.residuals) - POSE_UNKNOWNS
    for _ in range(SCALE_BARS.inflation_rounds):
        factor = float(np.sqrt(max(SCALE_BARS.least_inflation, fit.cost / redundancy)))
        bars = [bar.inflate_u(factor) for bar in bars]
        fit = setting.fit(bars, fit.camera, fit.lens_unknowns)
        if fit.cost <= redundancy:
            break
    return bars, fit


def _check_bars(bars: Sequence[Bar], where: str) -> None:
    if not bars:
        raise CalibrationError(
            "there is neither a survey nor a scale bar",
            where=where,
            remedy="survey four or more fixed targets, or give a known length in the plane of "
            "motion",
            status=RECORD,
        )
    if all(bar.length is None for bar in bars):
        raise CalibrationError(
            "no scale bar has a length: level lines alone give no scale",
            where=where,
            remedy="give a known length in the plane of motion, a wheelbase for example",
            status=RECORD,
        )
    for bar in bars:
        apart = float(np.linalg.norm(np.subtract(*bar.pixels)))
        if not apart > SCALE_BARS.least_length * bar.pixel_u or (
            bar.length is not None and not bar.length > 0
        ):
            length = "" if bar.length is None else f"is {bar.length:g} m long and "
            raise CalibrationError(
                f"{bar.name} {length}spans {apart:.1f} px",
                where=where,
                remedy="give a positive length and two well separated ends",
                status=RECORD,
            )
        if bar.depth is not None and bar.depth <= 0:
            raise CalibrationError(
                f"the depth of {bar.name} is {bar.depth:g} m",
                where=where,
                remedy="give the distance from the camera to the bar's plane",
                status=RECORD,
            )


def _bars_in_one_plane(bars: Sequence[Bar]) -> list[Bar]:
    """The known lengths first, then the lines, taken to lie among them: what is parallel to the
    plane of motion looks the same in any plane.
    """
    known = [bar for bar in bars if bar.length is not None]
    plane = float(np.mean([bar.plane for bar in known]))
    lines = [replace(b, plane=plane, depth=None) for b in bars if b.length is None]
    return [*known, *lines]


def _view_direction(bars: Sequence[Bar], position: Array | None) -> tuple[ViewDirection, bool]:
    """From where the camera looks, and whether that is more than a guess."""
    if position is not None:
        sideways = position[1] - np.mean([bar.plane for bar in bars])
        if abs(position[2]) > abs(sideways):
            return "above", True
        return ("right" if sideways > 0 else "left"), True
    if any(bar.along == "y" for bar in bars):
        return "above", True
    plane = float(np.mean([bar.plane for bar in bars]))
    if any(bar.along == "z" for bar in bars):
        return ("left" if plane < 0 else "right"), plane != 0
    return ("right" if plane > 0 else "above"), plane != 0


def _view_diagnostic(view: ViewDirection) -> Diagnostic:
    return Diagnostic(
        "view_guessed",
        f"the record doesn't state from where the camera looks; {_SEEN[view]} was assumed; state "
        "its rough position",
    )


def _blind_diagnostic(bar: Bar, view: ViewDirection) -> Diagnostic:
    return Diagnostic(
        "line_blind",
        f"{bar.name} lies along {bar.along}, the line of sight of a camera that looks "
        f"{_SEEN[view]}: it gives nothing of the camera's roll",
    )


def _start(
    bars: Sequence[Bar], view: ViewDirection, prior: LensPrior, position: Array | None, where: str
) -> tuple[Camera, Array]:
    """A camera square to the plane, rolled to the bars' axes, at the likeliest distance."""
    axis, sign = view_axis(view)
    rotation = _rolled_axes(bars, view)
    focal = prior.start.matrix[0, 0]
    scale = np.mean([np.linalg.norm(np.subtract(*b.pixels)) / b.length for b in bars if b.length])
    plane = float(np.mean([bar.plane for bar in bars]))
    depths = [bar.depth + sign * (plane - bar.plane) for bar in bars if bar.depth is not None]
    if depths:
        distance = float(np.mean(depths))
    elif position is not None:
        distance = abs(float(position[axis]) - plane)
    elif prior.log_focal is None:
        distance = focal / scale
    else:
        distance = float(
            np.sqrt(SCALE_BARS.depth * focal / scale)
        )  # halfway between the two priors
    nearest = max(0.0, *(sign * (plane - bar.plane) for bar in bars))
    if distance <= 0:
        raise CalibrationError(
            "the camera's stated position lies in the plane of motion",
            where=where,
            remedy="check the signs of the position and of `plane`",
            status=RECORD,
        )
    distance = max(distance, nearest * SCALE_BARS.start_depth)
    place = np.zeros(3) if position is None else position.copy()
    place[axis] = plane - sign * distance
    z = prior.at(scale * distance)
    return Camera(prior.lens(z), rotation, place), z


def _rolled_axes(bars: Sequence[Bar], view: ViewDirection) -> Array:
    """Camera axes from ground axes (3, 3), square to the plane, with the bars along their axes."""
    axes = plane_axes(view)
    turns = []
    for bar in bars:
        if bar.along in axes:
            u, v = np.subtract(bar.pixels[1], bar.pixels[0])
            axis = VIEWS[view] @ np.eye(3)[AXES[bar.along]]
            angle = np.arctan2(v, u) - np.arctan2(axis[1], axis[0])
            turns.append((angle + np.pi / 2) % np.pi - np.pi / 2)  # a bar has no direction
    # the mean of doubled angles, so that bars at +89 and -89 degrees agree
    angle = np.angle(np.mean(np.exp(2j * np.array(turns)))) / 2 if turns else 0.0
    c, s = np.cos(angle), np.sin(angle)
    return np.asarray(np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ VIEWS[view])


def _residuals(bars: Sequence[Bar], view: ViewDirection, camera: Camera) -> Array:
    """How much longer (px) each bar is seen than the camera predicts; of a line, how far its ends
    lie off its direction.
    """
    out = []
    for bar in bars:
        step = bar_vector(camera, bar, view)[0]
        span, length = np.linalg.norm(np.subtract(*bar.pixels)), np.linalg.norm(step)
        if bar.length is None:
            out.append(span * step[1 if bar.along == "x" else 0] / length)
        else:
            out.append(span * (1 - bar.length / length))
    return np.array(out)


def _contradiction(bars: Sequence[Bar], residuals: Array) -> Diagnostic:
    worst = max(range(len(bars)), key=lambda i: abs(residuals[i]) / bars[i].pixel_u)
    seen = "too long" if bars[worst].length is not None else "off its direction"
    return Diagnostic(
        "scale_contradiction",
        "the known lengths, their planes, depths and the lens contradict each other; most of "
        f"all {bars[worst].name}, which is seen {residuals[worst]:+.1f} px {seen}; "
        "their uncertainties were widened to match",
    )


def _distance_diagnostics(
    camera: Camera, bars: Sequence[Bar], view: ViewDirection, tilt_u: float
) -> list[Diagnostic]:
    axis, sign = view_axis(view)
    distance = sign * (bars[0].plane - float(camera.position[axis]))
    u = float(np.sqrt(camera.covariance[3 + axis, 3 + axis])) / distance
    findings = []
    if u > RESECTION.focal_known:
        findings.append(
            Diagnostic(
                "distance_vague",
                f"the camera's distance from the plane of motion is only known within {100 * u:.0f}"
                f" % ({distance:.1f} m): a length 1 m nearer to the camera than its scale bar is "
                f"uncertain by {100 * u / distance:.1f} % on that account; state the bar's depth",
            )
        )
    tilts = np.sqrt(np.diag(camera.covariance)[:2])
    if (tilts < SCALE_BARS.tilt_known * tilt_u).any():
        turn = camera.rotation @ _rolled_axes(bars, view).T
        x, y = np.degrees([turn[2, 1], turn[0, 2]])
        ux, uy = np.degrees(tilts)
        findings.append(
            Diagnostic(
                "tilt_estimated",
                f"the scale bars show the camera tilted by {x:.1f} ± {ux:.1f}° about its "
                f"horizontal and {y:.1f} ± {uy:.1f}° about its vertical axis",
            )
        )
    return findings
