"""One estimator: all motions, cameras, clocks and marker places from all marks at once.

Films are solved in two rounds (`solver.iterations`). Accelerometers join their solution in a second
round of their own (`solver.add_accelerometers`). The objective stands in `solver.linearization`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.errors import MotionError
from calibration.findings import Diagnostic
from tracker.core.types import Progress, silent
from tracker.motion.diagnostics import solution_of
from tracker.motion.evidence import AccelerometerEvidence, CameraEvidence, VehicleGeometry
from tracker.motion.initial.clock_sync import align_clocks
from tracker.motion.initial.contact import Contact, find_contact
from tracker.motion.initial.poses import Poses, assumed_places, place_unsurveyed, start_poses
from tracker.motion.model import prior
from tracker.motion.model.spline import Basis, place_breakpoints
from tracker.motion.model.unknowns import COMPONENTS, Body, CameraData, Setup, prepare_camera
from tracker.motion.options import KNOTS
from tracker.motion.posterior import Solution
from tracker.motion.robust import flexing_marks, marker_survey
from tracker.motion.robust.options import ROBUST
from tracker.motion.solver.add_accelerometers import add_accelerometers
from tracker.motion.solver.dense_step import DenseStep
from tracker.motion.solver.iterate import Iterate
from tracker.motion.solver.iterations import first_round, second_round

_FRAME = 1e-3
"""s; frame interval of a camera with a single frame."""
_ROUNDING = 1e-6
"""s; a motion reaches beyond its film by it."""


def solve(
    cameras: Mapping[str, CameraEvidence],
    vehicles: Mapping[str, VehicleGeometry],
    *,
    contact: float | None = 0.0,
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
    accelerometers : evidence that joins the films, of vehicles that a camera saw.
    progress : called with ("motion", step, steps).

    Raises MotionError where no camera measured any marker of any vehicle.
    """
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
    found = Contact(0.0 if contact is None else contact, _common_u(cameras), ())
    if contact is None:
        setup = _setup(camera_data, vehicles, starts, lever_arms, None)
        iterate, *_ = _iterate(setup, vehicles, starts, None, report_progress)
        found = find_contact(iterate, vehicles)
        camera_data = tuple(replace(cam, zero=cam.zero - found.value) for cam in camera_data)
        starts = {v: replace(s, time=s.time - found.value) for v, s in starts.items()}
        found = replace(found, value=0.0)
    setup = _setup(camera_data, vehicles, starts, lever_arms, found.value)
    iterate, step, warnings = _iterate(setup, vehicles, starts, found.value, report_progress)
    findings = (*found.findings, *warnings)
    solution = solution_of(iterate, step, (found.value, found.u), findings)
    if not accelerometers:
        return solution
    return add_accelerometers(solution, accelerometers, report_progress)


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
        cam.seconds[cam.measured[:, cam.body == b].any(axis=1)] + cam.zero for cam in camera_data
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
        softer = flexing_marks.softened(iterate, moment)
        if softer is iterate:
            break
        del step
        iterate, step = second_round(softer, moment, report_progress)
    findings += [
        *marker_survey.unsurveyed_warnings(iterate, vehicles),
        *(flexing_marks.flexing_warnings(iterate) if iterate.softness else ()),
    ]
    return iterate, step, findings
