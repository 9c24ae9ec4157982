"""Where a motion's knots must be, once it is known how rough it is and how well the films see it.

Between knots a cubic's jerk is constant, which a motion of white jerk isn't. What a smoother of
such a motion can resolve is 1 / w, w = (q / r)^(1/6), q the jerk's spectral density and r the
marks' (variance of a place times the interval); knots about that far apart lose nothing beside u.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model import prior
from tracker.motion.model.spline import MOST, NEAR, Basis
from tracker.motion.model.unknowns import POSES, Body, Setup
from tracker.motion.solver import linearization
from tracker.motion.solver.iterate import Fit

APART = 2.0
"""Knots are so many times 1 / w apart: a speed's sd between them is then half of its u."""
FRAMES = 2.0
"""Knots are at least so many frames apart."""
FEWEST = 8
"""Intervals over a motion; at most, some `spline.MOST` of them."""
GROWTH = 1.3
"""How fast intervals grow with the distance from contact."""


def resited(setup: Setup, fit: Fit) -> tuple[Setup, Fit]:
    """The same motions on knots that suit their strengths and the marks, a frame apart about jerks
    that stand out, each of which may be where the acceleration changes.
    """
    bases, easings = [], []
    for b, body in enumerate(setup.bodies):
        seen, frame = _information(setup, fit, b)
        told = (seen > 0) & ~fit.held[setup.spline[b]].reshape(-1, POSES)[0]
        sites = _sites(body, fit.strengths[b], np.where(told, seen, 0.0), frame)
        sites, easing = _divided(body, sites, frame)
        bases.append(Basis(sites, body.basis.breaks))
        easings.append(easing)
    return _on(setup, fit, bases, easings)


def _divided(body: Body, sites: Array, frame: float) -> tuple[Array, Array]:
    """Sites with more of them about a body's jerks that stand out and their neighbours, and the
    easing (intervals, 6) between them.
    """
    old, near = body.basis.sites, body.easing.copy()
    near[1:] = np.maximum(near[1:], body.easing[:-1])
    near[:-1] = np.maximum(near[:-1], body.easing[1:])
    near[old[:-1] < (body.basis.breaks[0] if body.basis.breaks else -np.inf)] = 1.0
    middle = 0.5 * (sites[1:] + sites[:-1])
    easing = near[np.clip(np.searchsorted(old, middle) - 1, 0, len(near) - 1)]
    pieces = np.where((easing > 1).any(axis=1), np.ceil(np.diff(sites) / frame - 1e-6), 1)
    pieces = np.maximum(pieces, 1).astype(np.int64)
    parts = [
        np.linspace(left, right, n, endpoint=False)
        for (left, right), n in zip(pairwise(sites), pieces, strict=True)
    ]
    return np.concatenate([*parts, sites[-1:]]), np.repeat(easing, pieces, axis=0)


def _on(setup: Setup, fit: Fit, bases: list[Basis], easings: list[Array]) -> tuple[Setup, Fit]:
    """The same motions on these knots."""
    out, handles, still = setup, [], []
    for b, (body, part) in enumerate(zip(setup.bodies, setup.spline, strict=True)):
        old = fit.at.values[part].reshape(-1, POSES)
        quiet = fit.held[part].reshape(-1, POSES)
        basis = bases[b]
        first = body.basis.jerk.start
        more = basis.count - first
        out = out.with_body(
            b,
            replace(
                body,
                basis=basis,
                level=np.concatenate([body.level[:first], np.zeros((more, POSES))]),
                spread=np.concatenate([body.spread[:first], np.ones((more, POSES))]),
                easing=easings[b],
            ),
        )
        handles.append(_carried(body, old, basis).ravel())
        still.append(np.concatenate([quiet[:first], np.repeat(quiet[-1:], more, 0)]).ravel())
    rest = setup.spline[-1].stop
    held = np.concatenate([*still, fit.held[rest:]])
    values = np.concatenate([*handles, fit.at.values[rest:]])
    values = np.where(held, out.mean(), values)
    sd = prior.spread(out, fit.strengths)
    at = linearization.point(out, values, sd, fit.weights, fit.noise)
    return out, replace(fit, at=at, held=held)


def _carried(body: Body, handles: Array, basis: Basis) -> Array:
    """Handles (count, 6) on other knots of the path that has these."""
    share = (np.arange(4) + 0.5) / 4
    sites = basis.sites
    time = (sites[:-1, None] + share * np.diff(sites)[:, None]).ravel()
    first, value = basis.near(time)
    rows = np.zeros((len(time), basis.count))
    np.put_along_axis(rows, first[:, None] + np.arange(NEAR), value, axis=1)
    coefficients = np.linalg.lstsq(rows, body.basis.design(time) @ handles, rcond=None)[0]
    return np.asarray(basis.to_handles @ coefficients)


def _sites(body: Body, strength: Array, seen: Array, frame: float) -> Array:
    """Sites (k,) for strengths (stretches, 6) and the marks' information (6,) per second."""
    sites, breaks = body.basis.sites, body.basis.breaks
    ends = np.array([sites[0], *breaks, sites[-1]])
    step = np.full(len(strength), ends[-1] - ends[0])
    if seen.any():
        step = APART / ((strength * seen).max(axis=1)) ** (1 / 6)
    step = np.maximum(step, FRAMES * frame)
    step = np.maximum(step, (ends[-1] - ends[0]) / MOST)
    step = np.minimum(step, np.diff(ends) / FEWEST)
    if not breaks:
        return np.linspace(ends[0], ends[-1], 1 + int(np.ceil((ends[-1] - ends[0]) / step[0])))
    parts = []
    for k, (left, right) in enumerate(pairwise(ends)):
        if k == 0:
            near = _steps(right - left, min(step[0], _onset(step[1], frame)), step[0])
            parts.append(right - near[::-1])
        else:
            near = _steps(right - left, _onset(step[k], frame), step[k])
            parts.append(left + near[1:])
    return np.concatenate(parts)


def _onset(step: float, frame: float) -> float:
    """Interval where the strength is that of the onset of a pulse."""
    return float(max(step * prior.ONSET_MORE ** (-1 / 6), FRAMES * frame))


def _steps(length: float, fine: float, usual: float) -> Array:
    """Distances from contact (n,): fine over the onset, then growing to the usual step."""
    out, total, step = [0.0], 0.0, fine
    while total < length:
        total += step
        out.append(total)
        if total > prior.ONSET:
            step = min(step * GROWTH, usual)
    return np.array(out) * (length / total)


def _information(setup: Setup, fit: Fit, b: int) -> tuple[Array, float]:
    """Information (6,) per second about each component of a body's place, and the shortest frame
    interval, s.
    """
    total, frame = np.zeros(POSES), np.inf
    for k, (e, seen) in enumerate(zip(setup.eyes, fit.at.looks, strict=True)):
        on: NDArray[np.int64] = np.flatnonzero(e.body == b)
        times = setup.times(fit.at.values, k)
        if not len(on) or len(times) < 2:
            continue
        weight = fit.weights[k][:, on, None, None]
        each = np.sum(weight * seen.by_pose[:, on] ** 2, axis=(1, 2))
        step = float(np.median(np.diff(times)))
        frame = min(frame, step)
        shown = fit.weights[k][:, on].any(axis=1)
        if shown.any():
            total += np.median(each[shown], axis=0) / step
    return total, frame if np.isfinite(frame) else 1e-3
