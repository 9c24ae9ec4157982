"""Which fault, if any, explains the difference between a channel and the film.

Every explanation is a model of the channel's integral made from the film's; it is fitted by
generalised least squares and judged by its chi-square. Explanations with more faults must earn
each of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import stats

from calibration.arrays import Array
from tracker.core.time_series import integrate
from tracker.crosscheck.options import CROSS_CHECK
from tracker.crosscheck.residuals import Evidence

Fault = Literal["scale", "offset", "polarity", "time_shift", "dropout", "saturation"]

_KINDS = 6  # single faults that are tried on it

EXPLANATIONS: tuple[tuple[Fault, ...], ...] = (
    (),
    ("scale",),
    ("offset",),
    ("polarity",),
    ("time_shift",),
    ("dropout",),
    ("saturation",),
    ("scale", "offset"),
    ("scale", "time_shift"),
    ("offset", "time_shift"),
    ("polarity", "scale"),
    ("polarity", "offset"),
    ("polarity", "time_shift"),
    ("scale", "dropout"),
    ("offset", "dropout"),
    ("scale", "saturation"),
    ("scale", "offset", "time_shift"),
    ("polarity", "scale", "offset"),
    ("polarity", "scale", "time_shift"),
)
"""Sets of faults tried, simplest first. No fault goes with another that would hide it."""


@dataclass(frozen=True)
class Fit:
    """One explanation, its estimates and how much difference it leaves."""

    faults: tuple[Fault, ...]
    estimate: dict[str, float]  # scale: ratio; offset: SI; time_shift, dropout: s; saturation: SI
    u: dict[str, float]
    chi2: float
    dof: int


@dataclass(frozen=True)
class FaultChoice:
    """The chosen explanation and what else was nearly as good."""

    sound: Fit
    chosen: Fit
    rivals: tuple[Fit, ...]  # as few faults, chi-square within 4 of the chosen
    significant: bool  # a sound channel would differ this much in under 1 % of tests
    explained: bool  # the chosen explanation leaves no significant difference


def choose_faults(evidence: Evidence) -> FaultChoice:
    """Chooses the simplest explanation that no further fault improves significantly.

    The critical values are those of F with the draws' degrees of freedom (Hotelling), the 1 % of
    false alarms being shared by the six single faults and the test of any difference at all.
    """
    fits = [fit(evidence, faults) for faults in EXPLANATIONS if len(faults) < 2]
    sound = chosen = fits[0]
    spare = _spare(evidence)
    any_difference = _critical(CROSS_CHECK.false_alarm * CROSS_CHECK.omnibus, sound.dof, spare)
    for count in (1, 2, 3):
        if len(chosen.faults) != count - 1:
            break
        if count > 1:
            fits += [fit(evidence, faults) for faults in EXPLANATIONS if len(faults) == count]
        whole = sound.chi2 > any_difference
        more = [f for f in fits if len(f.faults) == count and (whole or not _scan(f))]
        best = min(more, key=lambda f: f.chi2 + _scan(f), default=None)
        if best is not None and chosen.chi2 - best.chi2 > _step(spare) + _scan(best):
            chosen = best
    significant = bool(chosen.faults) or sound.chi2 > any_difference
    rivals = tuple(
        f
        for f in fits
        if f is not chosen
        and len(f.faults) == len(chosen.faults)
        and f.chi2 < chosen.chi2 + CROSS_CHECK.rival
    )
    explained = chosen.chi2 <= _critical(
        CROSS_CHECK.false_alarm * CROSS_CHECK.omnibus, chosen.dof, spare
    )
    return FaultChoice(sound, chosen, rivals if chosen.faults else (), significant, explained)


def sound_covariance(evidence: Evidence) -> Array:
    """Covariance (j, j) of a sound channel less film."""
    return _covariance(evidence, (), 1.0)


def fault_step(evidence: Evidence) -> float:
    """How much chi-square a single fault must take away to be found."""
    return _step(_spare(evidence))


def _spare(evidence: Evidence) -> int:
    """Degrees of freedom of the covariance that the draws give."""
    return max(evidence.draws - int(evidence.basis.shape[1]), 5)


def fit(evidence: Evidence, faults: tuple[Fault, ...]) -> Fit:
    """Generalised least squares of one explanation."""
    gain = -1.0 if "polarity" in faults else 1.0
    for _ in range(2 if "scale" in faults else 1):
        result = _fit(evidence, faults, gain)
        gain = result.estimate.get("scale", 1.0) * (-1.0 if "polarity" in faults else 1.0)
    return result


def _fit(evidence: Evidence, faults: tuple[Fault, ...], gain: float) -> Fit:
    sign = -1.0 if "polarity" in faults else 1.0
    scanned, values, shapes, rows = _shapes(evidence, faults)
    covariance = _covariance(evidence, faults, gain)
    whiten = np.swapaxes(np.linalg.inv(np.linalg.cholesky(covariance)), -1, -2)
    measured = _times(rows, whiten)  # (c, j), as all below
    regressors = sign * _times(shapes, whiten)
    fixed = _times(np.broadcast_to(evidence.line, regressors.shape), whiten)
    bent, seen = regressors, measured
    if "offset" in faults:  # the best offset is taken out of both sides
        along = fixed / np.linalg.norm(fixed, axis=-1, keepdims=True)
        bent = bent - np.sum(bent * along, axis=-1, keepdims=True) * along
        seen = seen - np.sum(seen * along, axis=-1, keepdims=True) * along
    energy, cross = np.sum(bent**2, axis=-1), np.sum(bent * seen, axis=-1)
    fitted = cross**2 / np.maximum(energy, 1e-300) if "scale" in faults else 2.0 * cross - energy
    left = np.sum(seen**2, axis=-1) - fitted
    c = int(np.argmin(left))
    chi2 = float(left[c])
    estimate, u = _linear(
        faults, *(part[min(c, len(part) - 1)] for part in (measured, regressors, fixed))
    )
    if scanned is not None:
        estimate[scanned], u[scanned], low = _vertex(values, left, c)
        chi2 = min(chi2, low)
    if "polarity" in faults:
        estimate["polarity"], u["polarity"] = -1.0, 0.0
    if estimate.get("scale", 1.0) <= 0.0:
        chi2 = float("inf")  # that is a matter of polarity
    used = len(faults) - ("polarity" in faults)
    return Fit(faults, estimate, u, max(chi2, 0.0), evidence.basis.shape[1] - used)


def _covariance(evidence: Evidence, faults: tuple[Fault, ...], gain: float) -> Array:
    """Covariance (j, j) of channel less film, (c, j, j) one for each time of death.

    The film's error counts as the channel would have shown it: not beyond its death.
    """
    dropout = "dropout" in faults
    film = evidence.stopped_covariance if dropout else evidence.film_covariance
    covariance = gain**2 * film + evidence.own
    if "scale" not in faults:
        part = evidence.stopped if dropout else evidence.film_part
        spread = evidence.tolerance.scale * part
        covariance = covariance + spread[..., :, None] * spread[..., None, :]
    if "time_shift" not in faults:
        spread = evidence.tolerance.time * evidence.film_rate
        covariance = covariance + np.outer(spread, spread)
    if "offset" not in faults:
        spread = evidence.offset_sd * evidence.line
        covariance = covariance + np.outer(spread, spread)
    return covariance


def _times(rows: Array, whiten: Array) -> Array:
    """Rows (c, j) or (1, j) times one matrix (j, j), or each its own (c, j, j)."""
    if whiten.ndim == 2:
        return rows @ whiten
    return np.asarray(np.einsum("cj,cjk->ck", np.broadcast_to(rows, whiten.shape[:2]), whiten))


def _shapes(
    evidence: Evidence, faults: tuple[Fault, ...]
) -> tuple[Fault | None, Array, Array, Array]:
    """The fault looked for at values (c,), the film bent by each, the channel: (c, j) or (1, j).

    A delay moves the cleaner of the two, so that noise is not shifted into a likeness.
    """
    film, channel = evidence.film_part[None], evidence.measured_part[None]
    if "time_shift" in faults:
        if np.trace(evidence.film_covariance) > np.trace(evidence.own):
            return "time_shift", evidence.shifts, film, evidence.early_channel
        return "time_shift", evidence.shifts, evidence.late_film, channel
    if "dropout" in faults:
        return "dropout", evidence.stops, evidence.stopped, channel
    if "saturation" in faults:
        reading = evidence.film.reading
        share = np.linspace(CROSS_CHECK.lowest_clip, 1.0, CROSS_CHECK.clip_levels)
        levels = float(np.abs(reading).max()) * share
        clipped = np.clip(reading, -levels[:, None], levels[:, None])
        bent = integrate(evidence.film.time, clipped) @ evidence.basis
        return "saturation", levels, bent, channel
    return None, np.zeros(1), film, channel


def _linear(
    faults: tuple[Fault, ...], measured: Array, shape: Array, fixed: Array
) -> tuple[dict[str, float], dict[str, float]]:
    """Scale and offset by least squares, with their standard uncertainties."""
    names = [name for name in ("scale", "offset") if name in faults]
    if not names:
        return {}, {}
    design = np.stack([shape if name == "scale" else fixed for name in names], axis=-1)
    inverse = np.linalg.pinv(design.T @ design)
    left = measured if "scale" in faults else measured - shape
    solution = inverse @ design.T @ left
    spread = np.sqrt(np.diag(inverse))
    return (
        {name: float(x) for name, x in zip(names, solution, strict=True)},
        {name: float(x) for name, x in zip(names, spread, strict=True)},
    )


def _vertex(at: Array, chi2: Array, k: int) -> tuple[float, float, float]:
    """Place, standard uncertainty and value of a parabola through the lowest three points."""
    if k in (0, len(at) - 1):
        return float(at[k]), float(abs(at[1] - at[0])), float(chi2[k])
    step = 0.5 * (at[k + 1] - at[k - 1])
    curvature = (chi2[k + 1] - 2.0 * chi2[k] + chi2[k - 1]) / step**2
    slope = (chi2[k + 1] - chi2[k - 1]) / (2.0 * step)
    if curvature <= 0.0:
        return float(at[k]), float(step), float(chi2[k])
    move = float(np.clip(-slope / curvature, -step, step))
    low = chi2[k] + slope * move + 0.5 * curvature * move**2
    return float(at[k] + move), float(np.sqrt(2.0 / curvature)), float(low)


def _step(spare: int) -> float:
    """How much chi-square one more fault must take away."""
    alone = CROSS_CHECK.false_alarm * (1.0 - CROSS_CHECK.omnibus) / _KINDS
    return float(stats.f.isf(alone, 1, spare))


def _scan(fit: Fit) -> float:
    """More of it for faults that are looked for at many places along the record.

    They also need a difference that is significant as a whole, since a film that knows little can
    be fitted by many of them.
    """
    return CROSS_CHECK.scan if {"dropout", "saturation"} & set(fit.faults) else 0.0


def _critical(level: float, dof: int, spare: int) -> float:
    """Critical chi-square of `dof` numbers whose covariance was estimated from draws."""
    return float(dof * (spare + dof - 1) / spare * stats.f.isf(level, dof, spare))
