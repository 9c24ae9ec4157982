"""The main job: from a test record to its results, one road for command line and workbench."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Protocol

import numpy as np

from calibration.errors import RECORD, Problem
from calibration.findings import Diagnostic
from tracker import __version__
from tracker.accelerometers import Accelerometer, read_accelerometers
from tracker.camera.stage import CalibratedFilm, calibrate_camera
from tracker.core.types import Progress, silent
from tracker.criteria.judge import judge, not_judged
from tracker.motion import CameraEvidence, Solution, VehicleGeometry, empty_solution, solve
from tracker.pipeline.camera_result import camera_result, evidence, frame_times, shaking, view
from tracker.pipeline.figure_warnings import figure_warnings
from tracker.pipeline.fusion import fuse
from tracker.pipeline.instruments import Instrumented, instrumented
from tracker.pipeline.options import stage_options
from tracker.pipeline.uncertainty_budget import budgets, fused_budgets
from tracker.pipeline.vehicle_result import (
    DRAWS,
    SEED,
    VehicleMotion,
    contacts,
    crush_result,
    crush_values,
    film_occupant,
    flail_distances,
    mechanics_result,
    point_paths,
    sample_motion,
    speed_check,
    stopping,
    vehicle_result,
)
from tracker.record.input_digests import digests
from tracker.record.load import Record
from tracker.record.manual_edits import actions, note_edits, spans
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
from tracker.storage.audit_log import Log

STANDING_U = 0.05
"""m; how well a vehicle's origin is known to stand on the ground, on film without a survey."""


Look = Callable[[Record, str, Progress], CalibratedFilm]
"""How a camera's film is followed: the record, the camera's name, who is told of progress."""


class Move(Protocol):
    """How motions are solved."""

    def __call__(
        self,
        cameras: Mapping[str, CameraEvidence],
        vehicles: Mapping[str, VehicleGeometry],
        *,
        contact: float | None,
        progress: Progress | None,
    ) -> Solution:
        """What `tracker.motion.solve` gives."""
        ...


def analyse(
    record: Record,
    progress: Progress | None = None,
    look: Look = calibrate_camera,
    move: Move = solve,
) -> Results:
    """Follow the films of a test, solve its motions, and judge them.

    `look` may remember what a camera saw, and `move` what was solved from it, as long as they give
    what `calibrate_camera` and `solve` would.

    Where no film can be used, the accelerometers are judged alone and a warning says why. Raises
    Problem where a film or a calibration can't carry the analysis and another film, or the lack of
    accelerometers, makes that a fault to mend.
    """
    tell = progress or silent
    log = Log(actions(record.folder))
    inputs = digests(record)
    place = {record.path.name: {"path": str(record.path.resolve())}}
    for name, digest in inputs.items():
        log.note("input", name, sha256=digest, **place.get(name, {}))
    log.note("setting", "draws from the posterior", count=DRAWS, seed=SEED)
    log.note("setting", "options of the stages", options=stage_options())
    note_edits(log, record)
    blocks = read_accelerometers(record.accelerometers, record.folder)
    sights, failed = _looked(record, look, tell, bool(blocks))
    for name, sight in sights.items():
        _note_decisions(log, name, sight)
    seen = {name: evidence(sight) for name, sight in sights.items()}
    if blocks and not any(e.measured.any() for e in seen.values()):
        solution = empty_solution()
    else:
        solution = move(
            seen,
            {name: _geometry(record, name, sights) for name in record.vehicles},
            contact=_contact(sights),
            progress=tell,
        )
    return _results(record, inputs, sights, solution, blocks, log, failed)


