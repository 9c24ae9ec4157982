"""The next test from one test's force-crush curve: occupant risk and stroke for other masses.

A two-mass model (`tracker.mechanics.two_mass_model`) is driven into every cushion that the film's
draws allow, along ground x, head-on and level. The force depends on the closing, and on the closing
speed as `Case.rate` says: by default as is usual, with an uncertainty (`rate_dependence`). Which
car's front it meets does not count; `Case.scatter` stands for that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from calibration.constants import GRAVITY
from calibration.errors import RECORD, ResultsError
from tracker.core.types import Quantity
from tracker.criteria import Criteria, Measured, PlannedImpact, evaluate
from tracker.mechanics.balance import Stated
from tracker.mechanics.options import MECHANICS, PREDICTION
from tracker.mechanics.rate_dependence import ASSUMED_RATE, closing_speeds, learnt_rate
from tracker.mechanics.two_mass_model import CushionForce, TwoMassMotion, drive
from tracker.mechanics.vehicle_pair import quantity
from tracker.outcome.occupant_risk import flail, occupant_risk
from tracker.results.balances import ForceCrush, Mechanics
from tracker.results.schema import Results
from tracker.results.verdicts import Criterion

JUDGED = frozenset({"oiv_x", "ridedown_x", "mean50_x", "thiv", "phd", "velocity_change"})
"""What a head-on prediction along x can be judged by. ASI needs all three axes."""
NOT_KNOWN = "its figures can't be predicted: the cushion may be used up"


@dataclass(frozen=True)
class Case:
    """The test to predict."""

    mass: float  # kg, of the striking vehicle
    speed: float  # m/s
    struck_mass: float | None = None  # kg; None: as in the test
    blocked: bool = False  # the struck vehicle can't move
    mass_u: float = 0.0  # kg
    speed_u: float = 0.0  # m/s
    scatter: float = PREDICTION.scatter
    rate: Quantity = ASSUMED_RATE  # s/m, dependence of the force on the closing speed


@dataclass(frozen=True)
class Prediction:
    """What to expect; None: this test does not show it."""

    case: Case
    struck_mass: float | None  # kg; None: blocked
    figures: dict[str, Quantity | None]  # names as in `tracker.results.OccupantResult`, and:
    # closing m, closing_of_test 1, stroke_used 1, velocity_change m/s, roll_ahead m
    criteria: tuple[Criterion, ...]
    notes: tuple[str, ...]


def predict(results: Results, case: Case, criteria: Criteria) -> Prediction:
    """Occupant risk and stroke of another test into the same cushion.

    Parameters
    ----------
    results : of the test that shows the cushion; read with `tracker.results_files.read_results`.
    case : what to predict.
    criteria : the limits to judge by; their flail distances count.

    Raises
    ------
    Problem : the results hold no force-crush curve.
    """
    known, curve = known_mechanics(results)
    struck = _struck_mass(results, known, case)
    rng = np.random.default_rng(PREDICTION.seed)
    cushion = _cushion(known, curve, _masses(results, known), case, rng)
    rows = len(cushion.force)
    friction = _draw_samples(known.friction.value, known.friction.u, rows, rng)
    motion = drive(
        cushion,
        _draw_samples(case.mass, case.mass_u, rows, rng),
        _draw_samples(case.speed, case.speed_u, rows, rng),
        None if struck is None else np.full(rows, struck),
        friction,
        _draw_samples(MECHANICS.rolling, MECHANICS.rolling_u, rows, rng),
    )
    figures, notes = _figures(motion, known, friction, struck is not None, criteria.flail)
    if known.stopping is not None and _is_own_test(results, known, case):
        figures["roll_ahead"] = known.stopping
        notes.append("roll-ahead is the test's own, as its report states it")
    notes.append(_of_speed(case.rate))
    if known.friction_source == "assumed" and struck is not None:
        notes.append(
            f"the test's film does not show the struck vehicle's tyre friction:"
            f" {known.friction.value:g} was assumed (u {known.friction.u:.2g})"
        )
    return Prediction(case, struck, figures, _judge_limits(criteria, figures), tuple(notes))


def known_mechanics(results: Results) -> tuple[Mechanics, ForceCrush]:
    """The test's mechanics and force-crush curve. Raises Problem where it shows none."""
    known, curve = results.mechanics, results.force_crush
    if known is None or curve is None:
        raise ResultsError(
            "these results hold no force against crush",
            where=f"test {results.test.number}",
            remedy="it takes films that show a striking and a struck vehicle along ground x, and "
            "the masses of both in the record",
            status=RECORD,
        )
    return known, curve


def _is_own_test(results: Results, known: Mechanics, case: Case) -> bool:
    """Whether a case asks for the very test that shows the cushion."""
    mass, struck = _masses(results, known)
    speed = (
        abs(case.speed - known.closing_speed.value) <= PREDICTION.same_speed * known.closing_speed.u
    )
    same = case.mass == mass and case.struck_mass in (None, struck)
    return same and speed and not case.blocked


def _of_speed(rate: Quantity) -> str:
    """The assumption on the force's dependence on speed, as a note."""
    if rate == ASSUMED_RATE:
        most = 100 * PREDICTION.greatest_rate
        return (
            f"one test does not show how the force depends on the closing speed: from 0 to "
            f"{most:.1f} % for each m/s is assumed, {most / 2:.1f} % in the values and the rest in "
            "the uncertainties"
        )
    return (
        f"the force grows by {100 * rate.value:.2f} % (u {100 * rate.u:.2f} %) for each m/s of "
        "closing speed, as two tests show"
    )


