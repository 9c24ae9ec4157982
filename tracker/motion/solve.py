"""One estimator: all motions, cameras, clocks and marker places from all marks at once.

Films are solved in two rounds (`solver.iterations`). Accelerometers join their solution in a second
round of their own (`solver.add_accelerometers`). The objective stands in `solver.linearization`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.errors import MotionError
from calibration.findings import Diagnostic
from tracker.core.types import Progress, silent
from tracker.motion import time_zero
from tracker.motion.diagnostics import solution_of
from tracker.motion.evidence import AccelerometerEvidence, CameraEvidence, VehicleGeometry
from tracker.motion.initial.clock_sync import align_clocks
from tracker.motion.initial.contact import find_contact
from tracker.motion.initial.options import ZERO
from tracker.motion.initial.poses import Poses, assumed_places, place_unsurveyed, start_poses
from tracker.motion.model import prior
from tracker.motion.model.spline import Basis, place_breakpoints
from tracker.motion.model.unknowns import COMPONENTS, Body, CameraData, Setup, prepare_camera
from tracker.motion.options import KNOTS
from tracker.motion.posterior import Solution
from tracker.motion.robust import camera_agreement, flexing_marks, marker_survey
from tracker.motion.robust.options import ROBUST
from tracker.motion.solver.add_accelerometers import add_accelerometers
from tracker.motion.solver.camera_rounds import settle_cameras
from tracker.motion.solver.dense_step import DenseStep
from tracker.motion.solver.iterate import Iterate
from tracker.motion.solver.iterations import first_round, second_round
from tracker.motion.time_zero import TimeZero

_FRAME = 1e-3
"""s; frame interval of a camera with a single frame."""
_ROUNDING = 1e-6
"""s; a motion reaches beyond its film by it."""


def solve(
    cameras: Mapping[str, CameraEvidence],
    vehicles: Mapping[str, VehicleGeometry],
    *,
    contact: float | None = 0.0,
    zero: TimeZero | None = None,
    accelerometers: Sequence[AccelerometerEvidence] = (),
    progress: Progress | None = None,
) -> Solution:
    """The joint posterior of all motions.

    Parameters
    ----------
    cameras : evidence by name: marks in px with covariances, times in s on each camera's clock.
    vehicles : surveys by name, vehicle axes, m; vehicles that no camera saw are left out of the
        solution.
    contact : time of first contact on the cameras' clock, s; None: found from the motion, and the
        solution's time zero is put there.
    zero : all that is known of contact, on a clock that counts from it; None: weighed here.
    accelerometers : evidence that joins the films, of vehicles that a camera saw.
    progress : called with ("motion", step, steps).

    Raises MotionError where no camera measured any marker of any vehicle.
    """
    cameras = _with_own_zero_u(cameras)
    camera_data = tuple(
        data
        for name, c in cameras.items()
        if (data := prepare_camera(name, c, vehicles)) is not None
    )
    if not camera_data:
        raise MotionError(
            "no camera measured a marker of any vehicle",
            where="vehicles",
            remedy="pick markers of a vehicle in at least one film",
        )
    camera_data, starts, lever_arms = _start(camera_data, vehicles)
    report_progress = progress or silent
    start = _Start(camera_data, starts, lever_arms)
    if zero is not None:
        iterate, step, warnings = _solve_setup(start, vehicles, zero.value, report_progress)
        findings: tuple[Diagnostic, ...] = ()
        moment, u = zero.value, zero.u
    elif contact is None:
        iterate, *_ = _solve_setup(start, vehicles, None, report_progress)
        found = find_contact(iterate, vehicles)
        start = start.shift_clock(found.value)
        alone = time_zero.ZeroSource("motion", 0.0, found.u, ZERO.motion_wrong)
        zero = TimeZero(0.0, found.u, (alone,))
        findings = found.findings
        iterate, step, warnings = _solve_setup(start, vehicles, 0.0, report_progress)
        moment, u = 0.0, found.u
    else:
        iterate, step, warnings = _solve_setup(start, vehicles, contact, report_progress)
        again = _weigh_time_zero(start, iterate, step, cameras, vehicles, contact, report_progress)
        zero, findings, moment, u = again.zero, again.findings, again.contact, again.u
        if again.solved is not None:
            iterate, step, warnings = again.solved
    solution = solution_of(iterate, step, (moment, u), (*findings, *warnings))
    solution = replace(solution, time_zero=zero)
    if not accelerometers:
        return solution
    return add_accelerometers(solution, accelerometers, report_progress)


@dataclass(frozen=True)
class _Start:
    """What a solution starts from: cameras on one clock, poses and lever arms by vehicle."""

    cameras: tuple[CameraData, ...]
    poses: Mapping[str, Poses]
    lever_arms: Mapping[str, Array]

    def shift_clock(self, moment: float) -> _Start:
        """The same on a clock whose zero is at this moment, s."""
        cameras = tuple(replace(cam, zero=cam.zero - moment) for cam in self.cameras)
        poses = {v: replace(p, time=p.time - moment) for v, p in self.poses.items()}
        return replace(self, cameras=cameras, poses=poses)


_Solved = tuple[Iterate, DenseStep, list[Diagnostic]]


def _solve_setup(
    start: _Start,
    vehicles: Mapping[str, VehicleGeometry],
    contact: float | None,
    report_progress: Progress,
) -> _Solved:
    setup = _setup(start.cameras, vehicles, start.poses, start.lever_arms, contact)
    return _iterate(setup, vehicles, start.poses, contact, report_progress)


@dataclass(frozen=True)
class _Weighed:
    """Time zero by all evidence, and the solution that has it, where it is another."""

    zero: TimeZero | None
    contact: float
    u: float  # s, of contact beside the cameras' own time zeros
    findings: tuple[Diagnostic, ...] = ()
    solved: _Solved | None = None


def _weigh_time_zero(
    start: _Start,
    iterate: Iterate,
    step: DenseStep,
    cameras: Mapping[str, CameraEvidence],
    vehicles: Mapping[str, VehicleGeometry],
    contact: float,
    report_progress: Progress,
) -> _Weighed:
    """Time zero by the cameras' clocks and the motion; solved again where it moved."""
    known = [n for n, c in cameras.items() if np.isfinite(c.zero_u)]
    apart = time_zero.clocks_apart(iterate, step, known, vehicles) > 1
    if apart:  # which of them is right must not bend the motion
        start = _free_clocks(start, known)
        iterate, *_ = _solve_setup(start, vehicles, contact, report_progress)
    clocks = time_zero.clock_sources(iterate, cameras, contact, apart=apart)
    if not clocks:
        return _Weighed(None, contact, _common_u(cameras))
    motion = time_zero.motion_source(iterate, vehicles, contact)
    pairs = []
    if apart and len(clocks) > 1:
        in_order = sorted(clocks, key=lambda s: s.value)
        pairs = [(in_order[0].name, in_order[-1].name)]
    zero = time_zero.combine_sources([*clocks, *([] if motion is None else [motion])], pairs)
    warning = time_zero.apart_warning(zero)
    findings = () if warning is None else (warning,)
    common = _common_u(cameras)
    own = np.sqrt(max(clocks[0].u ** 2 - common**2, 0.0))
    shift = zero.value - contact
    if not apart and zero.is_reached(contact, float(own)):
        beside = float(np.sqrt(max(zero.u**2 + shift**2 - own**2, 0.0)))
        return _Weighed(zero, contact, beside, findings)
    shifted = _move_zero(start, iterate, known, shift, free=apart)
    solved = _solve_setup(shifted, vehicles, contact, report_progress)
    return _Weighed(zero.since(shift), contact, zero.u, findings, solved)


