"""One estimator: all motions, cameras, clocks and marker places from all marks at once.

Solved in the two rounds of `rounds`; accelerometers join the films' solution in a second round of
their own (`join`).
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
from tracker.motion.diagnostics import finished
from tracker.motion.evidence import AccelerometerEvidence, CameraEvidence, VehicleGeometry
from tracker.motion.initial.clock_sync import on_one_clock
from tracker.motion.initial.contact import Contact, find_contact
from tracker.motion.initial.poses import Poses, invent_places, place_unknown, poses
from tracker.motion.model import prior
from tracker.motion.model.spline import Basis, sites_for
from tracker.motion.model.unknowns import POSES, Body, Eye, Setup, eye_of
from tracker.motion.posterior import Solution
from tracker.motion.robust import marker_survey
from tracker.motion.solver.add_accelerometers import joined
from tracker.motion.solver.dense_step import System
from tracker.motion.solver.iterate import Fit
from tracker.motion.solver.iterations import first_round, second_round

DOUBTS = 8
"""How many times the survey of markers is doubted."""


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
    cameras, vehicles : evidence by name; vehicles that no camera saw are left out of the solution.
    contact : time of first contact on the cameras' clock, s; None: found from the motion, and the
        solution's time zero is put there.
    accelerometers : evidence that joins the films, of vehicles that a camera saw.
    progress : told ("motion", step, steps).

    Raises Problem where no camera measured any marker of any vehicle.
    """
    eyes = tuple(
        eye for name, c in cameras.items() if (eye := eye_of(name, c, vehicles)) is not None
    )
    if not eyes:
        raise MotionError(
            "no camera measured a marker of any vehicle",
            where="vehicles",
            remedy="pick markers of a vehicle in at least one film",
        )
    eyes, starts, arms = _started(eyes, vehicles)
    tell = progress or silent
    found = Contact(0.0 if contact is None else contact, 0.0, ())
    if contact is None:
        setup, fit, *_ = _fitted(
            _setup(eyes, vehicles, starts, arms, None), vehicles, starts, None, tell
        )
        found = find_contact(setup, fit, vehicles)
        eyes = tuple(replace(e, zero=e.zero - found.value) for e in eyes)
        starts = {v: replace(s, time=s.time - found.value) for v, s in starts.items()}
        found = replace(found, value=0.0)
    setup = _setup(eyes, vehicles, starts, arms, found.value)
    setup, fit, system, said = _fitted(setup, vehicles, starts, found.value, tell)
    solution = finished(setup, fit, system, (found.value, found.u), (*found.findings, *said))
    return joined(solution, accelerometers, tell) if accelerometers else solution


def _started(
    eyes: tuple[Eye, ...], vehicles: Mapping[str, VehicleGeometry]
) -> tuple[tuple[Eye, ...], dict[str, Poses], dict[str, Array]]:
    """Eyes on one clock, start poses and arms (markers, 3), NaN for markers never seen."""
    fixed = tuple(e for e in eyes if np.isfinite(e.zero_u)) or (replace(eyes[0], zero_u=0.0),)
    starts: dict[str, Poses] = {}
    arms: dict[str, Array] = {}
    for eyes_now in (fixed, eyes):
        for b, (name, vehicle) in enumerate(vehicles.items()):
            if name in starts and eyes_now is not fixed and not _more(eyes, fixed, b):
                continue
            if any((e.body == b).any() for e in eyes_now):
                arms[name] = _arms(eyes_now, b, vehicle)
                starts[name] = poses(eyes_now, b, arms[name], vehicle, f"vehicles.{name}")
        if eyes_now is fixed:
            eyes = on_one_clock(eyes, fixed, list(vehicles), starts, arms)
    for b, name in enumerate(vehicles):
        if name in starts:
            arms[name] = place_unknown(eyes, b, arms[name], starts[name])
    return eyes, starts, arms


def _more(eyes: tuple[Eye, ...], fixed: tuple[Eye, ...], b: int) -> bool:
    names = {e.name for e in fixed}
    return any(e.name not in names and (e.body == b).any() for e in eyes)


