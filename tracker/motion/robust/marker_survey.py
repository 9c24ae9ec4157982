"""Check of the marker survey: whether markers stand at their surveyed places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.constants import NORMAL_MEDIAN
from calibration.findings import Diagnostic
from tracker.motion.evidence import VehicleGeometry
from tracker.motion.model.unknowns import Setup
from tracker.motion.robust.options import ROBUST
from tracker.motion.solver.iterate import Iterate


@dataclass(frozen=True)
class SurveyCheck:
    """The setup after the check, and its warnings; None: nothing was changed."""

    setup: Setup | None
    findings: tuple[Diagnostic, ...]


def check_survey(
    iterate: Iterate, variance_ratio: Array, vehicles: Mapping[str, VehicleGeometry]
) -> SurveyCheck:
    """Treats the most wrongly surveyed marker of each vehicle as unsurveyed, where others are left
    to solve it with, or raises a vehicle's survey uncertainty where too many stand off.

    `variance_ratio` (count,) is the unknowns' posterior over their prior variance.
    """
    setup, unit = iterate.setup, iterate.standardized_values
    changed, findings = setup, []
    for b, (body, part) in enumerate(zip(setup.bodies, setup.marker_slices, strict=True)):
        vehicle = vehicles[body.name]
        stated = np.array([vehicle.own_u.get(m, vehicle.marker_u) for m in body.markers])
        given = np.array([vehicles[body.name].markers[m] is not None for m in body.markers])
        given &= body.lever_arms_u > 0
        surveyed_mask = given & (body.lever_arms_u < ROBUST.unsurveyed_u)
        off = _standard_distances(
            unit[part].reshape(-1, 3), variance_ratio[part].reshape(-1, 3), surveyed_mask
        )
        if given.sum() < ROBUST.fewest_markers or not np.isfinite(off).any():
            continue
        usual = float(np.nanmedian(off)) / NORMAL_MEDIAN
        worst = int(np.argmax(np.nan_to_num(off).max(axis=1)))
        u, unsurveyed = body.lever_arms_u.copy(), (given & ~surveyed_mask).sum()
        if np.nanmax(off) > ROBUST.wrong_sds and unsurveyed < given.sum() // ROBUST.most_unsurveyed:
            u[worst] = ROBUST.unsurveyed_u
        elif usual > ROBUST.survey_factor and np.allclose(u[surveyed_mask], stated[surveyed_mask]):
            u[given] = stated[given] * usual
            text = (
                f"markers stand {usual:.1f} times farther from their surveyed places than the "
                "stated survey uncertainty; it was raised"
            )
            findings.append(Diagnostic("survey_larger", text, f"vehicles.{body.name}.markers"))
        else:
            continue
        changed = changed.with_body(b, replace(body, lever_arms_u=u))
    return SurveyCheck(changed if changed is not setup else None, tuple(findings))


def _standard_distances(unit: Array, variance_ratio: Array, surveyed: NDArray[np.bool_]) -> Array:
    """Distances (markers, 3) of markers from their surveyed places, in their own sds; NaN where the
    films don't determine them.
    """
    determined = np.sqrt(np.maximum(1 - variance_ratio, 0.0))
    seen = (determined > ROBUST.determined) & surveyed[:, None]
    return np.where(seen, np.abs(unit) / np.where(seen, determined, 1.0), np.nan)


def unsurveyed_warnings(
    iterate: Iterate, vehicles: Mapping[str, VehicleGeometry]
) -> list[Diagnostic]:
    """Warnings that name the markers whose surveyed places were left out."""
    setup, out = iterate.setup, []
    for b, (body, part) in enumerate(zip(setup.bodies, setup.marker_slices, strict=True)):
        move = iterate.values[part].reshape(-1, 3)
        for m, name in enumerate(body.markers):
            if (
                vehicles[body.name].markers[name] is not None
                and body.lever_arms_u[m] == ROBUST.unsurveyed_u
            ):
                text = (
                    f"{name} stands {1e3 * np.linalg.norm(move[m]):.0f} mm from its surveyed "
                    "place, which was left out: it is solved with the body"
                )
                where = f"vehicles.{setup.bodies[b].name}.markers.{name}"
                out.append(Diagnostic("marker_survey_wrong", text, where))
    return out
