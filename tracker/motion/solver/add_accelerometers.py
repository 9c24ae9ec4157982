"""Accelerometers join the films' solution, which is the start of a further round."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import Progress, silent
from tracker.motion.diagnostics import solution_of
from tracker.motion.evidence import AccelerometerEvidence
from tracker.motion.model import prior
from tracker.motion.model.accelerometer_model import sensor_data
from tracker.motion.model.spline import extend_breakpoints
from tracker.motion.model.unknowns import COMPONENTS, Body, SensorData, Setup
from tracker.motion.options import SENSORS
from tracker.motion.posterior import Solution
from tracker.motion.solver import linearization
from tracker.motion.solver.iterations import second_round


def add_accelerometers(
    solution: Solution,
    accelerometers: Sequence[AccelerometerEvidence],
    progress: Progress | None = None,
) -> Solution:
    """The joint posterior of films and accelerometers.

    Parameters
    ----------
    solution : of the films alone; its inliers and noise are the start, all is estimated again.
    accelerometers : blocks; those of vehicles that no camera saw are left out.
    progress : called with ("motion", step, steps).
    """
    setup, iterate = solution.setup, solution.iterate
    names = [b.name for b in setup.bodies]
    blocks = [a for a in accelerometers if a.vehicle in names]
    jerk_densities = list(iterate.jerk_densities)
    values, fixed_mask = iterate.values, iterate.fixed_mask
    bodies: list[Body] = []
    jerk_coefficients: list[Array] = []
    fixed_masks: list[NDArray[np.bool_]] = []
    sensors: list[SensorData] = []
    for b, (body, part) in enumerate(zip(setup.bodies, setup.spline_slices, strict=True)):
        own = [a for a in blocks if a.vehicle == body.name]
        last = max((_end_time(a) for a in own), default=-np.inf)
        body, more = _extend(body, min(last, SENSORS.latest))
        grid = np.concatenate([values[part].reshape(-1, COMPONENTS), np.zeros((more, COMPONENTS))])
        frozen = fixed_mask[part].reshape(-1, COMPONENTS)
        frozen = np.concatenate([frozen, np.repeat(frozen[-1:], more, axis=0)])
        made = [sensor_data(a, b, body.cg, body.basis) for a in own]
        found = [s for s in made if s is not None]
        axes = [c.axis for s in found for c in s.channels]
        unfrozen_mask = np.isin(np.arange(COMPONENTS), axes) & frozen[2]
        if unfrozen_mask.any():
            body = prior.unfreeze(body, unfrozen_mask)
            frozen[2:, unfrozen_mask] = False
            usual = prior.expected_density(body.basis, 0.0)
            jerk_densities[b] = np.where(unfrozen_mask, usual, jerk_densities[b])
        bodies.append(body)
        jerk_coefficients.append(grid.ravel())
        fixed_masks.append(frozen.ravel())
        sensors += found
    if not sensors:
        return solution
    new = Setup(tuple(bodies), setup.cameras, tuple(sensors))
    rest = values[setup.spline_slices[-1].stop :]
    own_unknowns = np.zeros(new.count - new.marker_slices[-1].stop)
    values = np.concatenate([*jerk_coefficients, rest, own_unknowns])
    fixed_mask = np.concatenate(
        [*fixed_masks, np.zeros(new.count - new.spline_slices[-1].stop, dtype=bool)]
    )
    start = replace(iterate, setup=new, jerk_densities=tuple(jerk_densities), fixed_mask=fixed_mask)
    start = linearization.evaluate(start, values)
    report_progress = progress or silent
    end, step = second_round(start, solution.contact[0], report_progress, free=False)
    out = solution_of(end, step, solution.contact, ())
    out = replace(out, time_zero=solution.time_zero)
    return replace(out, findings=tuple(dict.fromkeys((*solution.findings, *out.findings))))


def _end_time(block: AccelerometerEvidence) -> float:
    """End of the last value of any channel, s."""
    read = np.any([np.isfinite(v) for v in block.values.values()], axis=0)
    return float(block.seconds[read][-1]) + block.width / 2 if read.any() else -np.inf


def _extend(body: Body, last: float) -> tuple[Body, int]:
    """A body whose spline reaches to `last` (s), and by how many jerks it grew."""
    breakpoints = extend_breakpoints(body.basis.breakpoints, last)
    more = len(breakpoints) - len(body.basis.breakpoints)
    if not more:
        return body, 0
    return (
        replace(
            body,
            basis=replace(body.basis, breakpoints=breakpoints),
            prior_mean=np.concatenate([body.prior_mean, np.zeros((more, COMPONENTS))]),
            prior_sd=np.concatenate([body.prior_sd, np.ones((more, COMPONENTS))]),
            jerk_inflation=np.concatenate([body.jerk_inflation, np.ones((more, COMPONENTS))]),
        ),
        more,
    )
