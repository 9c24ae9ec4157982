"""Accelerometers join the films: the films' solution solved on with what the sensors read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import Progress, silent
from tracker.motion.diagnostics import finished
from tracker.motion.evidence import AccelerometerEvidence
from tracker.motion.model import prior
from tracker.motion.model.accelerometer_model import sensor_of
from tracker.motion.model.spline import Basis, longer
from tracker.motion.model.unknowns import POSES, Body, Sensor, Setup
from tracker.motion.posterior import Solution
from tracker.motion.solver import linearization
from tracker.motion.solver.iterations import second_round

LATEST = 0.3
"""A motion is followed on by its accelerometers alone up to this time, s."""


def joined(
    solution: Solution,
    accelerometers: Sequence[AccelerometerEvidence],
    progress: Progress | None = None,
) -> Solution:
    """The joint posterior of films and accelerometers.

    What was learned from the films about marks (which to leave out, how they scatter) is where it
    starts from; all of it is estimated again. Blocks of vehicles that no camera saw are left out.
    """
    setup, fit = solution.setup, solution.fit
    names = [b.name for b in setup.bodies]
    blocks = [a for a in accelerometers if a.vehicle in names]
    strengths = list(fit.strengths)
    values, held = fit.at.values, fit.held
    bodies: list[Body] = []
    handles: list[Array] = []
    still: list[NDArray[np.bool_]] = []
    sensors: list[Sensor] = []
    for b, (body, part) in enumerate(zip(setup.bodies, setup.spline, strict=True)):
        own = [a for a in blocks if a.vehicle == body.name]
        last = max((_last(a) for a in own), default=-np.inf)
        body, more = _longer(body, min(last, LATEST))
        grid = np.concatenate([values[part].reshape(-1, POSES), np.zeros((more, POSES))])
        quiet = held[part].reshape(-1, POSES)
        quiet = np.concatenate([quiet, np.repeat(quiet[-1:], more, axis=0)])
        made = [sensor_of(a, b, body.cg, body.basis) for a in own]
        found = [s for s in made if s is not None]
        axes = [c.axis for s in found for c in s.channels]
        woken = np.isin(np.arange(POSES), axes) & quiet[2]
        if woken.any():
            body = prior.awakened(body, woken)
            quiet[2:, woken] = False
            usual = prior.expected(body.basis, 0.0)
            strengths[b] = np.where(woken, usual, strengths[b])
        bodies.append(body)
        handles.append(grid.ravel())
        still.append(quiet.ravel())
        sensors += found
    if not sensors:
        return solution
    new = Setup(tuple(bodies), setup.eyes, tuple(sensors))
    rest = values[setup.spline[-1].stop :]
    own_unknowns = np.zeros(new.count - new.marker[-1].stop)
    values = np.concatenate([*handles, rest, own_unknowns])
    held = np.concatenate([*still, np.zeros(new.count - new.spline[-1].stop, dtype=bool)])
    sd = prior.spread(new, tuple(strengths))
    at = linearization.point(new, values, sd, fit.weights, fit.noise)
    start = replace(fit, at=at, strengths=tuple(strengths), held=held)
    tell = progress or silent
    new, end, system = second_round(new, start, solution.contact[0], tell, free=False)
    out = finished(new, end, system, solution.contact, ())
    return replace(out, findings=tuple(dict.fromkeys((*solution.findings, *out.findings))))


def _last(block: AccelerometerEvidence) -> float:
    """End of the last value of any channel, s."""
    read = np.any([np.isfinite(v) for v in block.values.values()], axis=0)
    return float(block.seconds[read][-1]) + block.width / 2 if read.any() else -np.inf


def _longer(body: Body, last: float) -> tuple[Body, int]:
    """A body whose spline reaches to `last` (s), and by how many jerks it grew."""
    sites = longer(body.basis.sites, last)
    more = len(sites) - len(body.basis.sites)
    if not more:
        return body, 0
    return (
        replace(
            body,
            basis=Basis(sites, body.basis.breaks),
            level=np.concatenate([body.level, np.zeros((more, POSES))]),
            spread=np.concatenate([body.spread, np.ones((more, POSES))]),
            easing=np.concatenate([body.easing, np.ones((more, POSES))]),
        ),
        more,
    )
