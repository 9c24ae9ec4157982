"""From what an analysis found to its results: figures, budgets, curves, warnings, verdicts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.findings import Diagnostic
from tracker import __version__
from tracker.camera.stage import CalibratedFilm
from tracker.criteria.judge import judge
from tracker.motion import Solution
from tracker.motion.wheel import WheelMotion
from tracker.outcome.contact import ContactEnd
from tracker.outcome.headline import Crush
from tracker.outcome.joint import Articulation
from tracker.outcome.processing import PROCESSING
from tracker.pipeline.after_contact import after_contact, typed_ends
from tracker.pipeline.article_geometry import near_masks
from tracker.pipeline.assumptions import assumptions
from tracker.pipeline.calibration_result import calibration_result
from tracker.pipeline.camera_result import (
    camera_result,
    evidence,
    shaking,
    time_zero_result,
    view,
)
from tracker.pipeline.events import events
from tracker.pipeline.figure_warnings import figure_warnings
from tracker.pipeline.film_evidence import CalibratedFilms
from tracker.pipeline.fusion import joined_vehicles
from tracker.pipeline.instruments import Instrumented
from tracker.pipeline.joints import joint_curves, joint_results, open_joints
from tracker.pipeline.motions import SolvedMotions, sample_motions
from tracker.pipeline.options import EVALUATION
from tracker.pipeline.short_means import smoothed_ridedown
from tracker.pipeline.uncertainty_budget import budgets, fused_budgets
from tracker.pipeline.vehicle_result import (
    contacts,
    crush_result,
    crush_values,
    film_occupant,
    mechanics_result,
    point_paths,
    speed_check,
    stopping,
    vehicle_result,
)
from tracker.pipeline.wheels import wheel_curves, wheel_results
from tracker.record.load import Record
from tracker.results.balances import Mechanics
from tracker.results.headline import Headline
from tracker.results.paperwork import ReportFields
from tracker.results.schema import (
    Budget,
    ConditionsResult,
    IntendedResult,
    Occupant,
    OccupantResult,
    Results,
    Software,
    VehicleResult,
)
from tracker.storage.audit_log import Entry


@dataclass(frozen=True)
class Analysis:
    """What was measured and solved of a test, before its numbers are computed and judged."""

    record: Record
    inputs: Mapping[str, str]  # sha256 by file
    films: CalibratedFilms
    solution: Solution  # of the films
    motions: SolvedMotions
    articulations: Mapping[str, Articulation]  # of vehicles that hang on another
    wheels: Mapping[str, WheelMotion]
    instruments: Mapping[str, Instrumented]  # by vehicle
    joint: Solution | None  # of films and accelerometers; None where no channel may join
    distances: Mapping[str, tuple[float, float]]  # flail distances by vehicle, m
    log: tuple[Entry, ...]


def assemble_results(found: Analysis) -> Results:
    """The results of a test, judged by its criteria."""
    record, solution, motions = found.record, found.solution, found.motions
    films, instruments = found.films.by_camera, found.instruments
    crush = crush_result(record.vehicles, motions.of)
    balance = mechanics_result(record, solution, motions.draws, crush)
    fused = _joint_occupants(found)
    ends = _contact_ends(record, motions, crush)
    later = after_contact(
        record, solution, {n: evidence(film) for n, film in films.items()}, motions, ends
    )
    joints = dict(joint_results(record, found.articulations))
    vehicles = {
        name: replace(
            numbers,
            exit=later.exits.get(name),
            final=later.finals.get(name),
            outline=later.outlines.get(name),
            joint=joints.get(name),
            wheels=wheel_results(record, found.wheels, name),
        )
        for name, numbers in _vehicles(
            found, ends, fused, None if balance is None else balance[0]
        ).items()
    }
    results = Results(
        test=_conditions(record),
        software=Software(__version__, found.inputs),
        cameras={
            name: replace(
                camera_result(record, film, motions.times[name], solution),
                calibration=calibration_result(record, film, solution, _place(record, motions)),
            )
            for name, film in films.items()
        },
        vehicles=vehicles,
        crush=crush_values(crush),
        mechanics=None if balance is None else balance[0],
        budgets=_budgets(found, vehicles, crush, fused),
        cross_check={n: i.cross_check for n, i in instruments.items() if i.cross_check is not None},
        accelerometers=tuple(block for i in instruments.values() for block in i.blocks),
        speed_check=speed_check(record, vehicles),
        time_zero=time_zero_result(solution),
        warnings=_warnings(found, vehicles, ends),
        motion={name: motion.motion for name, motion in motions.of.items()},
        points={
            name: point_paths(
                solution, motions.draws, name, record.vehicles[name], motions.given_at
            )
            for name in motions.of
        },
        tracks={name: film.followed.tracks for name, film in films.items()},
        times=motions.times,
        force_crush=None if balance is None else balance[1],
        curves=(
            *(c for i in instruments.values() for c in i.curves),
            *shaking(films, motions.times),
            *joint_curves(found.articulations),
            *wheel_curves(found.wheels),
        ),
        views={name: view(record, film, solution) for name, film in films.items()},
        log=found.log,
        processing=PROCESSING,
        article=later.article,
        article_paths=later.paths,
        assumptions=assumptions(record, found.distances),
    )
    results = replace(results, events=events(record, results))
    verdicts = judge(record, results)
    return replace(
        results,
        criteria=verdicts.criteria,
        not_judged=verdicts.not_judged,
        decision=verdicts.rule,
    )


def film_headline(
    record: Record,
    films: Mapping[str, CalibratedFilm],
    solution: Solution,
    distances: Mapping[str, tuple[float, float]],
) -> Headline:
    """The numbers that the films alone give, with u from a few draws of the posterior."""
    draws = EVALUATION.headline_draws
    motions = sample_motions(films, solution, draws, EVALUATION.seed)
    crush = crush_result(record.vehicles, motions.of)
    ends = _contact_ends(record, motions, crush)
    figures = _film_figures(record, solution, motions, distances, ends)
    test = record.test
    return Headline(test.number, test.report_units, draws, figures, crush_values(crush))


def _contact_ends(
    record: Record, motions: SolvedMotions, crush: Crush | None
) -> dict[str, ContactEnd | None]:
    """When each vehicle's contact ends, typed ends included."""
    near = near_masks(record, {name: motion.samples for name, motion in motions.of.items()})
    return typed_ends(record, motions, contacts(record.vehicles, motions.of, crush, near))