def _free_clocks(start: _Start, known: Sequence[str]) -> _Start:
    """The same with cameras whose time zeros may each be wrong."""
    cameras = tuple(
        replace(cam, zero_u=float(np.hypot(cam.zero_u, ZERO.wrong_u))) if cam.name in known else cam
        for cam in start.cameras
    )
    return replace(start, cameras=cameras)


def _move_zero(
    start: _Start, iterate: Iterate, known: Sequence[str], shift: float, *, free: bool
) -> _Start:
    """The start with contact later by `shift` (s) on all clocks. One camera's clock is the
    reference, exactly; the others have their time zeros against it, or what the motion gave where
    those are `free`. What time zero itself may be off by is then beside them.
    """
    solved_zero = {
        cam.name: float(iterate.values[part.stop - 2])
        for cam, part in zip(iterate.setup.cameras, iterate.setup.camera_slices, strict=True)
    }
    reference = min((cam for cam in start.cameras if cam.name in known), key=lambda cam: cam.zero_u)
    offset = solved_zero.get(reference.name, reference.zero) - reference.zero
    out = []
    for cam in start.cameras:
        if cam is reference:
            out.append(replace(cam, zero=cam.zero + offset - shift, zero_u=0.0))
        elif cam.name in known and not free:
            u = float(np.hypot(cam.zero_u, reference.zero_u))
            out.append(replace(cam, zero=cam.zero + offset - shift, zero_u=u))
        else:
            out.append(replace(cam, zero=solved_zero.get(cam.name, cam.zero) - shift))
    poses = {v: replace(p, time=p.time + offset - shift) for v, p in start.poses.items()}
    return replace(start, cameras=tuple(out), poses=poses)


