"""Fixed targets that don't stay where they are: struck by debris, or moved by wind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array
from calibration.constants import MAD_TO_SD
from calibration.findings import Diagnostic
from calibration.image_motion.model import Weave, fit_weave
from calibration.image_motion.options import IMAGE_MOTION


@dataclass(frozen=True)
class TargetStep:
    """The step of one target against the others that would explain most."""

    target: int
    frame: int  # first frame after it
    height: float  # px
    gain: float  # in chi-square


def reject_moved_targets(
    names: Sequence[str], position: Array, covariance: Array, centre: Array
) -> tuple[Array, list[Diagnostic]]:
    """Positions (n, t, 2) with NaN where a target is no longer at its place, and a diagnostic
    for each that moved.

    A target is suspected when a step of its place explains far more than chance could; of several
    suspects that one is rejected without which the others agree best (marginal likelihood of their
    common motion). A target that moves again is dropped altogether.
    """
    used = position.copy()
    findings: list[Diagnostic] = []
    blamed: set[int] = set()
    scatter = _scatter(fit_weave(used, covariance, centre).residuals, covariance)
    covariance = covariance * scatter**2
    for _ in range(2 * len(names)):
        fit = fit_weave(used, covariance, centre)
        suspects = _suspects(fit)
        if not suspects:
            break
        alive = int(np.isfinite(used).all(axis=2).any(axis=0).sum())
        if alive < 3:
            findings.append(_undecided_diagnostic([names[s.target] for s in suspects], suspects[0]))
            break
        step = suspects[0]
        if len(suspects) > 1:
            scores = [_score(_drop_target(used, s, blamed), covariance, centre) for s in suspects]
            step = suspects[int(np.argmin(scores))]
        used = _drop_target(used, step, blamed)
        if step.target not in blamed:
            findings.append(_moved_diagnostic(names[step.target], step))
        blamed.add(step.target)
    return used, findings


def _drop_target(used: Array, step: TargetStep, blamed: set[int]) -> Array:
    first = 0 if step.target in blamed else max(0, step.frame - IMAGE_MOTION.step_margin)
    used = used.copy()
    used[first:, step.target] = np.nan
    return used


def _suspects(fit: Weave) -> list[TargetStep]:
    """Targets whose step would explain much, most first."""
    gain, size = fit.reduced.steps(np.nan_to_num(fit.residuals))
    found = []
    for target in range(gain.shape[1]):
        frame = int(np.argmax(gain[:, target]))
        height = float(np.linalg.norm(size[frame, target]))
        found.append(TargetStep(target, frame, height, float(gain[frame, target])))
    found.sort(key=lambda step: -step.gain)
    return [
        step
        for step in found
        if step.gain > max(IMAGE_MOTION.step_gain, IMAGE_MOTION.step_rival * found[0].gain)
        and step.height > IMAGE_MOTION.step_px
    ]


def _score(used: Array, covariance: Array, centre: Array) -> float:
    """Minus twice the log marginal likelihood, corrected for what is left out: a good measurement
    would have added 1 for each coordinate.
    """
    return fit_weave(used, covariance, centre).score - float(np.isfinite(used).sum())


def _scatter(residuals: Array, covariance: Array) -> float:
    """Frame-to-frame scatter of the targets in units of their stated uncertainties, at least 1:
    a step doesn't raise it.
    """
    whitened = residuals / np.sqrt(np.diagonal(covariance, axis1=2, axis2=3))
    jumps = np.abs(np.diff(whitened, axis=0))
    jumps = jumps[np.isfinite(jumps)]
    return max(1.0, float(MAD_TO_SD * np.median(jumps) / np.sqrt(2))) if jumps.size else 1.0


def _moved_diagnostic(name: str, step: TargetStep) -> Diagnostic:
    return Diagnostic(
        "target_moved",
        f"{name} moves by about {step.height:.1f} px against the other fixed targets at frame "
        f"{step.frame}: it was not used from there on",
    )


def _undecided_diagnostic(names: list[str], step: TargetStep) -> Diagnostic:
    return Diagnostic(
        "targets_disagree",
        f"{' or '.join(names)} moves by {step.height:.1f} px at frame {step.frame}, and with fewer "
        "than three fixed targets nothing shows which; name a third",
    )
