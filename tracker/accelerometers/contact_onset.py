"""First contact as a longitudinal channel shows it, by the block's own clock.

Before contact the channel reads its noise. From then on it reads a step, reached by a ramp over an
unknown time, a slope whose bends are free, and ringing of unknown size. The probability of the
samples is found at each time of contact; what is not known beside it is integrated out (marginal
likelihood of a linear Gaussian model: Rasmussen and Williams, Gaussian Processes for Machine
Learning, 2006, eq. 2.30). The block's own time zero is not used: it is the same contact switch that
fires the lamps.
"""

from __future__ import annotations

import numpy as np
from scipy.special import logsumexp

from calibration.arrays import Array
from tracker.accelerometers.options import CHANNEL_ONSET

_RAMPS = np.array([0.0, 3e-4, 1e-3, 3e-3])
_RAMP_PROBABILITIES = np.array([0.4, 0.3, 0.2, 0.1])
"""Times, s, over which the step sets in, and how probable each is beforehand (common practice, no
source)."""
_RINGING = np.array([1.0, 10.0, 40.0, 160.0])
"""Sds of ringing after contact, m/s2, equally probable (at most 16 g: common practice, no
source)."""


def contact_onset(
    time: Array, values: Array, noise: float, near: float, reach: float
) -> tuple[float, float]:
    """When an acceleration set in, s, and its u.

    Parameters
    ----------
    time : (n,) s, equal steps.
    values : (n,) m/s2, the offset before contact taken off; NaN where nothing was read.
    noise : m/s2, sd of a sample before contact.
    near, reach : s, where contact is sought and how far from there.

    Raises ValueError where fewer samples than `CHANNEL_ONSET.least_samples` lie there.
    """
    for _ in range(CHANNEL_ONSET.rounds):
        moments = np.linspace(near - reach, near + reach, CHANNEL_ONSET.moments)
        on = (time >= near - reach - CHANNEL_ONSET.before) & (
            time <= near + reach + CHANNEL_ONSET.after
        )
        on &= np.isfinite(values)
        if on.sum() < CHANNEL_ONSET.least_samples:
            raise ValueError("too few samples about contact")
        log = np.array([_log_probability(time[on], values[on], noise, float(m)) for m in moments])
        weight = np.exp(log - logsumexp(log))
        near = float(weight @ moments)
        step = float(moments[1] - moments[0])
        u = float(np.sqrt(weight @ (moments - near) ** 2 + step**2 / 12))
        if u > CHANNEL_ONSET.fine_from * step:
            break
        reach = CHANNEL_ONSET.fine_reach * u
    return near, max(u, CHANNEL_ONSET.least_u)


def _log_probability(time: Array, values: Array, noise: float, contact: float) -> float:
    each = [
        np.log(chance) + _log_evidence(_design(time - contact, ramp), values, noise, ringing)
        for ramp, chance in zip(_RAMPS, _RAMP_PROBABILITIES, strict=True)
        for ringing in _RINGING
    ]
    return float(logsumexp(each))


def _log_evidence(design: Array, values: Array, noise: float, ringing: float) -> float:
    after = design[:, 1] > 0
    root = np.where(after, np.hypot(noise, ringing), noise)
    rows, seen = design * _PRIOR_SD[: design.shape[1]] / root[:, None], values / root
    whole = rows.T @ rows + np.eye(rows.shape[1])
    factor = np.linalg.cholesky(whole)
    unit = np.linalg.solve(factor, rows.T @ seen)
    log_root = np.log(root).sum() + np.log(np.diag(factor)).sum()
    return float(0.5 * (unit @ unit - seen @ seen) - log_root)


def _design(since: Array, ramp: float) -> Array:
    """Step, slope and bends (n, 2 + k) of the acceleration from contact on."""
    after = np.maximum(since, 0.0)
    step = (since > 0).astype(float) if ramp == 0 else np.minimum(after / ramp, 1.0)
    bends = np.arange(1, _BENDS + 1) * CHANNEL_ONSET.interval
    return np.column_stack([step, after, np.maximum(since[:, None] - bends, 0.0)])


_BENDS = int(np.ceil((2 * CHANNEL_ONSET.reach + CHANNEL_ONSET.after) / CHANNEL_ONSET.interval))
_PRIOR_SD = np.array(
    [CHANNEL_ONSET.step_u, CHANNEL_ONSET.slope_u, *[CHANNEL_ONSET.bend_u] * _BENDS]
)
