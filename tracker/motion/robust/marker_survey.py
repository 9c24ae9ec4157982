"""Whether the markers of a vehicle are where their survey says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.motion.evidence import VehicleGeometry
from tracker.motion.model import prior
from tracker.motion.model.unknowns import Setup
from tracker.motion.solver import linearization
from tracker.motion.solver.iterate import Fit

UNKNOWN_U = 2.0
"""Prior sd of a marker's place that was not surveyed, m."""
WRONG = 5.0
"""A marker farther than this many sd from its surveyed place is wrongly surveyed."""
USUAL = 0.6745
"""Median of the absolute value of a standard normal."""


@dataclass(frozen=True)
class Survey:
    """A setup whose doubtful survey is loosened, and what to say about it; None: nothing is."""

    setup: Setup | None
    findings: tuple[Diagnostic, ...]


def doubts(setup: Setup, fit: Fit, left: Array, vehicles: Mapping[str, VehicleGeometry]) -> Survey:
    """Frees the most wrongly surveyed marker of each vehicle that has others to tell it by, or
    raises a vehicle's survey uncertainty where too many stand off. `left` (count,): the unknowns'
    posterior over their prior variances.
    """
    sd = prior.spread(setup, fit.strengths)
    unit = linearization.unit(setup, fit.at.values, sd)
    changed, findings = setup, []
    for b, (body, part) in enumerate(zip(setup.bodies, setup.marker, strict=True)):
        stated = vehicles[body.name].marker_u
        given = np.array([vehicles[body.name].markers[m] is not None for m in body.markers])
        given &= body.arms_u > 0
        trusted = given & (body.arms_u < UNKNOWN_U)
        off = _off(unit[part].reshape(-1, 3), left[part].reshape(-1, 3), trusted)
        if given.sum() < 4 or not np.isfinite(off).any():
            continue
        usual = float(np.nanmedian(off)) / USUAL
        worst = int(np.argmax(np.nan_to_num(off).max(axis=1)))
        u = body.arms_u.copy()
        if np.nanmax(off) > WRONG and (given & ~trusted).sum() < given.sum() // 3:
            u[worst] = UNKNOWN_U
        elif usual > 2.0 and np.allclose(u[trusted], stated):
            u[given] = stated * usual
            text = (
                f"markers stand {usual:.1f} times farther from their surveyed places than the "
                "stated survey uncertainty; it was raised"
            )
            findings.append(Diagnostic("survey_larger", text, f"vehicles.{body.name}.markers"))
        else:
            continue
        changed = changed.with_body(b, replace(body, arms_u=u))
    return Survey(changed if changed is not setup else None, tuple(findings))


def _off(unit: Array, left: Array, surveyed: NDArray[np.bool_]) -> Array:
    """How far (markers, 3) markers stand from their surveyed places, in sds of just that; NaN where
    the films don't say.
    """
    told = np.sqrt(np.maximum(1 - left, 0.0))
    seen = (told > 0.05) & surveyed[:, None]
    return np.where(seen, np.abs(unit) / np.where(seen, told, 1.0), np.nan)


def freed(setup: Setup, fit: Fit, vehicles: Mapping[str, VehicleGeometry]) -> list[Diagnostic]:
    """Names the markers whose surveyed places were left out."""
    out = []
    for b, (body, part) in enumerate(zip(setup.bodies, setup.marker, strict=True)):
        move = fit.at.values[part].reshape(-1, 3)
        for m, name in enumerate(body.markers):
            if vehicles[body.name].markers[name] is not None and body.arms_u[m] == UNKNOWN_U:
                text = (
                    f"{name} stands {1e3 * np.linalg.norm(move[m]):.0f} mm from its surveyed "
                    "place, which was left out: it is solved with the body"
                )
                where = f"vehicles.{setup.bodies[b].name}.markers.{name}"
                out.append(Diagnostic("marker_survey_wrong", text, where))
    return out