def _looked(
    record: Record, look: Look, tell: Progress, instrumented: bool
) -> tuple[dict[str, CalibratedFilm], tuple[Diagnostic, ...]]:
    """What each camera saw; warnings instead if none can be used and there are accelerometers."""
    sights: dict[str, CalibratedFilm] = {}
    failures: list[Problem] = []
    for name in record.cameras:
        try:
            sights[name] = look(record, name, tell)
        except Problem as problem:
            if not instrumented or sights or problem.status == RECORD:
                raise
            failures.append(problem)
    if failures and sights:
        raise failures[0]
    alone = "this film can't be used; the accelerometers are judged alone"
    return sights, tuple(
        Diagnostic("film_unusable", f"{alone}: {p.what}", p.where or "cameras") for p in failures
    )


def _geometry(record: Record, name: str, sights: Mapping[str, CalibratedFilm]) -> VehicleGeometry:
    table = record.vehicles[name]
    surveyed = any(
        target.at is not None
        for camera in sights
        for target in record.cameras[camera].survey.values()
    )
    offset = record.test.intended.offset or 0.0
    near, near_u = np.full(3, np.nan), np.full(3, np.nan)
    if not surveyed:  # one plane of motion: it has to be said where in the line of sight it is
        axis = _line_of_sight(sights)
        near[axis] = table.cg[axis] + (offset if axis == 1 else 0.0)
        near_u[axis] = STANDING_U
    return VehicleGeometry(
        cg=table.cg,
        markers={marker: m.at for marker, m in table.markers.items()},
        marker_u=record.survey.marker_u,
        role=table.role,
        near=(near[0], near[1], near[2]),
        near_u=(near_u[0], near_u[1], near_u[2]),
    )


def _line_of_sight(sights: Mapping[str, CalibratedFilm]) -> int:
    """The ground axis (1 or 2) nearest to the first camera's line of sight."""
    ahead = next(iter(sights.values())).pose.camera.rotation[2]
    return 2 if abs(ahead[2]) > abs(ahead[1]) else 1


def _contact(sights: Mapping[str, CalibratedFilm]) -> float | None:
    """Time zero on the cameras' clocks where one of them knows it, else None: from the motion."""
    known = [np.isfinite(sight.time.zero_frame) for sight in sights.values()]
    return 0.0 if any(known) else None


def _note_decisions(log: Log, name: str, sight: CalibratedFilm) -> None:
    where = f"cameras.{name}"
    for point in sight.pose.left_out:
        log.note("decision", f"{point} left out of the pose", where)
    log.note("decision", f"time from {sight.time.source}", where)


def _note_rejected(log: Log, solution: Solution) -> None:
    """One entry a mark: left out altogether, or in which frames."""
    for camera, mark in dict.fromkeys((r.camera, r.mark) for r in solution.rejected):
        own = [r.frame for r in solution.rejected if (r.camera, r.mark) == (camera, mark)]
        frames = sorted(frame for frame in own if frame is not None)
        what = "in every frame" if None in own else f"in {spans(frames)}"
        log.note("decision", f"{mark} left out {what}", f"cameras.{camera}")


