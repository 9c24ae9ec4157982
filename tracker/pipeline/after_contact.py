"""From the motions to what happened after contact: exit, final place, the article's figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np

from calibration.arrays import Array
from tracker.core.rigid_body import point_motion
from tracker.core.types import FreePath, Quantity
from tracker.motion import CameraEvidence, Draws, FreeMark, Solution, free_paths
from tracker.outcome.contact import ContactEnd
from tracker.outcome.deflection import (
    Deflection,
    article_figures,
    is_detached,
    vehicle_intrusion,
)
from tracker.outcome.exit import at_times, find_exit, typed_end
from tracker.outcome.exit_box import HEAVY, BoxCrossing, ExitBox, box_crossing, exit_box
from tracker.outcome.headline import PosteriorSamples, is_at_rest
from tracker.outcome.photograph import photographed_place
from tracker.outcome.rest import StatedPlace, final_place
from tracker.outcome.traffic_face import TrafficFace
from tracker.pipeline.article_geometry import (
    LeverArms,
    outline_corners,
    placed_points,
    striking_vehicle,
    traffic_face,
)
from tracker.pipeline.motions import SolvedMotions
from tracker.pipeline.options import EVALUATION
from tracker.record.after_contact import Article
from tracker.record.load import Record
from tracker.record.schema import Vehicle
from tracker.results.after_contact import (
    ArticleFigure,
    ArticleMarkResult,
    ArticlePath,
    ArticleResult,
    ExitBoxResult,
    ExitResult,
    FinalResult,
    VehicleOutline,
)

ALONG_PATH = TrafficFace(float(np.pi / 2), 0.0, -1.0)
"""A pole is struck head-on: what its marks move is measured along ground x."""


@dataclass(frozen=True)
class AfterContact:
    """What the results hold of the time after contact."""

    exits: Mapping[str, ExitResult]
    finals: Mapping[str, FinalResult]
    outlines: Mapping[str, VehicleOutline]
    article: ArticleResult | None
    paths: Mapping[str, ArticlePath]


def after_contact(
    record: Record,
    solution: Solution,
    cameras: Mapping[str, CameraEvidence],
    motions: SolvedMotions,
    ends: Mapping[str, ContactEnd | None],
) -> AfterContact:
    """Exit and final place of every vehicle that the films show, and the article's figures.

    `ends` holds the end of each vehicle's contact, those that the record types included.
    """
    moves = {
        name: motion.samples for name, motion in motions.of.items() if len(motion.samples.time)
    }
    face = traffic_face(record, moves)
    exits, finals = {}, {}
    for name, motion in moves.items():
        table, end = record.vehicles[name], ends.get(name)
        lever_arms = partial(motions.draws.lever_arms, name)
        if end is not None and table.role == "striking":
            found = _exit(
                table, motion, end, face, record.article, is_typed(record, name), lever_arms
            )
            if found is not None:
                exits[name] = found
        final = _final(record, solution, table, motion, face, lever_arms)
        if final is not None:
            finals[name] = final
    paths = _paths(record, solution, cameras, motions)
    return AfterContact(
        exits,
        finals,
        {n: o for n in moves if (o := _outline(record.vehicles[n])) is not None},
        _article(record, face, paths, moves, motions.draws),
        {n: ArticlePath(p.time, p.position, p.u, p.start) for n, p in paths.items()},
    )


def typed_ends(
    record: Record, motions: SolvedMotions, found: Mapping[str, ContactEnd | None]
) -> dict[str, ContactEnd | None]:
    """The ends of contact, those that events of the record set in place of those found."""
    ends = dict(found)
    for event in record.test.events:
        vehicle = event.vehicle or striking_vehicle(record)
        if event.sets == "exit" and vehicle is not None and vehicle in motions.of:
            ends[vehicle] = typed_end(event.time, event.u, len(motions.draws), EVALUATION.seed)
    return ends


def is_typed(record: Record, vehicle: str) -> bool:
    """Whether an event of the record sets this vehicle's loss of contact."""
    return any(
        e.sets == "exit" and (e.vehicle or striking_vehicle(record)) == vehicle
        for e in record.test.events
    )


