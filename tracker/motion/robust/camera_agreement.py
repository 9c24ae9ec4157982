"""Whether cameras agree on where the vehicles are, each within what its own calibration allows.

Every camera sees the same bodies. Where one's pose or lens had to leave its calibration to see them
where the others do, the calibrations contradict each other: fixed targets of two surveys, a camera
that was moved after its targets were picked, a lens that is not the one stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from calibration.arrays import Array
from calibration.camera import PARAMETERS
from calibration.findings import Diagnostic
from tracker.motion.model.unknowns import CameraData
from tracker.motion.robust.innovation import normalised_innovation
from tracker.motion.robust.options import ROBUST
from tracker.motion.solver.iterate import Iterate


@dataclass(frozen=True)
class Innovation:
    """How far a camera left its calibration: its normalised innovation squared, of so many
    degrees of freedom.
    """

    camera: int
    square: float
    dof: int

    @property
    def factor(self) -> float:
        """What the calibration's standard uncertainties would have to be multiplied by."""
        return float(np.sqrt(self.square / max(self.dof, 1)))

    @property
    def is_contradiction(self) -> bool:
        """Whether a sound calibration leaves so much once in `ROBUST.disagree_once` films."""
        return self.dof > 0 and self.square > chi2.isf(1 / ROBUST.disagree_once, self.dof)


def innovations(iterate: Iterate, covariance_root: Array) -> tuple[Innovation, ...]:
    """The innovation of each camera's pose and lens.

    Unknowns of prior sd 1 with posterior covariance C have an innovation of covariance 1 - C.

    `covariance_root` (count, count) is the root of the posterior covariance, in prior sds.
    """
    out = []
    for k, part in enumerate(iterate.setup.camera_slices):
        here = slice(part.start, part.start + PARAMETERS)
        root, moved = covariance_root[here], iterate.standardized_values[here]
        gained = np.eye(PARAMETERS) - root @ root.T
        out.append(
            Innovation(k, *normalised_innovation(moved, gained, ROBUST.disagree_information))
        )
    return tuple(out)


def widen_cameras(
    iterate: Iterate, covariance_root: Array, widened: dict[int, float]
) -> dict[int, float]:
    """By how much (factors on standard uncertainties, by camera) calibrations are widened: those
    `widened` so far, and the camera that contradicts the others most. Of two cameras either may be
    the wrong one, so that both are. The same where none does.
    """
    found = innovations(iterate, covariance_root)
    worst = max(found, key=lambda one: one.factor)
    if len(found) < 2 or not worst.is_contradiction:
        return widened
    chosen = found if len(found) == 2 else (worst,)
    factors = {one.camera: max(one.factor, 1.0) * widened.get(one.camera, 1.0) for one in chosen}
    return widened | factors


def scatter(iterate: Iterate) -> Array:
    """By how much (cameras,) each camera's marks scatter beyond their own uncertainty, in sds."""
    return np.array([np.sqrt(np.median(noise.total)) for noise in iterate.noise])


def suspected_cameras(iterate: Iterate) -> dict[int, float]:
    """Cameras whose calibration may be why marks scatter, and by which factors their uncertainties
    would have to be larger then: of two both, of more the one whose marks scatter most. None where
    marks scatter little, or one camera alone sees the vehicles.
    """
    by_camera = scatter(iterate)
    if len(by_camera) < 2 or by_camera.max() <= ROBUST.disagree_scatter:
        return {}
    suspects = range(2) if len(by_camera) == 2 else [int(np.argmax(by_camera))]
    return dict.fromkeys(suspects, float(by_camera.max()))


def needed_factors(
    iterate: Iterate, covariance_root: Array, factors: dict[int, float]
) -> dict[int, float]:
    """What of these factors the innovations under them ask for, 1 at the least."""
    found = innovations(iterate, covariance_root)
    return {k: max(found[k].factor * factor, 1.0) for k, factor in factors.items()}


def with_wider_cameras(iterate: Iterate, factors: dict[int, float]) -> Iterate:
    """The iterate, its cameras where they were, with calibrations of uncertainties larger by
    these factors.
    """
    setup, values = iterate.setup, iterate.values.copy()
    cameras: list[CameraData] = list(setup.cameras)
    for k, factor in factors.items():
        start = setup.camera_slices[k].start
        values[start : start + PARAMETERS] /= factor
        cameras[k] = replace(cameras[k], covariance_root=factor * cameras[k].covariance_root)
    return replace(iterate, setup=replace(setup, cameras=tuple(cameras)), values=values)


def disagreement_warnings(iterate: Iterate, widened: dict[int, float]) -> list[Diagnostic]:
    """What to say of cameras whose calibrations were widened by these factors."""
    names = [cam.name for cam in iterate.setup.cameras]
    out = []
    for k, factor in sorted(widened.items(), key=lambda item: -item[1]):
        others = [name for name in names if name != names[k]]
        both = len(names) == 2
        text = (
            f"{names[k]} and {_spoken(others)} do not agree on where the vehicles are: pose and "
            f"lens of {names[k]} stand {_shift(iterate, k):.1f} px from their calibration, and "
            f"their uncertainty was raised {factor:.1f} times; "
            + ("either may be the wrong one: " if both else "")
            + "check that both use one survey, and that no camera moved after its targets' picks"
        )
        out.append(Diagnostic("cameras_disagree", text, f"cameras.{names[k]}"))
    return out


def _spoken(names: Sequence[str]) -> str:
    return " and ".join(names) if len(names) < 3 else "the others"


def _shift(iterate: Iterate, k: int) -> float:
    """How far (px, rms over bodies) a camera's picture of the bodies' cg moved with it."""
    setup = iterate.setup
    middle = [float(np.median(setup.times(iterate.values, k)))]
    places = [
        body.basis.design(np.clip(middle, body.basis.breakpoints[0], body.basis.breakpoints[-1]))
        @ iterate.values[part].reshape(body.basis.count, -1)[:, :3]
        for body, part in zip(setup.bodies, setup.spline_slices, strict=True)
    ]
    points = np.concatenate(places)
    now, before = setup.camera(iterate.values, k), setup.cameras[k].camera
    off = now.project(points) - before.project(points)
    return float(np.sqrt(np.nanmean(np.sum(off**2, axis=1))))