def _with_own_zero_u(cameras: Mapping[str, CameraEvidence]) -> Mapping[str, CameraEvidence]:
    """Only the least of the common u is common: what a camera's is larger by is its own."""
    common = _common_u(cameras)
    own = {}
    for name, c in cameras.items():
        if np.isfinite(c.zero_u):
            more = max(c.zero_common_u**2 - common**2, 0.0)
            c = replace(c, zero_u=float(np.sqrt(c.zero_u**2 + more)), zero_common_u=common)
        own[name] = c
    return own


def _common_u(cameras: Mapping[str, CameraEvidence]) -> float:
    """The u of contact that is common to all cameras' time zeros, s: that of the best of them."""
    known = [c.zero_common_u for c in cameras.values() if np.isfinite(c.zero_u)]
    return min(known, default=0.0)


def _start(
    camera_data: tuple[CameraData, ...], vehicles: Mapping[str, VehicleGeometry]
) -> tuple[tuple[CameraData, ...], dict[str, Poses], dict[str, Array]]:
    """Cameras on one clock, start poses and lever arms (markers, 3), NaN for markers never seen."""
    fixed = tuple(cam for cam in camera_data if np.isfinite(cam.zero_u)) or (
        replace(camera_data[0], zero_u=0.0),
    )
    starts: dict[str, Poses] = {}
    lever_arms: dict[str, Array] = {}
    for cameras_now in (fixed, camera_data):
        for b, (name, vehicle) in enumerate(vehicles.items()):
            again = cameras_now is fixed or _is_seen_elsewhere(camera_data, fixed, b)
            if name in starts and not again:
                continue
            if any((cam.body == b).any() for cam in cameras_now):
                lever_arms[name] = _lever_arms(cameras_now, b, vehicle)
                starts[name] = start_poses(
                    cameras_now, b, lever_arms[name], vehicle, f"vehicles.{name}"
                )
        if cameras_now is fixed:
            camera_data = align_clocks(camera_data, fixed, list(vehicles), starts, lever_arms)
    for b, name in enumerate(vehicles):
        if name in starts:
            lever_arms[name] = place_unsurveyed(camera_data, b, lever_arms[name], starts[name])
    return camera_data, starts, lever_arms


def _is_seen_elsewhere(
    camera_data: tuple[CameraData, ...], fixed: tuple[CameraData, ...], b: int
) -> bool:
    names = {cam.name for cam in fixed}
    return any(cam.name not in names and (cam.body == b).any() for cam in camera_data)


def _lever_arms(camera_data: tuple[CameraData, ...], b: int, vehicle: VehicleGeometry) -> Array:
    none = (np.nan,) * 3
    places = np.array([at if at is not None else none for at in vehicle.markers.values()])
    if not np.isfinite(places).any():
        return assumed_places(camera_data, b, len(places), vehicle)
    return np.asarray(places - np.array(vehicle.cg))


