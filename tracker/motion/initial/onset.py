"""First contact as the striking vehicle's motion shows: an acceleration that is none before
and sets in with a force that grows over some crush.

Before contact the vehicle coasts. From then on its acceleration is the sum of a step, reached by a
ramp over an unknown crush, a slope, and a white third derivative. The probability of the marks
under this is found at each time; what is not known beside it (how large, how steep, how smooth) is
integrated out. The other components of the motion may stand off from the solution by a slow curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.special import logsumexp

from calibration.arrays import Array
from tracker.motion.initial.options import ONSET
from tracker.motion.model.unknowns import COMPONENTS
from tracker.motion.solver.iterate import Iterate

_CRUSHES = np.array([0.0, 0.01, 0.02, 0.04, 0.08, 0.16])
_CRUSH_PROBABILITIES = np.array([0.7, 0.14, 0.08, 0.045, 0.02, 0.015])
"""Crush, m, over which the force sets in, and how probable each is beforehand: most blows set in
at once, bumpers and uneven faces take centimetres (common practice, no source)."""
_SMOOTHNESS = 10.0 ** np.arange(7, 13)
"""Spectral densities, m2/s7, of the white third derivative of place's second, equally probable."""
_CENTRES = 4
"""Legendre polynomials of the slow curve of other components."""


@dataclass(frozen=True)
class PoseEvidence:
    """What each frame alone says of a vehicle's pose (n, 6), as information (n, 6, 6) and its
    product with how far it lies from the solution's (n, 6); times (n,), s, in order.
    """

    time: Array
    information: Array
    pull: Array
    pose: Array


@dataclass(frozen=True)
class ContactOnset:
    """When an acceleration set in, s on the solution's clock, with its u."""

    value: float
    u: float


def pose_evidence(iterate: Iterate, b: int) -> PoseEvidence:
    """What each frame says of a body's pose, near the solution."""
    setup, body = iterate.setup, iterate.setup.bodies[b]
    jerk_coefficients = iterate.values[setup.spline_slices[b]].reshape(-1, COMPONENTS)
    parts: list[tuple[Array, Array, Array, Array]] = []
    for k, cam in enumerate(setup.cameras):
        columns = np.flatnonzero(cam.body == b)
        weight = np.where(iterate.inlier_masks[k], iterate.weights[k], 0.0)[:, columns]
        rows = np.flatnonzero(weight.any(axis=1))
        if not len(rows):
            continue
        lin, root = iterate.linearizations[k], np.sqrt(weight[rows])
        jac = lin.by_pose[np.ix_(rows, columns)] * root[..., None, None]
        residual = lin.residual[np.ix_(rows, columns)] * root[..., None]
        jac, residual = jac.reshape(len(rows), -1, COMPONENTS), residual.reshape(len(rows), -1, 1)
        times = setup.times(iterate.values, k)[rows]
        pose = body.basis.design(times) @ jerk_coefficients
        parts.append((times, jac.mT @ jac, (jac.mT @ residual)[..., 0], pose))
    time, information, pull, pose = (np.concatenate([p[j] for p in parts]) for j in range(4))
    order = np.argsort(time, kind="stable")
    return PoseEvidence(time[order], information[order], pull[order], pose[order])


def onset(
    evidence: PoseEvidence, way: Array, speed: float, near: float, reach: float
) -> ContactOnset:
    """The time at which the acceleration along a path set in.

    Parameters
    ----------
    way : (6,) unit vector of the path, ground axes, no angles.
    speed : m/s before contact, which makes times of crushes.
    near, reach : s, where contact is sought and how far from there.
    """
    frame = max(float(np.median(np.diff(np.unique(evidence.time)))), ONSET.least_step)
    first, last = float(evidence.time[0]), float(evidence.time[-1])
    for _ in range(ONSET.rounds):
        model = _SpeedModel(evidence, way, speed, near)
        low = max(near - reach, first + ONSET.least_frames * frame)
        high = min(near + reach, model.last - ONSET.least_after, last)
        times = np.linspace(low, max(high, low + frame), ONSET.coarse_times)
        found = _moments(times, model.log_probabilities(times))
        if abs(found.value - near) < ONSET.near_enough:
            break
        near = found.value
    step = float(times[1] - times[0])
    if found.u > ONSET.fine_from * step:
        return found
    half = ONSET.fine_reach * (found.u + step)
    times = found.value + np.linspace(-half, half, ONSET.coarse_times)
    return _moments(times, model.log_probabilities(times))