def _arms(eyes: tuple[Eye, ...], b: int, vehicle: VehicleGeometry) -> Array:
    none = (np.nan,) * 3
    places = np.array([at if at is not None else none for at in vehicle.markers.values()])
    if not np.isfinite(places).any():
        return invent_places(eyes, b, len(places), vehicle)
    return np.asarray(places - np.array(vehicle.cg))


def _setup(
    eyes: tuple[Eye, ...],
    vehicles: Mapping[str, VehicleGeometry],
    starts: Mapping[str, Poses],
    arms: Mapping[str, Array],
    contact: float | None,
) -> Setup:
    order = [v for v in vehicles if v in starts]
    new = {list(vehicles).index(v): k for k, v in enumerate(order)}
    eyes = tuple(replace(e, body=np.array([new[int(b)] for b in e.body])) for e in eyes)
    bodies = []
    for b, name in enumerate(order):
        vehicle = vehicles[name]
        basis = _basis(eyes, b, contact)
        level, spread = prior.handles_before(basis, starts[name], vehicle)
        unknown = np.array([at is None for at in vehicle.markers.values()])
        seen: NDArray[np.bool_] = np.asarray(np.isfinite(arms[name]).all(axis=1))
        u = np.where(unknown, marker_survey.UNKNOWN_U, vehicle.marker_u)
        if seen.sum() == 1 and unknown[seen].all():
            u = np.zeros(len(u))  # one mark of no known place is the place of the whole
        bodies.append(
            Body(
                name=name,
                cg=np.array(vehicle.cg, dtype=float),
                markers=tuple(vehicle.markers),
                arms=np.where(seen[:, None], arms[name], 0.0),
                arms_u=np.where(seen, u, 0.0),
                basis=basis,
                level=level,
                spread=spread,
                easing=np.ones((len(basis.intervals), POSES)),
            )
        )
    return Setup(tuple(bodies), eyes)


def _basis(eyes: tuple[Eye, ...], b: int, contact: float | None) -> Basis:
    clocks = [e.seconds[e.measured[:, e.body == b].any(axis=1)] + e.zero for e in eyes]
    clocks = [c for c in clocks if len(c)]
    first, last = min(c[0] for c in clocks), max(c[-1] for c in clocks)
    frame = min(float(np.median(np.diff(c))) if len(c) > 1 else 1e-3 for c in clocks)
    loose = max([min(3 * e.zero_u, 0.02) for e in eyes], default=0.0) + 1e-6
    sites = sites_for(float(first - loose), float(last + max(loose, 0.0)), contact, frame)
    inside = contact is not None and bool(np.any(sites[1:-1] == contact))
    return Basis(sites, (float(contact),) if inside and contact is not None else ())


def _fitted(
    setup: Setup,
    vehicles: Mapping[str, VehicleGeometry],
    starts: Mapping[str, Poses],
    contact: float | None,
    tell: Progress,
) -> tuple[Setup, Fit, System, list[Diagnostic]]:
    """Both rounds, and again while a wrongly surveyed marker comes to light."""
    moment = -np.inf if contact is None else contact
    strengths = tuple(prior.loose(b.basis) for b in setup.bodies)
    values = setup.mean()
    for b, body in enumerate(setup.bodies):
        handles = prior.handles_from(body, starts[body.name], strengths[b])
        values[setup.spline[b]] = handles.ravel()
    setup, fit = first_round(setup, values, strengths, tell)
    setup, fit, system = second_round(setup, fit, moment, tell)
    findings: list[Diagnostic] = []
    for _ in range(DOUBTS):
        doubt = marker_survey.doubts(setup, fit, np.sum(system.root**2, axis=1), vehicles)
        if doubt.setup is None:
            break
        setup = doubt.setup
        findings += doubt.findings
        del system  # makes room for the next
        setup, fit, system = second_round(setup, fit, moment, tell)
    return setup, fit, system, [*findings, *marker_survey.freed(setup, fit, vehicles)]