def _results(
    record: Record,
    inputs: Mapping[str, str],
    sights: Mapping[str, CalibratedFilm],
    solution: Solution,
    blocks: list[Accelerometer],
    log: Log,
    failed: tuple[Diagnostic, ...],
) -> Results:
    test = record.test
    times = {name: frame_times(sight, solution) for name, sight in sights.items()}
    fastest = max(sights, key=lambda name: sights[name].time.rate, default="")
    draws = solution.draws(DRAWS, SEED)
    moves = {v: sample_motion(solution, draws, v, times[fastest]) for v in solution.vehicles}
    told = {name: _instruments(record, name, blocks, moves.get(name)) for name in record.vehicles}
    fused, fused_shares = _fused(record, solution, blocks, told, log)
    crush = crush_result(record.vehicles, moves)
    ends = contacts(record.vehicles, moves, crush)
    both = mechanics_result(record, solution, draws, crush)
    vehicles = {}
    for name, table in record.vehicles.items():
        read = told[name].occupant
        if name not in moves:
            if read is not None:
                only = Occupant(accelerometer=read)
                vehicles[name] = VehicleResult(role=table.role, mass=table.mass, occupant=only)
            continue
        film = film_occupant(solution, draws, name, _distances(record)[name], ends[name])
        occupant = Occupant(film=film, accelerometer=read, fused=fused.get(name))
        numbers = vehicle_result(table, moves[name], occupant, ends[name])
        vehicles[name] = replace(numbers, stopping=stopping(numbers, both[0] if both else None))
    warnings = [
        *failed,
        *(w for sight in sights.values() for w in sight.warnings),
        *solution.findings,
        *(w for t in told.values() for w in t.warnings),
        *figure_warnings(record, vehicles, solution.vehicles, {b.vehicle for b in blocks}),
    ]
    _note_rejected(log, solution)
    results = Results(
        test=ConditionsResult(
            test.number,
            test.title,
            test.criteria,
            None if test.date is None else test.date.isoformat(),
            test.report_units,
            IntendedResult(test.intended.speed, test.intended.angle, test.intended.offset),
            test.photographs,
            test.slow_motion,
        ),
        software=Software(__version__, inputs),
        cameras={
            name: camera_result(record, sight, times[name], solution)
            for name, sight in sights.items()
        },
        vehicles=vehicles,
        crush=crush_values(crush),
        mechanics=both[0] if both else None,
        budgets=(
            *budgets(
                solution,
                record.vehicles,
                moves,
                vehicles,
                crush_values(crush),
                _distances(record),
            ),
            *fused_shares,
        ),
        cross_check={n: t.cross_check for n, t in told.items() if t.cross_check is not None},
        accelerometers=tuple(block for t in told.values() for block in t.blocks),
        speed_check=speed_check(record, vehicles),
        warnings=tuple(warnings),
        motion={name: move.motion for name, move in moves.items()},
        points={
            name: point_paths(solution, draws, name, record.vehicles[name], times[fastest])
            for name in moves
        },
        tracks={name: sight.followed.tracks for name, sight in sights.items()},
        times=times,
        force_crush=both[1] if both else None,
        curves=(*(c for t in told.values() for c in t.curves), *shaking(sights, times)),
        views={name: view(record, sight, solution) for name, sight in sights.items()},
        log=log.entries,
    )
    return replace(results, criteria=judge(record, results), not_judged=not_judged(record))


def _instruments(
    record: Record,
    vehicle: str,
    blocks: list[Accelerometer],
    film: VehicleMotion | None,
) -> Instrumented:
    table = record.vehicles[vehicle]
    own = [block for block in blocks if block.vehicle == vehicle]
    return instrumented(vehicle, own, np.array(table.cg), _distances(record)[vehicle], film)


def _distances(record: Record) -> dict[str, tuple[float, float]]:
    test = record.test
    return {n: flail_distances(v, test.criteria, record.folder) for n, v in record.vehicles.items()}


def _fused(
    record: Record,
    solution: Solution,
    blocks: list[Accelerometer],
    told: Mapping[str, Instrumented],
    log: Log,
) -> tuple[dict[str, OccupantResult], tuple[Budget, ...]]:
    """Occupant risk from film and accelerometers together, and its budgets, of vehicles whose
    channels joined.
    """
    both = fuse(solution, blocks, {name: t.checks for name, t in told.items() if t.checks})
    if both is None:
        return {}, ()
    distances, draws, out = _distances(record), both.draws(DRAWS, SEED), {}
    for vehicle in sorted({channel.rpartition(" ")[0] for channel in both.channels}):
        channels = [c.rpartition(" ")[2] for c in both.channels if c.startswith(f"{vehicle} ")]
        log.note("decision", f"{', '.join(channels)} joined the film", f"vehicles.{vehicle}")
        figures = film_occupant(both, draws, vehicle, distances[vehicle])
        if figures is not None:
            out[vehicle] = figures
    return out, fused_budgets(both, out, distances)