def _film_figures(
    record: Record,
    solution: Solution,
    motions: SolvedMotions,
    distances: Mapping[str, tuple[float, float]],
    ends: Mapping[str, ContactEnd | None],
) -> dict[str, VehicleResult]:
    """The numbers of every vehicle that a film shows, from the films alone."""
    figures = {}
    for name, motion in motions.of.items():
        film = film_occupant(solution, motions.draws, name, distances[name], ends[name])
        table = record.vehicles[name]
        figures[name] = vehicle_result(table, motion, Occupant(film=film), ends[name])
    return figures


def _vehicles(
    found: Analysis,
    ends: Mapping[str, ContactEnd | None],
    fused: Mapping[str, OccupantResult],
    balance: Mechanics | None,
) -> dict[str, VehicleResult]:
    """The numbers of every vehicle of which there are any, in the record's order."""
    record, motions = found.record, found.motions
    shown = _film_figures(record, found.solution, motions, found.distances, ends)
    vehicles = {}
    for name, table in record.vehicles.items():
        occupant = found.instruments[name].occupant
        if name in shown:
            joined = replace(shown[name].occupant, accelerometer=occupant, fused=fused.get(name))
            numbers = replace(shown[name], occupant=joined)
            vehicles[name] = replace(numbers, stopping=stopping(numbers, balance))
        elif occupant is not None:
            alone = Occupant(accelerometer=occupant)
            vehicles[name] = VehicleResult(role=table.role, mass=table.mass, occupant=alone)
    return vehicles


def _place(record: Record, motions: SolvedMotions) -> Array | None:
    """Where the striking vehicle's cg was at time zero, (3,) m; None where no film shows it."""
    names = [n for n, table in record.vehicles.items() if table.role == "striking"]
    for name in [*names, *motions.of]:
        motion = motions.of[name].motion if name in motions.of else None
        if motion is not None and len(motion.time):
            return np.asarray(motion.state[int(np.argmin(np.abs(motion.time))), :3])
    return None


def _joint_occupants(found: Analysis) -> dict[str, OccupantResult]:
    """Occupant risk from film and accelerometers together, of vehicles whose channels joined."""
    if found.joint is None:
        return {}
    draws = found.joint.draws(EVALUATION.draws, EVALUATION.seed)
    figures = {
        vehicle: film_occupant(found.joint, draws, vehicle, found.distances[vehicle])
        for vehicle in joined_vehicles(found.joint)
    }
    return {vehicle: one for vehicle, one in figures.items() if one is not None}


def _budgets(
    found: Analysis,
    vehicles: Mapping[str, VehicleResult],
    crush: Crush | None,
    fused: Mapping[str, OccupantResult],
) -> tuple[Budget, ...]:
    of_films = budgets(
        found.solution,
        found.record.vehicles,
        found.motions.of,
        vehicles,
        crush_values(crush),
        found.distances,
    )
    if found.joint is None:
        return of_films
    return (*of_films, *fused_budgets(found.joint, fused, found.distances))


def _warnings(
    found: Analysis,
    vehicles: Mapping[str, VehicleResult],
    ends: Mapping[str, ContactEnd | None],
) -> tuple[Diagnostic, ...]:
    instrumented = {name for name, i in found.instruments.items() if i.blocks}
    seen = (*found.solution.vehicles, *found.wheels)
    return (
        *found.films.warnings,
        *(w for film in found.films.by_camera.values() for w in film.warnings),
        *found.solution.findings,
        *open_joints(found.articulations),
        *(w for i in found.instruments.values() for w in i.warnings),
        *figure_warnings(found.record, vehicles, seen, instrumented),
        *smoothed_ridedown(found.solution, vehicles, ends),
    )


def _conditions(record: Record) -> ConditionsResult:
    test = record.test
    return ConditionsResult(
        test.number,
        test.title,
        test.criteria,
        None if test.date is None else test.date.isoformat(),
        test.report_units,
        IntendedResult(test.intended.speed, test.intended.angle, test.intended.offset),
        test.photographs,
        test.slow_motion,
        ReportFields(
            **test.report.model_dump(exclude={"issued"}),
            issued="" if test.report.issued is None else test.report.issued.isoformat(),
        ),
    )
