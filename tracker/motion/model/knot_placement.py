"""Placement of a motion's knots, once its roughness and the films' precision are known.

Between knots a cubic's jerk is constant, which a motion of white jerk isn't. What a smoother of
such a motion can resolve is 1 / w, w = (q / r)^(1/6), q the jerk's spectral density and r the
marks' (variance of a place times the interval). Knots about that far apart lose nothing beside u.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model.spline import SPLINE_ORDER, Basis
from tracker.motion.model.unknowns import COMPONENTS, Body
from tracker.motion.options import KNOTS, PRIOR
from tracker.motion.solver import linearization
from tracker.motion.solver.iterate import Iterate

_ROUNDING = 1e-6
"""Share of a frame interval that rounding may add to an interval."""
_FRAME = 1e-3
"""s; frame interval where no camera has two frames."""


def refine_knots(iterate: Iterate) -> Iterate:
    """The same motions on knots that suit their jerk densities and the marks. About an outlying
    jerk, where the acceleration may change at once, knots stand a frame apart.
    """
    bases, jerk_inflations = [], []
    for b, body in enumerate(iterate.setup.bodies):
        information, frame = _information(iterate, b)
        fixed = iterate.fixed_mask[iterate.setup.spline_slices[b]].reshape(-1, COMPONENTS)[0]
        information = np.where((information > 0) & ~fixed, information, 0.0)
        breakpoints = _breakpoints(body, iterate.jerk_densities[b], information, frame)
        breakpoints, jerk_inflation = _subdivide(body, breakpoints, frame)
        bases.append(replace(body.basis, breakpoints=breakpoints))
        jerk_inflations.append(jerk_inflation)
    return _transfer(iterate, bases, jerk_inflations)


def _subdivide(body: Body, breakpoints: Array, frame: float) -> tuple[Array, Array]:
    """Breakpoints with more of them about a body's outlying jerks and their neighbours, and the
    inflation of the jerk's density (intervals, 6) between them.
    """
    old, near = body.basis.breakpoints, body.jerk_inflation.copy()
    near[1:] = np.maximum(near[1:], body.jerk_inflation[:-1])
    near[:-1] = np.maximum(near[:-1], body.jerk_inflation[1:])
    near[old[:-1] < (body.basis.breaks[0] if body.basis.breaks else -np.inf)] = 1.0
    middle = 0.5 * (breakpoints[1:] + breakpoints[:-1])
    jerk_inflation = near[np.clip(np.searchsorted(old, middle) - 1, 0, len(near) - 1)]
    pieces = np.where(
        (jerk_inflation > 1).any(axis=1), np.ceil(np.diff(breakpoints) / frame - _ROUNDING), 1
    )
    pieces = np.maximum(pieces, 1).astype(np.int64)
    parts = [
        np.linspace(left, right, n, endpoint=False)
        for (left, right), n in zip(pairwise(breakpoints), pieces, strict=True)
    ]
    return np.concatenate([*parts, breakpoints[-1:]]), np.repeat(jerk_inflation, pieces, axis=0)


def _transfer(iterate: Iterate, bases: list[Basis], jerk_inflations: list[Array]) -> Iterate:
    """The same motions on these knots."""
    setup = iterate.setup
    out, jerk_coefficients, fixed_masks = setup, [], []
    for b, (body, part) in enumerate(zip(setup.bodies, setup.spline_slices, strict=True)):
        old = iterate.values[part].reshape(-1, COMPONENTS)
        frozen = iterate.fixed_mask[part].reshape(-1, COMPONENTS)
        basis = bases[b]
        first = body.basis.jerk.start
        more = basis.count - first
        out = out.with_body(
            b,
            replace(
                body,
                basis=basis,
                prior_mean=np.concatenate([body.prior_mean[:first], np.zeros((more, COMPONENTS))]),
                prior_sd=np.concatenate([body.prior_sd[:first], np.ones((more, COMPONENTS))]),
                jerk_inflation=jerk_inflations[b],
            ),
        )
        jerk_coefficients.append(_refit(body, old, basis).ravel())
        fixed_masks.append(
            np.concatenate([frozen[:first], np.repeat(frozen[-1:], more, 0)]).ravel()
        )
    rest = setup.spline_slices[-1].stop
    fixed_mask = np.concatenate([*fixed_masks, iterate.fixed_mask[rest:]])
    values = np.concatenate([*jerk_coefficients, iterate.values[rest:]])
    values = np.where(fixed_mask, out.prior_mean(), values)
    return linearization.evaluate(replace(iterate, setup=out, fixed_mask=fixed_mask), values)


def _refit(body: Body, jerk_coefficients: Array, basis: Basis) -> Array:
    """Coefficients (count, 6) in the jerk basis, on other knots, of the path that has these."""
    share = (np.arange(4) + 0.5) / 4
    breakpoints = basis.breakpoints
    time = (breakpoints[:-1, None] + share * np.diff(breakpoints)[:, None]).ravel()
    first, value = basis.local_bsplines(time)
    rows = np.zeros((len(time), basis.count))
    np.put_along_axis(rows, first[:, None] + np.arange(SPLINE_ORDER), value, axis=1)
    coefficients = np.linalg.lstsq(rows, body.basis.design(time) @ jerk_coefficients, rcond=None)[0]
    return np.asarray(basis.to_jerk_basis @ coefficients)


def _breakpoints(body: Body, jerk_density: Array, information: Array, frame: float) -> Array:
    """Breakpoints (k,) for jerk densities (stretches, 6) and the marks' information (6,) per s."""
    breakpoints, breaks = body.basis.breakpoints, body.basis.breaks
    ends = np.array([breakpoints[0], *body.basis.stretch_ends, breakpoints[-1]])
    step = np.full(len(jerk_density), ends[-1] - ends[0])
    if information.any():
        step = KNOTS.spacing / ((jerk_density * information).max(axis=1)) ** (1 / 6)
    step = np.maximum(step, KNOTS.least_frames * frame)
    # by time, not by the film's length: what runs before and after must not smooth the pulse
    room = np.maximum(min(KNOTS.most_over, ends[-1] - ends[0]), np.diff(ends))
    step = np.maximum(step, room / KNOTS.most_intervals)
    step = np.minimum(step, np.diff(ends) / KNOTS.least_intervals)
    if not breaks:
        return np.linspace(ends[0], ends[-1], 1 + int(np.ceil((ends[-1] - ends[0]) / step[0])))
    parts = []
    for k, (left, right) in enumerate(pairwise(ends)):
        if k == 0:
            near = _steps(right - left, min(step[0], _onset(step[1], frame)), step[0])
            parts.append(right - near[::-1])
        else:
            fine = _onset(step[k], frame) if left in breaks else min(step[k - 1], step[k])
            parts.append(left + _steps(right - left, fine, step[k])[1:])
    return np.concatenate(parts)


