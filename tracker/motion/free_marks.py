"""Paths of marks that move each by itself, from the cameras that the joint estimate has posed.

A mark stands still until contact; from then on its displacement is a cubic spline whose jerk is
white noise of a density that makes its film most likely (a Gaussian process: maximum marginal
likelihood). Errors of cameras and clocks come from the draws of the joint solution, so that they
are the same for all marks of a draw and largely cancel in a displacement.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, cholesky, solve_triangular

from calibration.arrays import Array
from calibration.camera import PARAMETERS, Camera
from calibration.constants import MAD_TO_SD
from tracker.core.types import ARTICLE, FreePath, MarkId
from tracker.motion.evidence import CameraEvidence
from tracker.motion.free_mark_options import FREE_MARKS
from tracker.motion.free_mark_spline import DisplacementSpline
from tracker.motion.posterior import Draws, Solution

_DENSITIES = 10.0 ** np.arange(1, 10)
"""m2/s5; spectral densities of jerk that are tried."""
_STEPS = 12
"""Newton steps of each fit at most: a camera's projection is nearly linear over a mark's way,
unless it flies towards the camera."""
_SHORTER = (1.0, 0.5, 0.25, 0.1, 0.02)
"""Shares of a step that are tried until the fit improves."""
_CONVERGED = 1e-7
"""Share of the cost by which the last step improves it."""


@dataclass(frozen=True)
class FreeMark:
    """A mark that moves by itself: its surveyed place (ground axes, m), the sd of that, and how far
    it is expected to rise or fall (sd, m; None: the option's).
    """

    at: tuple[float, float, float]
    u: float
    rise_u: float | None = None

    @property
    def sd(self) -> Array:
        """Expected displacement (3,) along x, y, z, m."""
        rise = FREE_MARKS.rise_u if self.rise_u is None else self.rise_u
        return np.array([FREE_MARKS.level_u, FREE_MARKS.level_u, rise])


@dataclass(frozen=True)
class _Sightings:
    """Every sighting of one mark by all cameras, in order of camera."""

    time: Array  # (n,) s, common clock
    pixel: Array  # (n, 2) px, stabilised
    covariance: Array  # (n, 2, 2)
    camera: NDArray[np.int64]  # (n,)
    cameras: tuple[Camera, ...]
    change: tuple[Array, ...]  # of each camera: (m, 15) its parameters in each draw less the mean
    shift: tuple[Array, ...]  # of each camera: (m, its sightings) s, of its clock in each draw


def free_paths(
    solution: Solution,
    cameras: Mapping[str, CameraEvidence],
    marks: Mapping[str, FreeMark],
    draws: Draws,
    times: Array,
) -> dict[str, FreePath]:
    """The path of each mark of the article that a posed camera saw, at `times` (n,) s as far as it
    was seen, with one path a draw of `draws`.

    A mark that no film shows after contact has no path.
    """
    posed = {
        cam.name: k for k, cam in enumerate(solution.setup.cameras) if cam.name in solution.cameras
    }
    found = {}
    for number, (name, mark) in enumerate(marks.items()):
        seen = _sightings(solution, cameras, posed, MarkId(ARTICLE, name), draws)
        if seen is None or seen.time.max() <= 0:
            continue
        lost = _lost_at(solution, cameras, posed, MarkId(ARTICLE, name))
        inside = times[(times >= seen.time.min() - 1e-9) & (times <= seen.time.max() + 1e-9)]
        every = -(-len(inside) // FREE_MARKS.most_times) or 1
        rng = np.random.default_rng([len(draws), number])
        found[name] = _path(seen, mark, np.unique(inside)[::every], rng, lost)
    return found


def _sightings(
    solution: Solution,
    cameras: Mapping[str, CameraEvidence],
    posed: Mapping[str, int],
    mark: MarkId,
    draws: Draws,
) -> _Sightings | None:
    values = solution.iterate.values
    parts: list[tuple[Array, ...]] = []
    posed_cameras: list[Camera] = []
    changes: list[Array] = []
    shifts: list[Array] = []
    for name, evidence in cameras.items():
        if name not in posed or mark not in evidence.marks:
            continue
        column, k = evidence.marks.index(mark), posed[name]
        frames = np.flatnonzero(
            evidence.measured_mask[:, column]
            & np.isfinite(evidence.position[:, column]).all(axis=1)
        )
        if not len(frames):
            continue
        pixel, covariance = _stabilised_sightings(evidence, column, frames)
        clock = solution.clocks[name]
        seconds = evidence.seconds[frames]
        part = solution.setup.camera_slices[k]
        root = solution.setup.cameras[k].covariance_root
        away = draws.values[:, part] - values[part]
        changes.append(away[:, :PARAMETERS] @ root.T)
        shifts.append(away[:, -2, None] + away[:, -1, None] * seconds)
        parts.append(
            (
                clock.common_times(seconds),
                pixel,
                covariance,
                np.full(len(frames), len(posed_cameras)),
            )
        )
        posed_cameras.append(solution.cameras[name])
    if not parts:
        return None
    time, pixel, covariance, camera = (np.concatenate(each) for each in zip(*parts, strict=True))
    return _Sightings(
        time,
        pixel,
        covariance,
        camera.astype(np.int64),
        tuple(posed_cameras),
        tuple(changes),
        tuple(shifts),
    )


def _stabilised_sightings(
    evidence: CameraEvidence, column: int, frames: NDArray[np.intp]
) -> tuple[Array, Array]:
    """Pixels (n, 2) in the reference frame and their covariance, that of stabilising included."""
    seen, covariance = evidence.position[frames, column], evidence.covariance[frames, column]
    steady = evidence.stabilisation
    if steady is None:
        return seen, covariance
    pixel = np.array(
        [steady.stabilised_pixels(int(f), uv[None])[0] for f, uv in zip(frames, seen, strict=True)]
    )
    du, dv = (pixel - steady.centre).T
    one, zero = np.ones_like(du), np.zeros_like(du)
    by = np.stack(
        [np.stack([one, zero, -dv, du], axis=-1), np.stack([zero, one, du, dv], axis=-1)], axis=-2
    )
    return pixel, covariance + by @ steady.covariance[frames] @ np.swapaxes(by, 1, 2)


def _lost_at(
    solution: Solution,
    cameras: Mapping[str, CameraEvidence],
    posed: Mapping[str, int],
    mark: MarkId,
) -> float | None:
    """When a mark was last seen, if every camera that saw it lost it well before its film ended."""
    last = []
    for name, evidence in cameras.items():
        if name not in posed or mark not in evidence.marks:
            continue
        frames = np.flatnonzero(evidence.measured_mask[:, evidence.marks.index(mark)])
        if not len(frames):
            continue
        times = solution.clocks[name].common_times(evidence.seconds)
        if times[-1] - times[frames[-1]] < FREE_MARKS.lost_hold:
            return None
        last.append(float(times[frames[-1]]))
    return max(last, default=None)


def _path(
    seen: _Sightings, mark: FreeMark, times: Array, rng: np.random.Generator, lost: float | None
) -> FreePath:
    frame = FREE_MARKS.usual_frame
    if len(seen.time) > 2:
        frame = float(np.median(np.diff(np.unique(seen.time))))
    model = DisplacementSpline(float(seen.time.max()), frame)
    rows = model.rows(seen.time)
    size = rows.shape[1]
    values = np.zeros((size, 3))
    values[0] = mark.at
    prior_mean = values.copy()
    weight: Array = np.asarray(np.linalg.inv(seen.covariance), dtype=np.float64)
    density = float(_DENSITIES[len(_DENSITIES) // 2])
    for stage in range(3):
        prior = _prior(model, mark, density)
        values = _fit_path(seen, rows, values, weight, prior, prior_mean)
        residual, design = _linear(seen, rows, values)
        if stage < 2:
            weight = _robust(seen, residual)
            density = _best_density(model, mark, design, weight, residual, values - prior_mean)
    prior = _prior(model, mark, density)
    draws = _draw_paths(seen, model, values, design, weight, prior, rng)
    out = model.rows(times)
    samples = np.einsum("nk,mkc->mnc", out, draws)
    position, u = out @ values, np.std(samples, axis=0, ddof=1)
    most = np.array([FREE_MARKS.level_u, FREE_MARKS.level_u, FREE_MARKS.rise_u])
    known = u <= FREE_MARKS.known_share * most
    return FreePath(
        times, np.where(known, position, np.nan), u, samples, values[0], draws[:, 0], lost
    )


def _fit_path(
    seen: _Sightings, rows: Array, values: Array, weight: Array, prior: Array, prior_mean: Array
) -> Array:
    """The unknowns (size, 3) of least cost, from `values` on. A step that makes the fit worse, or
    puts the mark behind a camera, is shortened.
    """
    cost = _cost(seen, rows, values, weight, prior, prior_mean)
    for _ in range(_STEPS):
        residual, design = _linear(seen, rows, values)
        normal, gradient = _normal(design, weight, residual, prior, prior_mean - values)
        step = np.asarray(cho_solve(normal, gradient)).reshape(values.shape)
        before = cost
        for share in _SHORTER:
            trial = values + share * step
            found = _cost(seen, rows, trial, weight, prior, prior_mean)
            if found < cost:
                values, cost = trial, found
                break
        if before - cost <= _CONVERGED * before:
            break
    return values


def _cost(
    seen: _Sightings, rows: Array, values: Array, weight: Array, prior: Array, prior_mean: Array
) -> float:
    """Weighted squares of residuals and of departures from the prior; infinite behind a camera."""
    places = rows @ values
    for k, camera in enumerate(seen.cameras):
        if (camera.in_camera_axes(places[seen.camera == k])[:, 2] <= FREE_MARKS.least_depth).any():
            return float("inf")
    residual, _ = _linear(seen, rows, values)
    off = (values - prior_mean).ravel()
    found = np.einsum("ni,nij,nj->", residual, weight, residual) + off @ prior @ off
    return float(found) if np.isfinite(found) else float("inf")


def _linear(seen: _Sightings, rows: Array, values: Array) -> tuple[Array, Array]:
    """Residuals (n, 2) and their design (n, 2, unknowns a coordinate, 3)."""
    places = rows @ values
    predicted, by = np.empty_like(seen.pixel), np.empty((len(places), 2, 3))
    for k, camera in enumerate(seen.cameras):
        own = seen.camera == k
        predicted[own], by[own], _ = camera.project_with_derivatives(places[own])
    return seen.pixel - predicted, by[:, :, None, :] * rows[:, None, :, None]


def _prior(model: DisplacementSpline, mark: FreeMark, density: float) -> Array:
    """Information (3 size, 3 size) of survey, smoothness and weak displacement."""
    size = model.count + 1
    out = np.zeros((size, 3, size, 3))
    jerk, weak = model.jerk(), model.weak()
    for c, sd in enumerate(mark.sd):
        out[:, c, :, c] = jerk / density + weak / sd**2
        out[0, c, 0, c] += 1.0 / max(mark.u, FREE_MARKS.least_u) ** 2
    return out.reshape(3 * size, 3 * size)


def _normal(
    design: Array, weight: Array, residual: Array, prior: Array, off: Array
) -> tuple[tuple[Array, bool], Array]:
    flat = design.reshape(len(design), 2, -1)
    weighted = weight @ flat
    wide = flat.reshape(-1, flat.shape[2])
    information = wide.T @ weighted.reshape(wide.shape) + prior
    gradient = wide.T @ (weight @ residual[:, :, None]).ravel() + prior @ off.ravel()
    return cho_factor(information, lower=True), gradient


def _robust(seen: _Sightings, residual: Array) -> Array:
    """Weights (n, 2, 2): the stated ones, less where a camera's sightings scatter more or are
    correlated from frame to frame (variance of a mean of a first-order autoregressive series), and
    nearly none for outliers.
    """
    weight: Array = np.asarray(np.linalg.inv(seen.covariance), dtype=np.float64)
    roots = np.linalg.cholesky(weight)
    white = (np.swapaxes(roots, 1, 2) @ residual[:, :, None])[:, :, 0]
    for k in range(len(seen.cameras)):
        own = seen.camera == k
        off = white[own]
        scale = max(1.0, MAD_TO_SD * float(np.median(np.abs(off))))
        distance = np.abs(off).max(axis=1) / scale
        inlier = distance < FREE_MARKS.outlier
        inliers = off[inlier]
        inflation = 1.0
        if len(inliers) > FREE_MARKS.lag_residuals:
            scale = max(scale, float(np.sqrt(np.mean(inliers**2))))
            lag = float(np.mean(inliers[1:] * inliers[:-1]) / max(np.mean(inliers**2), 1e-12))
            lag = min(max(lag, 0.0), FREE_MARKS.most_lag)
            inflation = (1 + lag) / (1 - lag)
        beyond = (FREE_MARKS.outlier / np.maximum(distance, 1e-9)) ** 4
        share = np.where(inlier, 1.0, beyond * FREE_MARKS.outlier_weight)
        weight[own] *= (share / (scale**2 * inflation))[:, None, None]
    return np.asarray(weight)


def _best_density(
    model: DisplacementSpline,
    mark: FreeMark,
    design: Array,
    weight: Array,
    residual: Array,
    off: Array,
) -> float:
    """The jerk density under which the sightings are most likely, by the linear model."""
    flat = design.reshape(-1, design.shape[2] * 3)
    weighted = (weight @ flat.reshape(len(design), 2, -1)).reshape(flat.shape)
    data = flat.T @ weighted
    target = residual.ravel() + flat @ off.ravel()
    right = weighted.T @ target
    best, most = float(_DENSITIES[0]), -np.inf
    for density in _DENSITIES:
        prior = _prior(model, mark, float(density))
        root = cholesky(data + prior, lower=True)
        inner = solve_triangular(root, right, lower=True)
        log_prior = float(np.sum(np.log(np.diag(cholesky(prior, lower=True)))))
        likelihood = log_prior - float(np.sum(np.log(np.diag(root)))) + 0.5 * float(inner @ inner)
        if likelihood > most:
            best, most = float(density), likelihood
    return best


def _draw_paths(
    seen: _Sightings,
    model: DisplacementSpline,
    values: Array,
    design: Array,
    weight: Array,
    prior: Array,
    rng: np.random.Generator,
) -> Array:
    """Unknowns (m, size, 3) of each draw: the fit to sightings disturbed by their noise, by the
    draw's camera and clock, and by a disturbed prior.
    """
    count = len(seen.change[0])
    flat = design.reshape(len(design), 2, -1)
    information = flat.reshape(-1, flat.shape[2]).T @ (weight @ flat).reshape(-1, flat.shape[2])
    factor = cholesky(information + prior, lower=True)
    spread = np.linalg.cholesky(np.linalg.inv(weight))
    noise = (spread @ rng.standard_normal((count, len(weight), 2, 1)))[..., 0]
    noise += _slow_errors(seen, count, rng)
    rows, speeds = model.rows(seen.time), model.rows(seen.time, 1)
    places, velocities = rows @ values, speeds @ values
    for k, camera in enumerate(seen.cameras):
        own = seen.camera == k
        _, by, by_camera = camera.project_with_derivatives(places[own])
        pixel_rate = (by @ velocities[own][:, :, None])[:, :, 0]
        noise[:, own] -= np.einsum("npq,mq->mnp", by_camera, seen.change[k])
        noise[:, own] -= seen.shift[k][:, :, None] * pixel_rate
    pushed = (weight @ noise[..., None])[..., 0].reshape(count, -1) @ flat.reshape(
        -1, flat.shape[2]
    )
    root = cholesky(prior, lower=True)
    pushed += rng.standard_normal((count, len(prior))) @ root.T
    away = solve_triangular(factor.T, solve_triangular(factor, pushed.T, lower=True), lower=False).T
    return np.asarray(values + away.reshape(count, *values.shape))


def _slow_errors(seen: _Sightings, count: int, rng: np.random.Generator) -> Array:
    """Errors (m, n, 2) px of a mark that change slowly with its place in the picture."""
    out = np.zeros((count, len(seen.time), 2))
    first, last = float(seen.time.min()), float(seen.time.max())
    grid = np.arange(first, last + 2 * FREE_MARKS.slow_time, FREE_MARKS.slow_time)
    for k in range(len(seen.cameras)):
        own = np.flatnonzero(seen.camera == k)
        errors = FREE_MARKS.slow_error * rng.standard_normal((count, len(grid), 2))
        place = (seen.time[own] - first) / FREE_MARKS.slow_time
        row = np.minimum(place.astype(int), len(grid) - 2)
        share = (place - row)[:, None]
        a, b = np.sqrt(1 - share), np.sqrt(share)  # keeps the sd between two independent errors
        out[:, own] = errors[:, row] * a + errors[:, row + 1] * b
    return out