def _outline(table: Vehicle) -> VehicleOutline | None:
    outline = table.outline
    if outline is None:
        return None
    return VehicleOutline(outline.front, outline.length, outline.width, table.cg)


def _exit(
    table: Vehicle,
    motion: PosteriorSamples,
    end: ContactEnd,
    face: TrafficFace | None,
    article: Article | None,
    typed: bool,
    lever_arms: LeverArms,
) -> ExitResult | None:
    found = find_exit(motion, end, 0.0 if face is None else face.heading)
    if found is None:
        return None
    box = None
    if face is not None and article is not None and article.traffic_face is not None:
        box = _box(table, motion, end, face, lever_arms)
    return ExitResult(
        found.time.value,
        found.time.u,
        "typed" if typed else "found",
        found.speed,
        found.trajectory_angle,
        found.heading_angle,
        found.yaw_rate,
        box,
    )


def _box(
    table: Vehicle,
    motion: PosteriorSamples,
    end: ContactEnd,
    face: TrafficFace,
    lever_arms: LeverArms,
) -> ExitBoxResult | None:
    """The exit box from the loss of contact, at the corner that touched the article last."""
    if table.outline is None:
        return None
    cg, outline = np.array(table.cg), table.outline
    wheels = {name: table.points[name] for name in table.wheels if name in table.points}
    corners = {n: at for n, at in outline_corners(table).items() if not n.endswith("top")}
    places = placed_points(motion, cg, wheels or corners, lever_arms)
    moment = np.array([end.end])
    last = at_times(motion.time, motion.state[None], moment)
    lasts = at_times(motion.time, motion.draws, end.draws)
    ats = [np.array(at) for at in corners.values()]
    at_last = np.array([point_motion(last, at - cg)[0][0] for at in ats])
    touching = ats[int(np.argmax(face.behind(at_last)))]
    start = float(face.along(point_motion(last, touching - cg)[0])[0])
    if not np.isfinite(start):
        return None
    starts = face.along(point_motion(lasts, lever_arms(touching))[0])
    kind = table.kind or ("truck" if (table.mass or 0.0) > HEAVY else "car")
    box = exit_box(kind, outline.width, outline.length, start)
    after = motion.time >= end.end
    seen = np.stack([mean[after, :2] for mean, _ in places.values()], axis=1)
    samples = np.stack([draws[:, after, :2] for _, draws in places.values()], axis=2)
    known = np.isfinite(seen).all(axis=(1, 2))
    stands = table.rest is not None or is_at_rest(motion)
    crossing = box_crossing(
        box,
        face,
        seen[known],
        samples[:, known],
        starts,
        rest=stands and table.rest is None,
        exact=bool(wheels),
    )
    return _box_result(box, face, crossing)


def _box_result(box: ExitBox, face: TrafficFace, crossing: BoxCrossing) -> ExitBoxResult:
    corners = tuple((float(x), float(y)) for x, y in box.corners(face))
    return ExitBoxResult(
        crossing.crossed, crossing.at, crossing.why, box.depth, box.length, corners
    )


def _place_on_photograph(
    record: Record, solution: Solution, table: Vehicle, motion: PosteriorSamples
) -> StatedPlace | None:
    """The place at rest from picks in a later photograph by one of the test's cameras."""
    rest = table.rest
    places = {n: m.at for n, m in table.markers.items() if m.at is not None}
    known = motion.state[np.isfinite(motion.state[:, 2:5]).all(axis=1), 2:5]
    if rest is None or rest.camera not in solution.cameras or not len(known):
        return None
    picks = {n: pixel for n, pixel in rest.picks.items() if n in places}
    if len(picks) < 2:
        return None
    lever_arms = np.array([places[n] for n in picks]) - np.array(table.cg)
    pixels = np.array(list(picks.values()), dtype=np.float64)
    marker_u = record.survey.marker_u
    camera = solution.cameras[rest.camera]
    return photographed_place(camera, lever_arms, pixels, rest.pick_u, marker_u, known[0])