def _moments(times: Array, log_probability: Array) -> ContactOnset:
    weight = np.exp(log_probability - logsumexp(log_probability))
    value, step = float(weight @ times), float(times[1] - times[0])
    return ContactOnset(value, float(np.sqrt(weight @ (times - value) ** 2 + step**2 / 12)))


class _SpeedModel:
    """The frames about contact, all but the path along `way` taken in beforehand."""

    def __init__(self, evidence: PoseEvidence, way: Array, speed: float, near: float) -> None:
        self.last = near + ONSET.after
        on = (evidence.time >= near - ONSET.before) & (evidence.time <= self.last)
        self.time, information = evidence.time[on], evidence.information[on]
        self.ramps = _CRUSHES / max(speed, ONSET.least_speed)
        place = evidence.pose[on] @ way
        place -= place.mean()
        others = np.linalg.svd(way[None])[2][1:].T  # (6, 5)
        self.along = np.einsum("i,nij,j->n", way, information, way)
        cross = np.einsum("ia,nij,j->na", others, information, way)
        across = np.einsum("ia,nij,jb->nab", others, information, others)
        pull = evidence.pull[on]
        self.side = pull @ way + self.along * place
        side = pull @ others + cross * place[:, None]
        unit = np.interp(self.time, [self.time[0], self.time[-1]], [-1.0, 1.0])
        curve = np.polynomial.legendre.legvander(unit, _CENTRES - 1)
        u = np.array([ONSET.place_u] * 3 + [ONSET.angle_u] * 3)
        prior = np.tile((others**2 / u[:, None] ** 2).sum(axis=0), _CENTRES)
        square = np.einsum("nk,nl,nab->kalb", curve, curve, across, optimize=True)
        root = np.linalg.cholesky(square.reshape(len(prior), -1) + np.diag(prior))
        mixed = (curve[:, :, None] * cross[:, None, :]).reshape(len(curve), -1)
        self.mixed = solve_triangular(root, mixed.T, lower=True)
        self.mixed_side = solve_triangular(
            root, np.einsum("nk,na->ka", curve, side).ravel(), lower=True
        )

    def log_probabilities(self, times: Array) -> Array:
        """Log probability (n,), up to a constant, of contact at each of these times (n,)."""
        return np.array([self._log_probability(float(t)) for t in times])

    def _log_probability(self, contact: float) -> float:
        each = [
            np.log(probability) + self._log_evidence(contact, float(ramp))
            for ramp, probability in zip(self.ramps, _CRUSH_PROBABILITIES, strict=True)
        ]
        return float(logsumexp(each))

    def _log_evidence(self, contact: float, ramp: float) -> float:
        """Of one ramp's length, s, the mean over all degrees of smoothness."""
        design, length = _design(self.time, contact, self.last, ramp)
        eliminated = self.mixed @ design
        square = (design * self.along[:, None]).T @ design - eliminated.T @ eliminated
        side = design.T @ self.side - eliminated.T @ self.mixed_side
        fixed = [ONSET.path_u, ONSET.speed_u, ONSET.coasting_u, ONSET.step_u, ONSET.slope_u]
        sd = np.empty((len(_SMOOTHNESS), len(side)))
        sd[:, :5], sd[:, 5:] = fixed, np.sqrt(_SMOOTHNESS / length)[:, None]
        whole = square * sd[:, :, None] * sd[:, None, :] + np.eye(len(side))
        root = np.linalg.cholesky(whole)
        unit = np.linalg.solve(root, (side * sd)[..., None])[..., 0]
        log_root = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        return float(logsumexp(0.5 * np.sum(unit**2, axis=1) - log_root) - np.log(len(sd)))


def _design(time: Array, contact: float, last: float, ramp: float) -> tuple[Array, float]:
    """Place along the path (n, 5 + k) by place, speed, acceleration before contact, step and slope
    of the acceleration from then on, and k intervals, of a length in s, of its third derivative.
    """
    since = time - contact
    after = np.maximum(since, 0.0)
    step = after**2 / 2
    if ramp > 0:
        step = (after**3 - np.maximum(after - ramp, 0.0) ** 3) / (6 * ramp)
    count = int(np.ceil((last - contact) / ONSET.interval))
    starts = np.linspace(contact, last, count + 1)
    power = np.maximum(time[:, None] - starts, 0.0) ** 4 / 24
    fixed = np.stack([np.ones_like(time), since, since**2 / 2, step, after**3 / 6], axis=1)
    return np.concatenate([fixed, power[:, :-1] - power[:, 1:]], axis=1), (last - contact) / count
