"""Whether surveyed points move a given lens further than its stated uncertainty allows."""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

from calibration.arrays import Array
from calibration.camera import Lens
from calibration.findings import Diagnostic
from calibration.resection.options import RESECTION

_NAMES = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")


def lens_change(given: Lens, solved: Lens, covariance: Array) -> tuple[float, int]:
    """Squared change of a lens from its prior, in sds of that change, and its degrees of freedom.

    `covariance` (9, 9) is the solved lens' posterior. A posterior mean differs from the prior's by
    a vector of covariance prior less posterior (Gauss-Markov); directions of which the evidence
    says next to nothing are left out.
    """
    scale = 1 / np.sqrt(np.diag(given.covariance).clip(1e-300))
    values, vectors = np.linalg.eigh(given.covariance * np.outer(scale, scale))
    usable = values > 1e-9
    root = (vectors[:, usable] / np.sqrt(values[usable])) * scale[:, None]
    change = root.T @ (solved.values - given.values)
    shares, axes = np.linalg.eigh(np.eye(int(usable.sum())) - root.T @ covariance @ root)
    shown = shares > RESECTION.lens_change_determined
    along = axes[:, shown].T @ change
    return float(np.sum(along**2 / shares[shown])), int(shown.sum())


def lens_findings(given: Lens, solved: Lens, covariance: Array) -> list[Diagnostic]:
    """A warning that names the lens where the survey contradicts it, its values beside the stated
    ones.
    """
    if not given.covariance.any():
        return []
    square, count = lens_change(given, solved, covariance)
    if not count or float(chi2.sf(square, count)) > RESECTION.lens_change_probability:
        return []
    u = np.sqrt(np.diag(given.covariance))
    change = np.divide(np.abs(solved.values - given.values), u, out=np.zeros_like(u), where=u > 0)
    most = np.argsort(-change)[:2]
    parts = [f"{_NAMES[k]} {given.values[k]:.4g} -> {solved.values[k]:.4g}" for k in sorted(most)]
    text = (
        f"the surveyed points contradict the given lens by {np.sqrt(square / count):.1f} times its "
        f"uncertainty ({', '.join(parts)}): calibrate it again at the film's setting, or state a "
        "larger u; the solved values were used"
    )
    return [Diagnostic("lens_differs", text)]
