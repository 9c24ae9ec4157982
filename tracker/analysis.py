"""The main job: from a test record to its results, one road for command line and workbench."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from calibration.camera import Array
from tracker import __version__
from tracker.body import CameraEvidence, Solution, VehicleGeometry, nothing_seen, solve
from tracker.budgets import budgets, fused_budgets
from tracker.criteria import judge
from tracker.fused import fuse
from tracker.inputs import digests
from tracker.judged import (
    DRAWS,
    SEED,
    Instrumented,
    Moved,
    crush_result,
    crush_values,
    film_occupant,
    flail_distances,
    instrumented,
    mechanics_result,
    moved,
    point_paths,
    vehicle_result,
)
from tracker.log import Log
from tracker.record import Record
from tracker.results import (
    Budget,
    CameraResult,
    Conditions,
    Curve,
    FrameNumber,
    Intended,
    MarkCounts,
    MarkFit,
    Occupant,
    OccupantResult,
    Results,
    Software,
    SpeedCheck,
    VehicleResult,
    View,
)
from tracker.sight import Sight, see
from tracker.signals import Accelerometer, read_accelerometer
from tracker.values import Progress, Quantity, Status, Warning_

STANDING_U = 0.05
"""m; how well a vehicle's origin is known to stand on the ground, on film without a survey."""


Look = Callable[[Record, str, Progress], Sight]
"""How a camera's film is followed: the record, the camera's name, who is told of progress."""


def analyse(record: Record, progress: Progress | None = None, look: Look = see) -> Results:
    """Follow the films of a test, solve its motions, and judge them.

    `look` may remember what a camera saw, as long as it gives what `see` would.

    Raises Problem where a film or a calibration can't carry the analysis.
    """
    tell = progress or (lambda stage, done, total: None)
    log = Log()
    inputs = digests(record)
    place = {record.path.name: {"path": str(record.path.resolve())}}
    for name, digest in inputs.items():
        log.note("input", name, sha256=digest, **place.get(name, {}))
    log.note("setting", "draws from the posterior", count=DRAWS, seed=SEED)
    blocks = [read_accelerometer(a, record.folder) for a in record.accelerometers]
    sights = {name: look(record, name, tell) for name in record.cameras}
    for name, sight in sights.items():
        _note_decisions(log, name, sight)
    seen = {name: evidence(sight) for name, sight in sights.items()}
    if blocks and not any(e.measured.any() for e in seen.values()):
        solution = nothing_seen()
    else:
        solution = solve(
            seen,
            {name: _geometry(record, name, sights) for name in record.vehicles},
            contact=_contact(sights),
            progress=tell,
        )
    return _results(record, inputs, sights, solution, blocks, log)


def evidence(sight: Sight) -> CameraEvidence:
    """What the estimator is told of a camera: its vehicle marks, pose, clock and steadiness."""
    tracks = sight.followed.tracks
    which = [i for i, mark in enumerate(tracks.marks) if not mark.startswith("survey.")]
    clock = sight.time
    return CameraEvidence(
        camera=sight.pose.camera,
        seconds=clock.seconds,
        zero_u=clock.zero_frame_u / clock.rate if np.isfinite(clock.zero_frame) else np.inf,
        rate_u=clock.rate_u / clock.rate,
        steadiness=sight.steadiness,
        marks=tuple(tracks.marks[i] for i in which),
        position=tracks.position[:, which],
        covariance=tracks.covariance[:, which],
        measured=tracks.measured[:, which],
    )


def _geometry(record: Record, name: str, sights: Mapping[str, Sight]) -> VehicleGeometry:
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


def _line_of_sight(sights: Mapping[str, Sight]) -> int:
    """The ground axis (1 or 2) nearest to the first camera's line of sight."""
    ahead = next(iter(sights.values())).pose.camera.rotation[2]
    return 2 if abs(ahead[2]) > abs(ahead[1]) else 1


def _contact(sights: Mapping[str, Sight]) -> float | None:
    """Time zero on the cameras' clocks where one of them knows it, else None: from the motion."""
    known = [np.isfinite(sight.time.zero_frame) for sight in sights.values()]
    return 0.0 if any(known) else None


