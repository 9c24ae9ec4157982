"""Vehicles that hang together at a joint, as the record says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker.core.types import Motion
from tracker.outcome.headline import PosteriorSamples
from tracker.outcome.joint import Articulation, JointPoint, articulation, joined, joint_gap
from tracker.pipeline.motions import SolvedMotions
from tracker.pipeline.options import EVALUATION
from tracker.pipeline.vehicle_result import VehicleMotion
from tracker.record.load import Record
from tracker.results.after_contact import JointResult
from tracker.results.schema import Curve

OPEN = 4.0
"""A gap of more standard uncertainties is reported."""


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
        angles = _articulation(point, pair)
        if angles is None:
            continue
        found[name] = angles
        of[joint.to], of[name] = _joint_values(point, motions, (joint.to, name), pair)
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
        if gap.value > OPEN * gap.u:
            text = (
                f"the joint's place on the two vehicles differs by {1e3 * gap.value:.0f} mm at "
                f"{gap.time:.3f} s, its standard uncertainty is {1e3 * gap.u:.0f} mm"
            )
            yield Diagnostic("joint_opens", text, f"vehicles.{name}.joint")


def _common(pair: tuple[VehicleMotion, VehicleMotion]) -> Array:
    """Times (n,) at which the place of both is determined."""
    first, second = (m.known.time[m.known.observed[:, :6].any(axis=1)] for m in pair)
    return np.asarray(np.intersect1d(first, second), dtype=np.float64)


def _rows(motion: VehicleMotion, times: Array) -> tuple[Array, Array]:
    rows = np.searchsorted(motion.known.time, times)
    return motion.known.state[rows], motion.samples.draws[:, rows]


def _articulation(
    point: JointPoint, pair: tuple[VehicleMotion, VehicleMotion]
) -> Articulation | None:
    times = _common(pair)
    if not len(times):
        return None
    (a, a_draws), (b, b_draws) = (_rows(m, times) for m in pair)
    gap = joint_gap(point, times, (a, b), (a_draws, b_draws))
    if gap is None:
        return None
    a, b, a_draws, b_draws = joined(point, a, b, a_draws, b_draws, EVALUATION.seed)
    return articulation(times, (a, b), (a_draws, b_draws), gap)


def _joint_values(
    point: JointPoint,
    motions: SolvedMotions,
    names: tuple[str, str],
    pair: tuple[VehicleMotion, VehicleMotion],
) -> tuple[VehicleMotion, VehicleMotion]:
    times = _common(pair)
    (a, a_draws), (b, b_draws) = (_rows(m, times) for m in pair)
    corrected = joined(point, a, b, a_draws, b_draws, EVALUATION.seed)
    out = []
    for k, motion in enumerate(pair):
        known = _put(motion.known, times, corrected[k], corrected[k + 2], (a_draws, b_draws)[k])
        every = _at_films(motions, point, names, pair, k)
        draws = motion.samples.draws.copy()
        draws[:, np.searchsorted(known.time, times)] = corrected[k + 2]
        state = np.where(known.observed, known.state, np.nan)
        samples = PosteriorSamples(motion.samples.time, state, draws)
        out.append(VehicleMotion(samples, known, every))
    return out[0], out[1]


def _at_films(
    motions: SolvedMotions,
    point: JointPoint,
    names: tuple[str, str],
    pair: tuple[VehicleMotion, VehicleMotion],
    k: int,
) -> Motion:
    """The corrected motion at the films' times."""
    a, b = (m.motion for m in pair)
    both = a.observed[:, :6].any(axis=1) & b.observed[:, :6].any(axis=1)
    times = a.time[both]
    drawn = [motions.draws.states(name, times) for name in names]
    corrected = joined(point, a.state[both], b.state[both], drawn[0], drawn[1], EVALUATION.seed)
    return _put((a, b)[k], times, corrected[k], corrected[k + 2], drawn[k])


def _put(motion: Motion, times: Array, state: Array, draws: Array, before: Array) -> Motion:
    """A motion with corrected rows; its u falls as the draws' spread does. What the joint makes
    much better known counts as determined.
    """
    rows = np.isin(motion.time, times)
    which = np.searchsorted(times, motion.time[rows])
    share = np.std(draws, axis=0) / np.maximum(np.std(before, axis=0), 1e-12)
    states, u, observed = motion.state.copy(), motion.u.copy(), motion.observed.copy()
    states[rows] = state[which]
    u[rows] = motion.u[rows] * np.minimum(share[which], 1.0)
    observed[rows] |= share[which] < EVALUATION.joint_determines
    return replace(motion, state=states, u=u, observed=observed)