def _final(
    record: Record,
    solution: Solution,
    table: Vehicle,
    motion: PosteriorSamples,
    face: TrafficFace | None,
    lever_arms: LeverArms,
) -> FinalResult | None:
    rest, stated = table.rest, None
    if rest is not None and rest.at is None:
        stated = _place_on_photograph(record, solution, table, motion)
    elif rest is not None and rest.at is not None:
        heading = np.nan if rest.heading is None else rest.heading
        stated = StatedPlace(
            (rest.at[0], rest.u), (rest.at[1], rest.u), (heading, rest.heading_u), "tape"
        )
    found = final_place(motion, stated, face, _impact(table, motion, face, lever_arms))
    if found is None or (found.x is None and found.y is None):
        return None
    return FinalResult(
        found.x,
        found.y,
        found.heading,
        found.at_rest,
        found.source,
        found.downstream,
        found.lateral,
    )


def _impact(
    table: Vehicle, motion: PosteriorSamples, face: TrafficFace | None, lever_arms: LeverArms
) -> tuple[Array, Array] | None:
    """The ground place of the outline's corner that is farthest into the face at time zero."""
    corners = [np.array(at) for n, at in outline_corners(table).items() if "top" not in n]
    if face is None or not corners or not motion.time[0] <= 0 <= motion.time[-1]:
        return None
    zero = at_times(motion.time, motion.state[None], np.zeros(1))
    if not np.isfinite(zero[:, :6]).all():
        return None
    zeros = at_times(motion.time, motion.draws, np.zeros(len(motion.draws)))
    places = [point_motion(zero, at - table.cg)[0][0] for at in corners]
    k = int(np.argmax(face.behind(np.array(places))))
    return places[k][:2], point_motion(zeros, lever_arms(corners[k]))[0][:, :2]


def _paths(
    record: Record,
    solution: Solution,
    cameras: Mapping[str, CameraEvidence],
    motions: SolvedMotions,
) -> dict[str, FreePath]:
    article = record.article
    if article is None or not article.markers or not len(motions.draws):
        return {}
    ground_u = record.survey.ground_u
    marks = {
        name: FreeMark(m.at, ground_u if m.u is None else m.u, m.rise_u)
        for name, m in article.markers.items()
    }
    return free_paths(solution, cameras, marks, motions.draws, motions.given_at)


def _article(
    record: Record,
    face: TrafficFace | None,
    paths: Mapping[str, FreePath],
    moves: Mapping[str, PosteriorSamples],
    draws: Draws,
) -> ArticleResult | None:
    article = record.article
    if article is None:
        return None
    pole = article.kind == "pole"
    face = ALONG_PATH if pole else face
    if face is None:
        return None
    known_face = article.traffic_face is not None
    width = None if pole else article.width
    detached = [name for name, m in article.markers.items() if m.detached_at is not None]
    figures = article_figures(paths, face, width, known_face, detached)
    intrusion = None
    vehicle = striking_vehicle(record)
    if known_face and vehicle is not None and vehicle in moves:
        table, motion = record.vehicles[vehicle], moves[vehicle]
        points = {**outline_corners(table), **table.points}
        if points and np.isfinite(motion.state[:, :2]).any():
            lever_arms = partial(draws.lever_arms, vehicle)
            placed = placed_points(motion, np.array(table.cg), points, lever_arms)
            intrusion = vehicle_intrusion(motion.time, placed, face)
    return ArticleResult(
        _figure(figures.dynamic),
        _figure(figures.permanent),
        _figure(figures.working_width),
        _figure(intrusion),
        {
            name: ArticleMarkResult(
                dynamic,
                permanent,
                paths[name].lost_at,
                name in detached or is_detached(paths[name]),
                article.markers[name].detached_at,
            )
            for name, (dynamic, permanent) in figures.marks.items()
        },
        face.heading,
        face.offset if known_face else None,
        face.side,
        article.width,
        article.kind,
    )


def _figure(found: Deflection | None) -> ArticleFigure | None:
    if found is None:
        return None
    value: Quantity = found.value
    return ArticleFigure(value.value, value.unit, value.u, found.mark, value.time, value.at_end)
