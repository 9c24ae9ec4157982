"""First contact found from the motion: the moment at which the striking vehicle's acceleration
jumps, as the one under which its path is most probable.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.motion.evidence import VehicleGeometry
from tracker.motion.model.prior import BUSY, HELD, LIMITS, QUIET, sides
from tracker.motion.model.spline import Basis, sites_for
from tracker.motion.model.unknowns import POSES, Setup
from tracker.motion.solver.iterate import Fit

FIXED = np.array([10.0, 50.0, 50.0])
"""Prior sds of value, rate and acceleration along the path (m, s)."""
JUMPS = 500.0, 1.0
"""Sds of the acceleration's jump at contact, m/s^2: of a hard blow, and of a soft one."""
CALM = 100.0
"""Greatest strength of the jerk before contact: an acceleration that wanders 3 m/s^2 in 0.1 s."""
UNLIKELY = 12.0
"""Times whose log probability is lower by this than the best's are left out."""
LIKELY = 3.0
"""Least gain of log evidence by a jump for there to have been a contact."""


@dataclass(frozen=True)
class Contact:
    """Time of contact on the cameras' clock, s, its u, and what to say about it."""

    value: float
    u: float
    findings: tuple[Diagnostic, ...]


@dataclass(frozen=True)
class Along:
    """Place along the path (n,), m, with its variance, at times (n,), s."""

    time: Array
    place: Array
    variance: Array


def find_contact(setup: Setup, fit: Fit, vehicles: Mapping[str, VehicleGeometry]) -> Contact:
    """The contact time of a solution that was made without one."""
    names = [b.name for b in setup.bodies]
    striking = [k for k, n in enumerate(names) if vehicles[n].role == "striking"]
    b = striking[0] if striking else 0
    path = along_path(setup, fit, b)
    first, last = float(path.time[0]), float(path.time[-1])
    frame = float(np.median(np.diff(path.time)))
    margin = max(5 * frame, 0.02 * (last - first))
    coarse = np.arange(first + margin, last - margin, max((last - first) / 80, 2 * frame))
    scores = np.array([onset(path, float(c), frame) for c in coarse])
    step = float(coarse[1] - coarse[0])
    likely = coarse[scores > scores.max() - UNLIKELY]
    fine = np.linspace(likely[0] - 1.5 * step, likely[-1] + 1.5 * step, 49)
    fine = fine[(fine > first + margin) & (fine < last - margin)]
    scores = np.array([onset(path, float(c), frame) for c in fine])
    plain = evidence(path, None, frame)
    weight = np.exp(scores - scores.max())
    weight /= weight.sum()
    value = float(weight @ fine)
    u = float(np.sqrt(weight @ (fine - value) ** 2 + (fine[1] - fine[0]) ** 2 / 12))
    findings: tuple[Diagnostic, ...] = ()
    if scores.max() < plain + LIKELY:
        text = "no moment of contact stands out in the motion; time zero is doubtful"
        findings = (Diagnostic("contact_unclear", text, f"vehicles.{names[b]}"),)
    return Contact(value, u, findings)


def along_path(setup: Setup, fit: Fit, b: int) -> Along:
    """Where each frame by itself sees a vehicle along its path, near the solution."""
    body = setup.bodies[b]
    handles = fit.at.values[setup.spline[b]].reshape(-1, POSES)
    out: list[tuple[Array, Array, Array]] = []
    sites = body.basis.sites
    early = sites[: max(2, len(sites) // 4)]
    way = (body.basis.design(early, 1) @ handles)[:, :2].mean(axis=0)
    direction = np.concatenate([way / max(float(np.linalg.norm(way)), 1e-9), np.zeros(4)])
    for k, e in enumerate(setup.eyes):
        columns = np.flatnonzero(e.body == b)
        weight = np.where(fit.keep[k], fit.weights[k], 0.0)[:, columns]
        rows = np.flatnonzero(weight.any(axis=1))
        if not len(rows):
            continue
        seen = fit.at.looks[k]
        jac = seen.by_pose[np.ix_(rows, columns)] * np.sqrt(weight[rows])[..., None, None]
        left = seen.residual[np.ix_(rows, columns)] * np.sqrt(weight[rows])[..., None]
        jac, left = jac.reshape(len(rows), -1, POSES), left.reshape(len(rows), -1, 1)
        held = np.diag(1 / np.array([3.0, 0.03, 0.03, 0.01, 0.01, 0.01]) ** 2)
        spread = np.linalg.inv(jac.mT @ jac + held)
        moved = (spread @ (jac.mT @ left))[..., 0]
        times = setup.times(fit.at.values, k)[rows]
        place = (body.basis.design(times) @ handles + moved) @ direction
        out.append((times, place, np.einsum("i,nij,j->n", direction, spread, direction)))
    time, place, variance = (np.concatenate([o[j] for o in out]) for j in range(3))
    order = np.argsort(time, kind="stable")
    return Along(time[order], place[order], variance[order])


def onset(path: Along, contact: float, frame: float) -> float:
    """Log probability (up to a constant) of a path if contact was at this time, be it that the
    acceleration jumps there or sets in gently, which are equally likely.
    """
    hard, soft = (evidence(path, contact, frame, jump) for jump in JUMPS)
    return float(np.logaddexp(hard, soft))


def evidence(path: Along, contact: float | None, frame: float, jump: float = 0.0) -> float:
    """Log probability (up to a constant) of a path if contact was at this time (None: never), with
    a jump of acceleration of this sd, the smoothness strengths at their most probable.
    """
    sites = sites_for(float(path.time[0]), float(path.time[-1]), contact, frame)
    basis = Basis(sites, () if contact is None else (contact,))
    rows = basis.design(path.time) / np.sqrt(path.variance)[:, None]
    middle = float(path.place.mean())
    left = (path.place - middle) / np.sqrt(path.variance)
    side = sides(basis)
    usual = np.array([BUSY[0]]) if contact is None else np.array([QUIET[0], BUSY[0]])
    strength = usual.copy()
    gram, right = rows.T @ rows, rows.T @ left
    most = np.array([LIMITS[1]] if contact is None else [CALM, LIMITS[1]])
    fixed = np.r_[FIXED, np.full(len(basis.breaks), jump)]
    score = -np.inf
    for _ in range(12):
        sd = np.concatenate([fixed, np.sqrt(strength[side] / basis.intervals)])
        whole = gram * sd * sd[:, None] + np.eye(len(sd))
        factor = cho_factor(whole, lower=True)
        unit = cho_solve(factor, right * sd)
        variance = np.diag(cho_solve(factor, np.eye(len(sd))))
        new = 0.5 * float(right * sd @ unit) - float(np.sum(np.log(np.diag(factor[0]))))
        if new - score < 0.05:
            return max(new, score)
        score = new
        square, spent = unit[basis.jerk] ** 2, 1 - variance[basis.jerk]
        for s in range(len(strength)):
            gain = square[side == s].sum() + HELD * usual[s] / strength[s]
            strength[s] *= gain / (spent[side == s].sum() + HELD)
        strength = np.clip(strength, LIMITS[0], most)
    return score
