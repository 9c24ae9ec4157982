"""Vehicles that hang together at a joint, as the record says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.core.types import Motion
from tracker.outcome.headline import PosteriorSamples
from tracker.outcome.joint import Articulation, JointPoint, articulation, join_states, joint_gap
from tracker.pipeline.motions import SolvedMotions
from tracker.pipeline.options import EVALUATION
from tracker.pipeline.vehicle_result import VehicleMotion
from tracker.record.load import Record
from tracker.results.after_contact import JointResult
from tracker.results.schema import Curve


def with_joints(
    record: Record, motions: SolvedMotions
) -> tuple[SolvedMotions, dict[str, Articulation]]:
    """The motions, those of jointed vehicles corrected so that each joint is at one place, and how
    each jointed vehicle is turned against the one it hangs on.
    """
    of, found = dict(motions.of), {}
    for name, table in record.vehicles.items():
        joint = table.joint
        if joint is None or name not in of or joint.to not in of:
            continue
        point = JointPoint(
            np.array(joint.at) - np.array(record.vehicles[joint.to].cg),
            np.array(joint.own) - np.array(table.cg),
            joint.u,
        )
        pair = of[joint.to], of[name]
        times = _common(pair)
        (a, a_draws), (b, b_draws) = (_rows(m, times) for m in pair)
        gap = joint_gap(point, times, (a, b), (a_draws, b_draws))
        if gap is None:
            continue
        corrected = join_states(point, a, b, a_draws, b_draws, EVALUATION.seed)
        found[name] = articulation(times, corrected[:2], corrected[2:], gap)
        every = _at_films(motions, point, (joint.to, name), pair)
        of[joint.to], of[name] = (
            _corrected_motion(pair[k], every[k], times, corrected[k], corrected[k + 2])
            for k in range(2)
        )
    return replace(motions, of=of), found


def joint_results(
    record: Record, found: Mapping[str, Articulation]
) -> Iterator[tuple[str, JointResult]]:
    """Of each jointed vehicle."""
    for name, angles in found.items():
        joint = record.vehicles[name].joint
        if joint is not None:
            yield (
                name,
                JointResult(joint.to, angles.most_right, angles.most_left, angles.gap),
            )


def joint_curves(found: Mapping[str, Articulation]) -> Iterator[Curve]:
    """The angle of each joint against time."""
    for name, angles in found.items():
        yield Curve(name, "articulation", "film", "rad", angles.time, angles.yaw, angles.yaw_u)


def open_joints(found: Mapping[str, Articulation]) -> Iterator[Diagnostic]:
    """Joints whose two places differ by more than their uncertainty."""
    for name, angles in found.items():
        gap = angles.gap
        if gap.value > EVALUATION.joint_opens * gap.u:
            text = (
                f"the joint's place on the two vehicles differs by {1e3 * gap.value:.0f} mm at "
                f"{gap.time:.3f} s, its standard uncertainty is {1e3 * gap.u:.0f} mm"
            )
            yield Diagnostic("joint_opens", text, f"vehicles.{name}.joint")


def _common(pair: tuple[VehicleMotion, VehicleMotion]) -> Array:
    """Times (n,) at which the place of both is determined."""
    first, second = (m.known.time[m.known.observed_mask[:, :6].any(axis=1)] for m in pair)
    return np.asarray(np.intersect1d(first, second), dtype=np.float64)


def _rows(motion: VehicleMotion, times: Array) -> tuple[Array, Array]:
    rows = np.searchsorted(motion.known.time, times)
    return motion.known.state[rows], motion.samples.draws[:, rows]


def _corrected_motion(
    motion: VehicleMotion, every: Motion, times: Array, state: Array, samples: Array
) -> VehicleMotion:
    """A vehicle's motion with what the joint makes of it at some times; `every`: at the films'."""
    known = _with_rows(motion.known, times, state, samples, _rows(motion, times)[1])
    draws = motion.samples.draws.copy()
    draws[:, np.searchsorted(known.time, times)] = samples
    mean = np.where(known.observed_mask, known.state, np.nan)
    return VehicleMotion(PosteriorSamples(motion.samples.time, mean, draws), known, every)


def _at_films(
    motions: SolvedMotions,
    point: JointPoint,
    names: tuple[str, str],
    pair: tuple[VehicleMotion, VehicleMotion],
) -> tuple[Motion, Motion]:
    """The corrected motions at the films' times."""
    a, b = (m.motion for m in pair)
    both = a.observed_mask[:, :6].any(axis=1) & b.observed_mask[:, :6].any(axis=1)
    times = a.time[both]
    samples = [motions.draws.states(name, times) for name in names]
    corrected = join_states(
        point, a.state[both], b.state[both], samples[0], samples[1], EVALUATION.seed
    )
    return (
        _with_rows(a, times, corrected[0], corrected[2], samples[0]),
        _with_rows(b, times, corrected[1], corrected[3], samples[1]),
    )


def _with_rows(motion: Motion, times: Array, state: Array, draws: Array, before: Array) -> Motion:
    """A motion with corrected rows; its u falls as the draws' spread does. What the joint makes
    much better known counts as determined.
    """
    rows = np.isin(motion.time, times)
    which = np.searchsorted(times, motion.time[rows])
    share = np.std(draws, axis=0) / np.maximum(np.std(before, axis=0), 1e-12)
    states, u, observed = motion.state.copy(), motion.u.copy(), motion.observed_mask.copy()
    states[rows] = state[which]
    u[rows] = motion.u[rows] * np.minimum(share[which], 1.0)
    observed[rows] |= share[which] < EVALUATION.joint_determines
    return replace(motion, state=states, u=u, observed_mask=observed)
