"""Blows of a motion after contact, each with a jerk density of its own.

One density for all that follows contact is a mean: it smooths a blow that is rougher than the rest
(a rear that slaps against a barrier, a second vehicle) and leaves the rest too free.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from tracker.motion.model.spline import Basis
from tracker.motion.model.unknowns import COMPONENTS, Body, Setup
from tracker.motion.options import PRIOR

_SAME_TIME = 1e-9
"""s; times closer than this are the same."""


def separate_blows(
    setup: Setup,
    jerk_densities: tuple[Array, ...],
    unit: Array,
    unit_variance: Array,
    contact: float,
) -> tuple[Setup, tuple[Array, ...]]:
    """The setup in which the roughest time of each motion after contact is a stretch of its own,
    and the densities (stretches, 6) a body; the same ones where none stands out.

    Parameters
    ----------
    jerk_densities : (stretches, 6) a body, unit^2/s^5.
    unit : (count,) estimate less prior mean in prior sds.
    unit_variance : (count,) posterior variance over prior variance.
    contact : time of first contact, s.
    """
    densities = []
    for b, (body, part, density) in enumerate(
        zip(setup.bodies, setup.spline_slices, jerk_densities, strict=True)
    ):
        found = None
        if len(body.basis.phases) < PRIOR.blow_ends and body.basis.breaks:
            jerk = body.basis.jerk
            square = unit[part].reshape(-1, COMPONENTS)[jerk] ** 2 * body.jerk_inflation
            dof = 1 - unit_variance[part].reshape(-1, COMPONENTS)[jerk]
            found = roughest_time(body.basis, square, np.maximum(dof, 0.0), contact)
        if found is not None:
            body, density = _with_stretch(body, density, *found)
            setup = setup.with_body(b, body)
        densities.append(density)
    return setup, tuple(densities)


def roughest_time(
    basis: Basis, square: Array, dof: Array, contact: float
) -> tuple[float, float] | None:
    """When the time begins and ends, s, after contact, whose jerks gain most by a density of their
    own, with an interval on either side, which the blow may begin or end in; None if that is less
    than `PRIOR.blow_gain`.

    `square` (intervals, 6) are squares of jerks in prior sds, `dof` (intervals, 6) how far the
    evidence determines them. Under the right density their sums are alike. A density that is
    larger by their ratio r has a log evidence larger by about dof (r - 1 - ln r) / 2, as for the
    variance of a normal sample.
    """
    left, right = basis.breakpoints[:-1], basis.breakpoints[1:]
    first = int(np.searchsorted(left, contact - _SAME_TIME))
    sums = [np.vstack([np.zeros(COMPONENTS), np.cumsum(v[first:], axis=0)]) for v in (square, dof)]
    left, right = left[first:], right[first:]
    best, out = PRIOR.blow_gain, None
    for k, begin in enumerate(left):
        ends = np.flatnonzero((right >= begin + PRIOR.blow_least) & (right > begin))
        if not len(ends):
            break
        total, known = (s[ends + 1] - s[k] for s in sums)
        known = np.maximum(known, 1e-9)
        ratio = np.maximum(total / known, 1.0)
        gain = np.sum(known * (ratio - 1 - np.log(ratio)), axis=1) / 2
        n = int(np.argmax(gain))
        if gain[n] > best:
            beside = max(k - 1, 0), min(ends[n] + 1, len(right) - 1)
            best, out = float(gain[n]), (float(left[beside[0]]), float(right[beside[1]]))
    return out


def _with_stretch(body: Body, density: Array, begin: float, end: float) -> tuple[Body, Array]:
    """The body with a stretch from `begin` to `end`, and densities (stretches, 6), those of the
    time before split as they were. No other stretch ends within it, or close to it.
    """
    basis, old = body.basis, body.basis.stretch_ends
    ends = [begin, end] if begin >= basis.breaks[-1] + PRIOR.blow_least else [end]
    least = PRIOR.blow_least
    beside = [p for p in basis.phases if not begin - least < p < end + least]
    last = basis.breakpoints[-1] - least
    phases = tuple(sorted([*beside, *(e for e in ends if e < last)]))
    basis = replace(basis, phases=phases)
    starts = np.array([basis.breakpoints[0], *basis.stretch_ends])
    return replace(body, basis=basis), density[np.searchsorted(old, starts, side="right")]