def _onset(step: float, frame: float) -> float:
    """Interval where the density is that of the onset of a pulse."""
    return float(max(step * PRIOR.onset_factor ** (-1 / 6), KNOTS.least_frames * frame))


def _steps(length: float, fine: float, usual: float) -> Array:
    """Distances from contact (n,): fine over the onset, then growing to the usual step."""
    out, total, step = [0.0], 0.0, fine
    while total < length:
        total += step
        out.append(total)
        if total > PRIOR.onset_time:
            step = min(step * KNOTS.growth, usual)
    return np.array(out) * (length / total)


def _information(iterate: Iterate, b: int) -> tuple[Array, float]:
    """Information (6,) per second about each component of a body's place, and the shortest frame
    interval, s.
    """
    setup, total, frame = iterate.setup, np.zeros(COMPONENTS), np.inf
    for k, (cam, lin) in enumerate(zip(setup.cameras, iterate.linearizations, strict=True)):
        on: NDArray[np.int64] = np.flatnonzero(cam.body == b)
        times = setup.times(iterate.values, k)
        if not len(on) or len(times) < 2:
            continue
        weight = iterate.weights[k][:, on, None, None]
        each = np.sum(weight * lin.by_pose[:, on] ** 2, axis=(1, 2))
        step = float(np.median(np.diff(times)))
        frame = min(frame, step)
        shown = iterate.weights[k][:, on].any(axis=1)
        if shown.any():
            total += np.median(each[shown], axis=0) / step
    return total, frame if np.isfinite(frame) else _FRAME
