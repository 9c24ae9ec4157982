"""First contact found from the motion: the time at which the striking vehicle's acceleration
jumps. It is the one under which the vehicle's path is most probable.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.motion.evidence import VehicleGeometry
from tracker.motion.initial.onset import PoseEvidence, onset, pose_evidence
from tracker.motion.initial.options import ONSET
from tracker.motion.model.prior import DENSITY_AFTER, DENSITY_BEFORE, stretches
from tracker.motion.model.spline import Basis, place_breakpoints
from tracker.motion.model.unknowns import COMPONENTS
from tracker.motion.options import CONTACT, PRIOR
from tracker.motion.solver.iterate import Iterate

_ANCHOR_U = np.array([CONTACT.place_u, CONTACT.speed_u, CONTACT.acceleration_u])
_FRAME_U = np.array([CONTACT.frame_u_x] + [CONTACT.frame_u_yz] * 2 + [CONTACT.frame_u_angle] * 3)


@dataclass(frozen=True)
class Contact:
    """Time of contact on the cameras' clock, s, its u, and what to say about it."""

    value: float
    u: float
    findings: tuple[Diagnostic, ...]


@dataclass(frozen=True)
class PathPlaces:
    """Place along the path (n,), m, with its variance, at times (n,), s."""

    time: Array
    place: Array
    variance: Array


def find_contact(iterate: Iterate, vehicles: Mapping[str, VehicleGeometry]) -> Contact:
    """The contact time of a solution that was made without one."""
    b = striking_body(iterate, vehicles) or 0
    seen, (way, speed) = pose_evidence(iterate, b), direction_of(iterate, b)
    path = path_places(seen, way)
    first, last = float(path.time[0]), float(path.time[-1])
    frame = float(np.median(np.diff(path.time)))
    margin = max(CONTACT.margin_frames * frame, CONTACT.margin_share * (last - first))
    step = max((last - first) / CONTACT.coarse_steps, CONTACT.coarse_frames * frame)
    coarse = np.arange(first + margin, last - margin, step)
    scores = np.array([onset_log_evidence(path, float(c), frame) for c in coarse])
    without = log_evidence(path, None, frame)
    weight = np.exp(scores - scores.max())
    weight /= weight.sum()
    rough = float(weight @ coarse)
    spread = float(np.sqrt(weight @ (coarse - rough) ** 2))
    reach = max(ONSET.reach, CONTACT.coarse_reach * (coarse[1] - coarse[0]), spread)
    found = onset(seen, way, speed, rough, reach)
    findings: tuple[Diagnostic, ...] = ()
    if scores.max() < without + CONTACT.least_gain:
        text = "no moment of contact stands out in the motion; time zero is doubtful"
        findings = (
            Diagnostic("contact_unclear", text, f"vehicles.{iterate.setup.bodies[b].name}"),
        )
    return Contact(found.value, found.u, findings)


def striking_body(iterate: Iterate, vehicles: Mapping[str, VehicleGeometry]) -> int | None:
    """Which body of the solution is the striking vehicle; None without one."""
    names = [b.name for b in iterate.setup.bodies]
    return next((k for k, n in enumerate(names) if vehicles[n].role == "striking"), None)


def direction_of(iterate: Iterate, b: int) -> tuple[Array, float]:
    """The way that a vehicle goes at first: a unit vector (6,) in the ground plane, and its speed,
    m/s.
    """
    setup, body = iterate.setup, iterate.setup.bodies[b]
    jerk_coefficients = iterate.values[setup.spline_slices[b]].reshape(-1, COMPONENTS)
    breakpoints = body.basis.breakpoints
    early = breakpoints[: max(2, int(len(breakpoints) * CONTACT.direction_share))]
    way = (body.basis.design(early, 1) @ jerk_coefficients)[:, :2].mean(axis=0)
    speed = float(np.linalg.norm(way))
    return np.concatenate([way / max(speed, 1e-9), np.zeros(4)]), speed


def path_places(seen: PoseEvidence, way: Array) -> PathPlaces:
    """Place along its path `way` (6,) at which each frame alone sees a vehicle."""
    covariance = np.linalg.inv(seen.information + np.diag(1 / _FRAME_U**2))
    offset = (covariance @ seen.pull[..., None])[..., 0]
    variance = np.einsum("i,nij,j->n", way, covariance, way)
    return PathPlaces(seen.time, (seen.pose + offset) @ way, variance)


def onset_log_evidence(path: PathPlaces, contact: float, frame: float) -> float:
    """Log probability (up to a constant) of a path if contact was at this time. A hard and a soft
    onset of the acceleration are equally likely.
    """
    jumps = CONTACT.hard_jump_u, CONTACT.soft_jump_u
    hard, soft = (log_evidence(path, contact, frame, jump) for jump in jumps)
    return float(np.logaddexp(hard, soft))


def log_evidence(path: PathPlaces, contact: float | None, frame: float, jump: float = 0.0) -> float:
    """Log probability (up to a constant) of a path, the jerk densities at their most probable.

    Parameters
    ----------
    contact : time of contact, s; None: there was none.
    frame : frame interval, s.
    jump : sd of the acceleration's jump at contact, m/s2.
    """
    breakpoints = place_breakpoints(float(path.time[0]), float(path.time[-1]), contact, frame)
    basis = Basis(breakpoints, () if contact is None else (contact,))
    rows = basis.design(path.time) / np.sqrt(path.variance)[:, None]
    middle = float(path.place.mean())
    residual = (path.place - middle) / np.sqrt(path.variance)
    stretch = stretches(basis)
    usual = DENSITY_AFTER[:1]
    if contact is not None:
        usual = np.array([DENSITY_BEFORE[0], DENSITY_AFTER[0]])
    jerk_density = usual.copy()
    gram, right = rows.T @ rows, rows.T @ residual
    most = np.array([PRIOR.density_most])
    if contact is not None:
        most = np.array([CONTACT.density_before, PRIOR.density_most])
    fixed = np.r_[_ANCHOR_U, np.full(len(basis.breaks), jump)]
    score, prior_dof = -np.inf, PRIOR.expected_dof
    for _ in range(CONTACT.density_steps):
        sd = np.concatenate([fixed, np.sqrt(jerk_density[stretch] / basis.intervals)])
        whole = gram * sd * sd[:, None] + np.eye(len(sd))
        factor = cho_factor(whole, lower=True)
        unit = cho_solve(factor, right * sd)
        variance = np.diag(cho_solve(factor, np.eye(len(sd))))
        new = 0.5 * float(right * sd @ unit) - float(np.sum(np.log(np.diag(factor[0]))))
        if new - score < CONTACT.density_gain:
            return max(new, score)
        score = new
        square, used_dof = unit[basis.jerk] ** 2, 1 - variance[basis.jerk]
        for s in range(len(jerk_density)):
            gain = square[stretch == s].sum() + prior_dof * usual[s] / jerk_density[s]
            jerk_density[s] *= gain / (used_dof[stretch == s].sum() + prior_dof)
        jerk_density = np.clip(jerk_density, PRIOR.density_least, most)
    return score
