"""From a solution to the numbers of each vehicle: headline, occupant risk, cross-check."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.types import STATE, Motion, Quantity
from tracker.criteria.sets import load_criteria
from tracker.mechanics import Stated, force_crush, make_pair, mechanics
from tracker.motion.posterior import Draws, Solution
from tracker.outcome import headline
from tracker.outcome.contact import ContactEnd
from tracker.outcome.headline import COLUMN, PosteriorSamples
from tracker.outcome.occupant_risk import OccupantRisk, film_acceleration, occupant_risk, summary
from tracker.outcome.options import OUTCOME
from tracker.pipeline.options import EVALUATION
from tracker.pipeline.short_means import contact_resolution, smoothed_at_least
from tracker.record.schema import Tables, Vehicle
from tracker.results.balances import ForceCrush, Mechanics
from tracker.results.schema import (
    CrushResult,
    Occupant,
    OccupantResult,
    PointPath,
    SpeedCheck,
    Stopping,
    VehicleResult,
)


@dataclass(frozen=True)
class VehicleMotion:
    """A vehicle's motion: as draws for headline numbers and at the film's times as columns."""

    samples: PosteriorSamples
    known: Motion  # at the times of `samples`
    motion: Motion


def sample_motion(solution: Solution, draws: Draws, vehicle: str, times: Array) -> VehicleMotion:
    """The motion of a vehicle at `times` (n,); what no camera determines is NaN in its
    `samples`, which have each time once (frames that repeat the one before have its time), at most
    `EVALUATION.times_per_interval` between two knots, and time zero.
    """
    first, last = solution.span(vehicle)
    frames = np.unique(times)
    inside = np.flatnonzero((frames >= first - 1e-9) & (frames <= last + 1e-9))
    sampled = _sampled_mask(frames, solution.knots)
    sampled[inside[:1]] = sampled[inside[-1:]] = True
    moments, zero = frames[inside[sampled[inside]]], EVALUATION.zero_frame
    if len(moments) and moments[0] < -zero and moments[-1] > zero:
        moments = np.unique(np.append(moments[np.abs(moments) > zero], 0.0))
    every = np.union1d(times, moments)
    whole = solution.motion(vehicle, every)
    known, motion = (_at(whole, np.searchsorted(every, some)) for some in (moments, times))
    state = np.where(known.observed_mask, known.state, np.nan)
    return VehicleMotion(
        PosteriorSamples(moments, state, draws.states(vehicle, moments)), known, motion
    )


def _sampled_mask(times: Array, knots: Array) -> NDArray[np.bool_]:
    """Which of times (n,) draws are evaluated at: evenly, a limited number between any two knots,
    where a curve has no more to show; a long film's draws then take no more room than a short
    one's.
    """
    between = np.searchsorted(knots, times, side="right")
    place = np.arange(len(times)) - np.searchsorted(between, between)
    every = -(-np.bincount(between) // EVALUATION.times_per_interval)
    return np.asarray(place % every[between] == 0)


def _at(whole: Motion, rows: NDArray[np.intp]) -> Motion:
    return Motion(whole.time[rows], whole.state[rows], whole.u[rows], whole.observed_mask[rows])


def vehicle_result(
    table: Vehicle, of: VehicleMotion, occupant: Occupant, contact: ContactEnd | None
) -> VehicleResult:
    """The headline numbers of one vehicle; its velocity changes until contact ends (`contact` None:
    until the film does). Extremes of a film that ends in contact are the least that they can be.
    """
    samples = of.samples
    if len(samples.time) < 2 or not _is_within(samples.time):
        return VehicleResult(role=table.role, mass=table.mass, occupant=occupant)
    speed = headline.impact_speed(samples)
    standing = speed is not None and speed.value < max(
        OUTCOME.standing_speed, OUTCOME.standing_sigmas * speed.u
    )
    goes_on = contact is not None and not contact.ended

    def extreme(column: str, sign: float, unit: str) -> Quantity | None:
        found = samples.extreme(column, sign, unit)
        return replace(found, at_end=True) if found is not None and goes_on else found

    highest = extreme("z_m", -1, "m")
    change = headline.velocity_changes(samples, contact)
    return VehicleResult(
        role=table.role,
        mass=table.mass,
        impact_speed=None if standing else speed,
        impact_angle=None if standing else headline.impact_angle(samples),
        impact_offset=None if standing else headline.impact_offset(samples),
        max_pitch=extreme("pitch_rad", 1, "rad"),
        min_pitch=extreme("pitch_rad", -1, "rad"),
        max_roll=extreme("roll_rad", 1, "rad"),
        min_roll=extreme("roll_rad", -1, "rad"),
        max_yaw=extreme("yaw_rad", 1, "rad"),
        min_yaw=extreme("yaw_rad", -1, "rad"),
        max_rise=None if highest is None else replace(highest, value=-highest.value),
        travel_x=headline.travel(samples, "x_m"),
        travel_y=headline.travel(samples, "y_m"),
        rest=headline.is_at_rest(samples)
        if np.isfinite(samples.state[-1, COLUMN["vx_mps"]])
        else None,
        end_speed=headline.end_speed(samples),
        velocity_change=change.along,
        velocity_change_resultant=change.resultant,
        principal_direction=change.direction,
        contact_end=None if contact is None else contact.quantity(),
        occupant=occupant,
    )


def _is_within(time: Array) -> bool:
    """Whether time zero lies in the film, give or take half a frame."""
    half = 0.5 * float(time[1] - time[0])
    return bool(time[0] - half <= 0 <= time[-1] + half)


def crush_result(
    vehicles: Mapping[str, Vehicle], motions: Mapping[str, VehicleMotion]
) -> headline.Crush | None:
    """Greatest closing of the striking on the struck vehicle, over the times both are seen."""
    names = _striking_and_struck(vehicles, motions)
    if names is None:
        return None
    a, b = motions[names[0]].samples, motions[names[1]].samples
    both = np.intersect1d(a.time, b.time)
    if not len(both) or both[0] > 0 or both[-1] <= 0:
        return None
    return headline.crush(_only(a, both), _only(b, both))


def _striking_and_struck(
    vehicles: Mapping[str, Vehicle], seen: Collection[str]
) -> tuple[str, str] | None:
    """Names of the one vehicle that strikes and the one that is struck, if both are seen."""
    striking = [n for n, v in vehicles.items() if v.role == "striking" and n in seen]
    struck = [n for n, v in vehicles.items() if v.role == "struck" and n in seen]
    return (striking[0], struck[0]) if len(striking) == len(struck) == 1 else None


def contacts(
    vehicles: Mapping[str, Vehicle],
    motions: Mapping[str, VehicleMotion],
    crush: headline.Crush | None,
    near: Mapping[str, NDArray[np.bool_]] = MappingProxyType({}),
) -> dict[str, ContactEnd | None]:
    """When each vehicle's contact ends: that of the one that strikes counts for the one it strikes,
    whose own tyres may slow it as much as the impact pushes it. `near`: at which times of its
    samples a vehicle is within reach of the article.
    """
    found = {
        name: headline.contact_of(motion.samples, near.get(name))
        for name, motion in motions.items()
    }
    names = _striking_and_struck(vehicles, motions)
    if names is not None and crush is not None and crush.contact is not None:
        found |= dict.fromkeys(names, crush.contact)
    return found


def speed_check(record: Tables, vehicles: Mapping[str, VehicleResult]) -> SpeedCheck | None:
    """The striking vehicle's impact speed against the speed trap's."""
    trap = record.test.speed_trap
    striking = [v for n, v in vehicles.items() if record.vehicles[n].role == "striking"]
    if trap is None or len(striking) != 1 or striking[0].impact_speed is None:
        return None
    film = striking[0].impact_speed
    agrees = abs(film.value - trap.speed) <= EVALUATION.agreement * np.hypot(film.u, trap.u)
    return SpeedCheck(film, Quantity(trap.speed, "m/s", trap.u), bool(agrees))


def stopping(result: VehicleResult, mechanics: Mechanics | None) -> Stopping | None:
    """The way to rest of a vehicle that was struck: as the film shows it, else by its friction."""
    if result.role == "struck" and result.rest and result.travel_x is not None:
        return Stopping(result.travel_x, "film")
    if result.role == "struck" and mechanics is not None and mechanics.stopping is not None:
        return Stopping(mechanics.stopping, "friction")
    return None


def crush_values(crush: headline.Crush | None) -> CrushResult | None:
    """As the results hold it."""
    if crush is None:
        return None
    return CrushResult(crush.max_dynamic, crush.at, "crush" if crush.head_on else "closing")


def flail_distances(table: Vehicle, criteria: str, folder: Path) -> tuple[float, float]:
    """Flail distances of the vehicle, by default those of the criteria set, m.

    `folder` is the record's, where a set of one's own lies. Raises Problem if it can't be read.
    """
    return table.flail or load_criteria(criteria, folder).flail


def mechanics_result(
    record: Tables, solution: Solution, draws: Draws, crush: headline.Crush | None
) -> tuple[Mechanics, ForceCrush] | None:
    """Balances and force against crush; None without the motions along x and masses of both."""
    names = _striking_and_struck(record.vehicles, solution.vehicles)
    if crush is None or names is None:
        return None
    tables = [record.vehicles[name] for name in names]
    if tables[0].mass is None or tables[1].mass is None:
        return None
    last = min(solution.span(name)[1] for name in names)
    step = EVALUATION.occupant_step
    times = np.arange(int(last / step) + 1, dtype=np.float64) * step
    if len(times) < EVALUATION.fewest_times:
        return None
    striking, struck = (sample_motion(solution, draws, name, times).samples for name in names)
    pair = make_pair(
        striking,
        struck,
        (tables[0].mass, tables[1].mass),
        (tables[0].mass_u, tables[1].mass_u),
    )
    curve = None if pair is None else force_crush(pair)
    if pair is None or curve is None:
        return None
    cushion = record.cushion
    stated = Stated()
    if cushion is not None:
        stated = Stated(
            cushion.length, cushion.front_crush, cushion.length_u, cushion.front_crush_u
        )
    contact = crush.contact
    ends = contact.end if contact is not None and contact.ended else np.inf
    return mechanics(pair, curve, names, ends, stated), curve


def film_occupant(
    solution: Solution,
    draws: Draws,
    vehicle: str,
    distances: tuple[float, float],
    contact: ContactEnd | None = None,
) -> OccupantResult | None:
    """Occupant risk from a solution; None where it does not determine the vehicle after contact.

    `contact`: when it ends, where the film of the other vehicle gives that better.
    """
    times = occupant_times(solution, vehicle)
    if len(times) < EVALUATION.fewest_times:
        return None
    motion = solution.motion(vehicle, times)
    # Before contact a vehicle coasts: its acceleration is known beforehand, not from the film.
    later = motion.observed_mask[times > 0]
    if not (motion.observed_mask[:, COLUMN["vx_mps"]].all() and later[:, COLUMN["ax_mps2"]].all()):
        return None
    figures = summary(
        _risk_of_draws(draws, vehicle, times, distances, contact),
        _risk(times, motion.state[None], distances, None if contact is None else _mean(contact)),
    )
    if not motion.observed_mask[:, COLUMN["vy_mps"]].all():
        for name in (
            *("oiv_y", "ridedown_y", "ridedown_y_after", "mean50_y", "velocity_change_y"),
            *("thiv", "phd", "asi", "asi_13hz"),
        ):
            figures[name] = None
    if not motion.observed_mask[:, COLUMN["yaw_rate_radps"]].all():
        figures["thiv"] = figures["phd"] = None
    if not later[:, COLUMN["az_mps2"]].all():
        figures["asi"] = figures["asi_13hz"] = None
    resolution = contact_resolution(solution, vehicle, contact)
    return occupant_result(smoothed_at_least(figures, resolution))


def occupant_times(solution: Solution, vehicle: str) -> Array:
    """Equally spaced times from a little before time zero to the end of what the film shows, s."""
    first, last = solution.span(vehicle)
    if not first < 0 < last:
        return np.empty(0)
    before = int(min(-first, EVALUATION.occupant_lead) / EVALUATION.occupant_step)
    after = int(last / EVALUATION.occupant_step)
    return np.arange(-before, after + 1, dtype=np.float64) * EVALUATION.occupant_step


def portions(draws: Draws, times: Array) -> Iterator[Draws]:
    """The draws, as many at a time as there is room for their states at `times`."""
    return draws.parts(max(1, EVALUATION.states_at_once // (len(times) * len(STATE))))


def occupant_result(figures: Mapping[str, Quantity | None]) -> OccupantResult:
    """The figures that results hold."""
    names = {f.name for f in fields(OccupantResult)}
    return OccupantResult(**{n: q for n, q in figures.items() if n in names})


def point_paths(
    solution: Solution, draws: Draws, vehicle: str, table: Vehicle, times: Array
) -> dict[str, PointPath]:
    """The path of each point of interest, ground axes, with the spread of the draws as u."""
    paths = {}
    for name, place in table.points.items():
        at = np.asarray(place, dtype=float)
        position, velocity = solution.point(vehicle, at, times)
        at_once = max(1, EVALUATION.states_at_once // (len(draws) * len(STATE)))
        spreads = [
            [part.std(axis=0, ddof=1) for part in draws.points(vehicle, at, some)]
            for some in np.split(times, range(at_once, len(times), at_once))
        ]
        place_u, speed_u = (np.concatenate(part) for part in zip(*spreads, strict=True))
        observed = solution.motion(vehicle, times).observed_mask
        paths[name] = PointPath(
            times,
            np.where(observed[:, :3], position, np.nan),
            np.where(observed[:, 6:9], velocity, np.nan),
            place_u,
            speed_u,
        )
    return paths


def _risk(
    times: Array,
    states: Array,
    distances: tuple[float, float],
    contact: tuple[Array, Array] | None,
) -> OccupantRisk:
    ax, ay, az, yaw_rate = film_acceleration(states)
    return occupant_risk(times, ax, ay, yaw_rate, distances, az=az, contact=contact)


def _mean(contact: ContactEnd) -> tuple[Array, Array]:
    return np.array([contact.end]), np.array([float(contact.ended)])


def _risk_of_draws(
    draws: Draws,
    vehicle: str,
    times: Array,
    distances: tuple[float, float],
    contact: ContactEnd | None,
) -> OccupantRisk:
    """The same of every draw, some at a time."""
    parts, first = [], 0
    for some in portions(draws, times):
        rows = slice(first, first + len(some))
        ends = (
            None
            if contact is None
            else (contact.draws[rows], np.full(len(some), float(contact.ended)))
        )
        parts.append(_risk(times, some.states(vehicle, times), distances, ends))
        first += len(some)
    names = [f.name for f in fields(OccupantRisk)]
    return OccupantRisk(**{n: np.concatenate([getattr(p, n) for p in parts]) for n in names})


def _only(samples: PosteriorSamples, times: Array) -> PosteriorSamples:
    on = np.isin(samples.time, times)
    return PosteriorSamples(samples.time[on], samples.state[on], samples.draws[:, on])
