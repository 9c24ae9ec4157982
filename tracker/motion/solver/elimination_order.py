"""Elimination order of the unknowns along time: blocks of which only neighbours share an instant.

A B-spline's coefficient counts from its first knot to its last, the error states of a camera's
marks at a knot over the frames beside it. Unknowns that count all the time go to the border
(cameras, clocks, marker places, the coefficients about contact, which the weak prior couples to
all), and so do those that count so long that blocks would become large.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model.spline import SPLINE_ORDER, Basis
from tracker.motion.model.unknowns import COMPONENTS, Setup

_LENGTHS = (1.0, 0.9, 0.7, 0.5)
"""Quantiles of the lengths of time that coefficients count, from which on the border is tried."""
_AFTER = 1e-9
"""s; a frame at the end of an unknown's time belongs to it."""


@dataclass(frozen=True)
class Block:
    """Unknowns of a stretch of time: of splines (n,), and each camera's knots of error states."""

    spline: NDArray[np.int64]
    error_states: tuple[slice, ...]


@dataclass(frozen=True)
class Order:
    """All unknowns: block after block, and the border (m,)."""

    blocks: tuple[Block, ...]
    border: NDArray[np.int64]


@dataclass(frozen=True)
class _Span:
    """When coefficients or knots (n,) begin and cease to count."""

    first: Array
    last: Array


def elimination_order(setup: Setup, values: Array, error_knots: tuple[int, ...]) -> Order:
    """The order at `values` (count,); `error_knots` are each camera's knots of error states."""
    bases = [_spline_spans(body.basis) for body in setup.bodies]
    knots = [
        _knot_spans(setup, values, k) if count else _Span(np.zeros(0), np.zeros(0))
        for k, count in enumerate(error_knots)
    ]
    lengths = np.concatenate([s.last - s.first for s in bases])
    lengths = lengths[np.isfinite(lengths)]
    limits = {float(np.quantile(lengths, q)) for q in _LENGTHS} if len(lengths) else {np.inf}
    tried = [_order(setup, bases, knots, limit) for limit in sorted(limits)]
    return min(tried, key=lambda order: _work(setup, order))


def _spline_spans(basis: Basis) -> _Span:
    """Of coefficients; those at the ends count beyond them, too, those about contact always."""
    knots, n = basis.knots, basis.count
    first, last = knots[:n].copy(), knots[SPLINE_ORDER:].copy()
    first[first <= basis.breakpoints[0]], last[last >= basis.breakpoints[-1]] = -np.inf, np.inf
    for place in basis.breaks or (basis.breakpoints[0],):
        interval = max(int(np.searchsorted(basis.breakpoints, place)) - 1, 0)
        touched = int(basis.local_bsplines(basis.breakpoints[interval : interval + 1])[0][0])
        first[touched : touched + SPLINE_ORDER], last[touched : touched + SPLINE_ORDER] = (
            -np.inf,
            np.inf,
        )
    return _Span(first, last)


def _knot_spans(setup: Setup, values: Array, camera_index: int) -> _Span:
    """Of the knots of a camera's error states; each reaches to where the next begins."""
    cam = setup.cameras[camera_index]
    times, knot, k = (
        setup.times(values, camera_index),
        cam.error_chain.knot,
        np.arange(cam.error_chain.count),
    )
    opens = np.minimum(np.searchsorted(knot, k - 1), len(knot) - 1)
    shuts = np.maximum(np.searchsorted(knot, k, side="right") - 1, 0)
    first, last = times[opens], times[shuts]
    last[:-1] = np.maximum(last[:-1], first[1:])
    return _Span(first, last + _AFTER)


def _order(setup: Setup, bases: list[_Span], knots: list[_Span], limit: float) -> Order:
    """The order if coefficients that count for longer than `limit` are in the border."""
    in_border = [s.last - s.first > limit for s in bases]
    inside = [_Span(s.first[~out], s.last[~out]) for s, out in zip(bases, in_border, strict=True)]
    first = np.concatenate([s.first for s in (*inside, *knots)])
    last = np.concatenate([s.last for s in (*inside, *knots)])
    number = _blocks(first, last)
    count = int(number.max(initial=-1)) + 1
    own: list[list[NDArray[np.int64]]] = [[] for _ in range(count)]
    error_states: list[list[slice]] = [[] for _ in range(count)]
    border, at = [], 0
    for part, out in zip(setup.spline_slices, in_border, strict=True):
        grid = np.arange(part.start, part.stop).reshape(-1, COMPONENTS)
        border.append(grid[out].ravel())
        mine, at = number[at : at + int((~out).sum())], at + int((~out).sum())
        for block in range(count):
            own[block].append(grid[~out][mine == block].ravel())
    for s in knots:
        mine, at = number[at : at + len(s.first)], at + len(s.first)
        edges = np.searchsorted(mine, np.arange(count + 1))
        for block in range(count):
            error_states[block].append(slice(int(edges[block]), int(edges[block + 1])))
    blocks = tuple(
        Block(np.concatenate(mine), tuple(its)) for mine, its in zip(own, error_states, strict=True)
    )
    rest = np.arange(setup.spline_slices[-1].stop, setup.count)
    return Order(blocks, np.concatenate([*border, rest]))


def _blocks(first: Array, last: Array) -> NDArray[np.int64]:
    """The block of each of some unknowns that count from `first` to `last` (n,): those of a block
    begin before all of the block before have ceased.
    """
    number = np.zeros(len(first), dtype=np.int64)
    remaining = np.argsort(first, kind="stable")
    block, reach = 0, -np.inf
    while len(remaining):
        n = int(np.searchsorted(first[remaining], reach))
        n = max(n, int(np.searchsorted(first[remaining], first[remaining[0]], side="right")))
        number[remaining[:n]] = block
        block, reach, remaining = block + 1, float(last[remaining[:n]].max()), remaining[n:]
    return number


def _work(setup: Setup, order: Order) -> float:
    """About how many products a factor takes."""
    marks = [2 * len(cam.marks) for cam in setup.cameras]
    sizes = [
        len(b.spline)
        + sum(m * (s.stop - s.start) for m, s in zip(marks, b.error_states, strict=True))
        for b in order.blocks
    ]
    m = len(order.border)
    tails = [n + m for n in sizes[1:]] + [m]
    return float(
        sum(n**3 + 2 * n * n * t + n * t * t for n, t in zip(sizes, tails, strict=True)) + m**3
    )