def _setup(
    camera_data: tuple[CameraData, ...],
    vehicles: Mapping[str, VehicleGeometry],
    starts: Mapping[str, Poses],
    lever_arms: Mapping[str, Array],
    contact: float | None,
) -> Setup:
    order = [v for v in vehicles if v in starts]
    new = {list(vehicles).index(v): k for k, v in enumerate(order)}
    camera_data = tuple(
        replace(cam, body=np.array([new[int(b)] for b in cam.body])) for cam in camera_data
    )
    if contact is not None:
        rigid = (
            flexing_marks.without_flexible(cam, flexing_marks.flexible_mask(cam, vehicles), contact)
            for cam in camera_data
        )
        camera_data = tuple(cam for cam in rigid if cam is not None)
    bodies = []
    for b, name in enumerate(order):
        vehicle = vehicles[name]
        basis = _basis(camera_data, b, contact)
        prior_mean, prior_sd = prior.prior_moments(basis, starts[name], vehicle)
        unknown = np.array([at is None for at in vehicle.markers.values()])
        seen: NDArray[np.bool_] = np.asarray(np.isfinite(lever_arms[name]).all(axis=1))
        stated = np.array([vehicle.own_u.get(m, vehicle.marker_u) for m in vehicle.markers])
        u = np.where(unknown, ROBUST.unsurveyed_u, stated)
        if seen.sum() == 1 and unknown[seen].all():
            u = np.zeros(len(u))  # one mark of no known place is the place of the whole
        bodies.append(
            Body(
                name=name,
                cg=np.array(vehicle.cg, dtype=float),
                markers=tuple(vehicle.markers),
                lever_arms=np.where(seen[:, None], lever_arms[name], 0.0),
                lever_arms_u=np.where(seen, u, 0.0),
                basis=basis,
                prior_mean=prior_mean,
                prior_sd=prior_sd,
                jerk_inflation=np.ones((len(basis.intervals), COMPONENTS)),
                survey_errors=vehicle.survey_errors,
            )
        )
    return Setup(tuple(bodies), camera_data)


def _basis(camera_data: tuple[CameraData, ...], b: int, contact: float | None) -> Basis:
    clocks = [
        cam.seconds[cam.measured_mask[:, cam.body == b].any(axis=1)] + cam.zero
        for cam in camera_data
    ]
    clocks = [c for c in clocks if len(c)]
    first, last = min(c[0] for c in clocks), max(c[-1] for c in clocks)
    frame = min(float(np.median(np.diff(c))) if len(c) > 1 else _FRAME for c in clocks)
    margins = [min(KNOTS.clock_margin * cam.zero_u, KNOTS.clock_margin_most) for cam in camera_data]
    clock_margin = max(margins, default=0.0) + _ROUNDING
    breakpoints = place_breakpoints(
        float(first - clock_margin), float(last + max(clock_margin, 0.0)), contact, frame
    )
    inside = contact is not None and bool(np.any(breakpoints[1:-1] == contact))
    if contact is None or not inside:
        return Basis(breakpoints)
    phases = prior.phases_after(float(contact), float(breakpoints[-1]))
    return Basis(breakpoints, (float(contact),), phases)


def _iterate(
    setup: Setup,
    vehicles: Mapping[str, VehicleGeometry],
    starts: Mapping[str, Poses],
    contact: float | None,
    report_progress: Progress,
) -> tuple[Iterate, DenseStep, list[Diagnostic]]:
    """Both rounds, and the second again while the check of the survey finds something."""
    moment = -np.inf if contact is None else contact
    jerk_densities = tuple(prior.initial_density(b.basis) for b in setup.bodies)
    values = setup.prior_mean()
    for b, body in enumerate(setup.bodies):
        jerk_coefficients = prior.smooth_start(body, starts[body.name], jerk_densities[b])
        values[setup.spline_slices[b]] = jerk_coefficients.ravel()
    iterate = first_round(setup, values, jerk_densities, report_progress)
    iterate, step = second_round(iterate, moment, report_progress)
    iterate, step, widened = settle_cameras(iterate, step, moment, report_progress)
    findings: list[Diagnostic] = []
    for _ in range(ROBUST.survey_checks):
        variance_ratio = np.sum(step.covariance_root**2, axis=1)
        checked = marker_survey.check_survey(iterate, variance_ratio, vehicles)
        if checked.setup is None:
            break
        findings += checked.findings
        del step  # makes room for the next
        iterate = replace(iterate, setup=checked.setup)
        iterate, step = second_round(iterate, moment, report_progress)
    for _ in range(ROBUST.flexing_rounds if contact is not None else 0):
        softer = flexing_marks.soften_marks(iterate, moment)
        if softer is iterate:
            break
        del step
        iterate, step = second_round(softer, moment, report_progress)
    findings += [
        *camera_agreement.disagreement_warnings(iterate, widened),
        *marker_survey.unsurveyed_warnings(iterate, vehicles),
        *(flexing_marks.flexing_warnings(iterate) if iterate.softness else ()),
    ]
    return iterate, step, findings