def _struck_mass(results: Results, known: Mechanics, case: Case) -> float | None:
    if case.blocked:
        return None
    return case.struck_mass or results.vehicles[known.struck].mass


def rate_of(results: Results, second: Results, scatter: float = PREDICTION.scatter) -> Quantity:
    """The dependence of the force on the closing speed, s/m, from two tests of one cushion.

    Raises
    ------
    Problem : one of the results holds no force-crush curve.
    """
    both = []
    for one in (results, second):
        known, curve = known_mechanics(one)
        both.append((curve, closing_speeds(curve, known, _masses(one, known))))
    return learnt_rate(both[0], both[1], scatter)


def _masses(results: Results, known: Mechanics) -> tuple[float, float]:
    """Of the striking and the struck vehicle of the test, kg; those of a curve are known."""
    striking, struck = (results.vehicles[n].mass for n in (known.striking, known.struck))
    return striking or np.inf, struck or np.inf


def _cushion(
    known: Mechanics,
    curve: ForceCrush,
    masses: tuple[float, float],
    case: Case,
    rng: np.random.Generator,
) -> CushionForce:
    """The estimate (row 0) and every draw of it, each let go over the way that its rebound took.

    A force F that falls linearly to nothing over a way d gives back F d / 2.
    """
    force = np.concatenate((curve.force[None], curve.draws))
    force[1:] *= 1.0 + case.scatter * rng.standard_normal((len(curve.draws), 1))
    force = np.maximum(force, 0.0)
    returned = np.maximum(
        _draw_samples(known.returned.value, known.returned.u, len(force), rng), 0.0
    )
    unloading = 2.0 * returned / np.maximum(force[:, -1], 1.0)
    rate = case.rate.value + case.rate.u * np.r_[0.0, rng.standard_normal(len(curve.draws))]
    return CushionForce(
        curve.closing,
        force,
        np.maximum(unloading, PREDICTION.least_unloading),
        closing_speeds(curve, known, masses),
        rate,
    )


def _figures(
    motion: TwoMassMotion,
    known: Mechanics,
    friction: Array,
    moves: bool,
    distances: tuple[float, float],
) -> tuple[dict[str, Quantity | None], list[str]]:
    time, braking = motion.time, motion.acceleration
    still = np.zeros_like(braking)
    risk = occupant_risk(time, braking, still, still, distances)
    _, _, struck_at, _ = flail(time, braking, still, distances)
    inside = motion.unknown_from == np.inf
    in_time = inside | (struck_at <= motion.unknown_from)
    greatest = motion.closing.max(axis=1)
    test = known.greatest_closing.value
    rows: dict[str, tuple[Array, str, Array]] = {
        "oiv_x": (risk.oiv_x, "m/s", in_time),
        "oiv_time": (risk.oiv_time, "s", in_time),
        "ridedown_x": (risk.ridedown_x, "g", inside),
        "mean50_x": (risk.mean50_x, "g", inside),
        "thiv": (risk.thiv, "m/s", in_time),
        "phd": (risk.phd, "g", inside),
        "velocity_change": (motion.speed[:, -1] - motion.speed[:, 0], "m/s", inside),
        "closing": (greatest, "m", inside),
        "closing_of_test": (greatest / test, "1", inside),
    }
    if known.cushion_length is not None:
        stated = Stated(
            known.cushion_length,
            known.front_crush,
            known.cushion_length_u or 0.0,
            known.front_crush_u,
        )
        rows["stroke_used"] = (stated.used_share(greatest), "1", inside)
    if moves:
        gone = np.sum(motion.struck_speed, axis=1) * (time[1] - time[0])
        rolls = gone + motion.struck_speed[:, -1] ** 2 / (2.0 * GRAVITY * friction)
        rows["roll_ahead"] = (rolls, "m", inside)
    figures = {
        name: _determined_value(values, unit, good) for name, (values, unit, good) in rows.items()
    }
    notes = []
    if figures["closing"] is None:
        notes.append(
            f"the vehicles would close by more than the {(1 + PREDICTION.beyond) * test:.2f} m "
            f"that the test shows; {NOT_KNOWN}"
        )
    if figures["oiv_x"] is not None and not risk.reached[0]:
        notes.append("the occupant does not reach the interior: the velocity change is given")
    return figures, notes


def _determined_value(values: Array, unit: str, good: Array) -> Quantity | None:
    """Row 0 with the spread of the rows that are finite; None where it or too many aren't."""
    fine = good & np.isfinite(values)
    if not fine[0] or np.mean(~fine) > PREDICTION.unknown:
        return None
    return quantity(values[fine], unit)


def _judge_limits(criteria: Criteria, figures: dict[str, Quantity | None]) -> tuple[Criterion, ...]:
    """The limits of the set on what is predicted, for a head-on test."""
    limits = tuple(limit for limit in criteria.limits if JUDGED.issuperset(limit.quantity))
    alone = replace(criteria, limits=limits, tolerances=(), masses=(), severity=None)
    return evaluate(alone, Measured(figures), PlannedImpact(angle=0.0))


def _draw_samples(mean: float, u: float, rows: int, rng: np.random.Generator) -> Array:
    """The mean, then normal draws about it; never negative."""
    return np.maximum(np.concatenate(([mean], mean + u * rng.standard_normal(rows - 1))), 1e-9)