def _note_decisions(log: Log, name: str, sight: Sight) -> None:
    where = f"cameras.{name}"
    for point in sight.pose.left_out:
        log.note("decision", f"{point} left out of the pose", where)
    log.note("decision", f"time from {sight.time.source}", where)


def _results(
    record: Record,
    inputs: Mapping[str, str],
    sights: Mapping[str, Sight],
    solution: Solution,
    blocks: list[Accelerometer],
    log: Log,
) -> Results:
    test = record.test
    times = {name: _times(sight, solution) for name, sight in sights.items()}
    fastest = max(sights, key=lambda name: sights[name].time.rate)
    draws = solution.draws(DRAWS, SEED)
    moves = {v: moved(solution, draws, v, times[fastest]) for v in solution.vehicles}
    told = {name: _instruments(record, name, blocks, moves.get(name)) for name in record.vehicles}
    fused, fused_shares = _fused(record, solution, blocks, told, log)
    crush = crush_result(record.vehicles, moves)
    both = mechanics_result(record, solution, draws, crush.contact_ends if crush else None)
    vehicles = {}
    for name, table in record.vehicles.items():
        read = told[name].occupant
        if name not in moves:
            if read is not None:
                only = Occupant(accelerometer=read)
                vehicles[name] = VehicleResult(role=table.role, mass=table.mass, occupant=only)
            continue
        film = film_occupant(solution, draws, name, _distances(record)[name])
        occupant = Occupant(film=film, accelerometer=read, fused=fused.get(name))
        vehicles[name] = vehicle_result(
            table, moves[name], occupant, crush.contact_ends if crush else None
        )
    warnings = [
        *(w for sight in sights.values() for w in sight.warnings),
        *solution.findings,
        *(w for t in told.values() for w in t.warnings),
        *_unseen(record, solution),
    ]
    for rejected in solution.rejected:
        log.note("decision", f"{rejected.mark} left out", f"cameras.{rejected.camera}")
    results = Results(
        test=Conditions(
            test.number,
            test.title,
            test.criteria,
            None if test.date is None else test.date.isoformat(),
            test.report_units,
            Intended(test.intended.speed, test.intended.angle, test.intended.offset),
        ),
        software=Software(__version__, inputs),
        cameras={
            name: _camera(record, sight, times[name], solution) for name, sight in sights.items()
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
        speed_check=_speed_check(record, vehicles),
        warnings=tuple(warnings),
        motion={name: move.motion for name, move in moves.items()},
        points={
            name: point_paths(solution, draws, name, record.vehicles[name], times[fastest])
            for name in moves
        },
        tracks={name: sight.followed.tracks for name, sight in sights.items()},
        times=times,
        force_crush=both[1] if both else None,
        curves=(*(c for t in told.values() for c in t.curves), *_shaking(sights, times)),
        views={name: _view(record, sight, solution) for name, sight in sights.items()},
        log=log.entries,
    )
    return replace(results, criteria=judge(record, results))


def _times(sight: Sight, solution: Solution) -> Array:
    """Time of each frame on the solution's clock, s."""
    zero, _, rate, _ = solution.clocks.get(sight.name, (0.0, 0.0, 0.0, 0.0))
    return np.asarray(sight.time.seconds * (1 + rate) + zero)


def _instruments(
    record: Record,
    vehicle: str,
    blocks: list[Accelerometer],
    film: Moved | None,
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


def _camera(record: Record, sight: Sight, times: Array, solution: Solution) -> CameraResult:
    tracks, clock = sight.followed.tracks, sight.time
    camera = solution.cameras.get(sight.name, sight.pose.camera)
    _, zero_u, _, _ = solution.clocks.get(sight.name, (0.0, 0.0, 0.0, 0.0))
    zero = FrameNumber(
        _frame_at_zero(times),
        float(np.hypot(zero_u, solution.contact[1]) * clock.rate),
    )
    u = np.sqrt(np.diag(camera.covariance)[3:6])
    count = {s: int(np.sum(tracks.status == s)) for s in Status}
    return CameraResult(
        frames=sight.film.frames,
        frame_rate=Quantity(clock.rate, "1/s", clock.rate_u),
        time_zero_frame=zero if np.isfinite(zero.value) else None,
        reprojection_rms_px=solution.reprojection_rms_px.get(sight.name),
        survey_residuals_px=sight.pose.residuals,
        focal_px=float(camera.lens.matrix[0, 0]),
        position=(
            Quantity(float(camera.position[0]), "m", float(u[0])),
            Quantity(float(camera.position[1]), "m", float(u[1])),
            Quantity(float(camera.position[2]), "m", float(u[2])),
        ),
        steadiness_rms_px=sight.steadiness.rms_px,
        marks=MarkCounts(
            count[Status.MEASURED] + count[Status.EDITED],
            count[Status.HIDDEN],
            count[Status.LOST],
        ),
        film=record.cameras[sight.name].film,
        time_base=clock.source,
        lens=_lens_sentence(record, sight),
        mark_fits=_fits(sight, solution),
    )


def _frame_at_zero(times: Array) -> float:
    """The frame number, with fraction, at which time is zero; NaN beyond half a frame outside."""
    step = float(times[-1] - times[0]) / max(len(times) - 1, 1)
    if len(times) < 2 or not times[0] - 0.5 * step <= 0 <= times[-1] + 0.5 * step:
        return float("nan")
    if times[0] > 0 or times[-1] < 0:
        return -float(times[0]) / step
    return float(np.interp(0.0, times, np.arange(len(times))))


def _lens_sentence(record: Record, sight: Sight) -> str:
    pose = sight.pose
    if record.cameras[sight.name].lens is not None:
        return "given by the record"
    solved = ", ".join(pose.solved) or "nothing of it"
    return (
        f"not given; determined by what the camera saw: {solved} "
        f"(focal length to {100 * pose.focal_u:.2g} %)"
    )


def _fits(sight: Sight, solution: Solution) -> dict[str, MarkFit]:
    if sight.name not in solution.residuals:
        return {}
    residuals = solution.residuals[sight.name]
    marks = evidence(sight).marks
    lost = [r.mark for r in solution.rejected if r.camera == sight.name and r.frame is not None]
    fits = {}
    for m, mark in enumerate(marks):
        square = np.sum(residuals[:, m] ** 2, axis=1)
        known = np.isfinite(square)
        if known.any():
            fits[mark] = MarkFit(
                float(np.sqrt(square[known].mean())), int(known.sum()), lost.count(mark)
            )
    return fits


def _view(record: Record, sight: Sight, solution: Solution) -> View:
    entry = record.cameras[sight.name]
    centre = sight.steadiness.centre
    return View(
        film=record.place(entry.film),
        camera=solution.cameras.get(sight.name, sight.pose.camera),
        frame_rate=entry.frame_rate,
        bits=entry.bits,
        steadiness=sight.steadiness.motion,
        centre=(float(centre[0]), float(centre[1])),
    )


def _shaking(sights: Mapping[str, Sight], times: Mapping[str, Array]) -> list[Curve]:
    """The picture's own motion of each camera whose picture moves."""
    return [
        Curve(name, f"steadiness_{axis}", "film", "px", times[name], sight.steadiness.motion[:, i])
        for name, sight in sights.items()
        if sight.steadiness.rms_px > 0
        for i, axis in enumerate("uv")
    ]


def _speed_check(record: Record, vehicles: Mapping[str, VehicleResult]) -> SpeedCheck | None:
    """The striking vehicle's impact speed against the speed trap's; agreement within 2 u."""
    trap = record.test.speed_trap
    striking = [v for n, v in vehicles.items() if record.vehicles[n].role == "striking"]
    if trap is None or len(striking) != 1 or striking[0].impact_speed is None:
        return None
    film = striking[0].impact_speed
    agrees = abs(film.value - trap.speed) <= 2 * np.hypot(film.u, trap.u)
    return SpeedCheck(film, Quantity(trap.speed, "m/s", trap.u), bool(agrees))


def _unseen(record: Record, solution: Solution) -> list[Warning_]:
    return [
        Warning_(
            "vehicle_unseen",
            "no film shows a marker of this vehicle: nothing of its motion could be determined",
            f"vehicles.{name}",
        )
        for name in record.vehicles
        if name not in solution.vehicles
    ]
