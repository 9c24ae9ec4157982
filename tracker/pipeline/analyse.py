"""The main job: from a test record to its results, one road for command line and workbench."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from tracker.accelerometers import Accelerometer, read_accelerometers
from tracker.camera.stage import CalibratedFilm, calibrate_camera
from tracker.core.types import Progress, silent
from tracker.crosscheck.film_clock import FilmClock
from tracker.motion import CameraEvidence, Solution, VehicleGeometry, empty_solution, solve
from tracker.pipeline.accelerometer_zero import with_accelerometer_zero
from tracker.pipeline.assemble_results import Analysis, assemble_results, film_headline
from tracker.pipeline.camera_result import evidence
from tracker.pipeline.clock_witnesses import film_clock
from tracker.pipeline.film_evidence import (
    CalibrationStep,
    calibrate_films,
    contact_time,
    note_calibrations,
    vehicle_geometry,
)
from tracker.pipeline.fusion import join_accelerometers
from tracker.pipeline.instruments import Instrumented, assess_sensor_blocks
from tracker.pipeline.joints import with_joints
from tracker.pipeline.motions import SolvedMotions, sample_motions
from tracker.pipeline.options import EVALUATION
from tracker.pipeline.stage_options import stage_options
from tracker.pipeline.vehicle_result import flail_distances
from tracker.pipeline.wheels import wheels
from tracker.record.input_digests import digests
from tracker.record.load import Record
from tracker.record.manual_edits import actions, note_edits, spans
from tracker.results.headline import Headline
from tracker.results.schema import Results
from tracker.storage.audit_log import Log


class SolutionStep(Protocol):
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
    calibrate: CalibrationStep = calibrate_camera,
    solve_motions: SolutionStep = solve,
    show_headline: Callable[[Headline], None] | None = None,
) -> Results:
    """Track the films of a test, solve its motions, and judge them.

    `calibrate` may remember what a camera saw, and `solve_motions` what was solved from it, as long
    as they give what `calibrate_camera` and `solve` would. `show_headline` gets the numbers
    that the films alone give as soon as the motions are solved, with u from fewer draws.

    Where no film can be used, the accelerometers are judged alone and a warning says why. Raises
    Problem where a film or a calibration can't carry the analysis and another film, or the lack of
    accelerometers, makes that a fault to mend.
    """
    report_progress = progress or silent
    log, inputs = Log(actions(record.folder)), digests(record)
    _note_inputs(log, record, inputs)
    blocks = read_accelerometers(record.accelerometers, record.folder)
    films = calibrate_films(record, calibrate, report_progress, bool(blocks))
    note_calibrations(log, films.by_camera)
    solution = _solve(record, films.by_camera, blocks, solve_motions, report_progress)
    distances = {
        n: flail_distances(v, record.test.criteria, record.folder)
        for n, v in record.vehicles.items()
    }
    if show_headline is not None and solution.vehicles:
        show_headline(film_headline(record, films.by_camera, solution, distances))
    motions = sample_motions(films.by_camera, solution, EVALUATION.draws, EVALUATION.seed)
    motions, articulations = with_joints(record, motions)
    turning = wheels(record, films.by_camera, solution, motions)
    clocks = {v: film_clock(films.by_camera, solution, v) for v in motions.of}
    instruments = _instruments(record, blocks, motions, distances, clocks)
    checks = {name: i.checks for name, i in instruments.items() if i.checks}
    joint = join_accelerometers(solution, blocks, checks)
    _note_joined(log, joint)
    _note_rejected(log, solution)
    return assemble_results(
        Analysis(
            record=record,
            inputs=inputs,
            films=films,
            solution=solution,
            motions=motions,
            articulations=articulations,
            wheels=turning,
            instruments=instruments,
            joint=joint,
            distances=distances,
            log=log.entries,
        )
    )


def _solve(
    record: Record,
    films: Mapping[str, CalibratedFilm],
    blocks: Sequence[Accelerometer],
    solve_motions: SolutionStep,
    report_progress: Progress,
) -> Solution:
    """The motions from all films, time zero with what the accelerometers show of it; none where no
    film shows a marker but accelerometers do read.
    """
    cameras = {name: evidence(film) for name, film in films.items()}
    if blocks and not any(e.measured_mask.any() for e in cameras.values()):
        return empty_solution()
    vehicles = {
        name: vehicle_geometry(record, name, films)
        for name, table in record.vehicles.items()
        if table.wheel is None
    }
    contact = contact_time(films)
    solution = solve_motions(cameras, vehicles, contact=contact, progress=report_progress)
    return with_accelerometer_zero(solution, cameras, vehicles, blocks, report_progress)


def _instruments(
    record: Record,
    blocks: Sequence[Accelerometer],
    motions: SolvedMotions,
    distances: Mapping[str, tuple[float, float]],
    clocks: Mapping[str, FilmClock],
) -> dict[str, Instrumented]:
    """Each vehicle's accelerometers, alone and beside the film."""
    return {
        name: assess_sensor_blocks(
            name,
            [block for block in blocks if block.vehicle == name],
            table.cg,
            distances[name],
            motions.of.get(name),
            clocks.get(name),
        )
        for name, table in record.vehicles.items()
    }


def _note_inputs(log: Log, record: Record, inputs: Mapping[str, str]) -> None:
    place = {record.path.name: {"path": str(record.path.resolve())}}
    for name, digest in inputs.items():
        log.note("input", name, sha256=digest, **place.get(name, {}))
    count, seed = EVALUATION.draws, EVALUATION.seed
    log.note("setting", "draws from the posterior", count=count, seed=seed)
    log.note("setting", "options of the stages", options=stage_options())
    note_edits(log, record)


def _note_joined(log: Log, joint: Solution | None) -> None:
    """One entry a vehicle: its channels that joined the film."""
    joined = list(joint.channels) if joint is not None else []
    for vehicle in sorted({channel.vehicle for channel in joined}):
        channels = ", ".join(channel.name for channel in joined if channel.vehicle == vehicle)
        log.note("decision", f"{channels} joined the film", f"vehicles.{vehicle}")


def _note_rejected(log: Log, solution: Solution) -> None:
    """One entry a mark: left out altogether, or in which frames."""
    for camera, mark in dict.fromkeys((r.camera, r.mark) for r in solution.rejected):
        own = [r.frame for r in solution.rejected if (r.camera, r.mark) == (camera, mark)]
        frames = sorted(frame for frame in own if frame is not None)
        what = "in every frame" if None in own else f"in {spans(frames)}"
        log.note("decision", f"{mark} left out {what}", f"cameras.{camera}")
