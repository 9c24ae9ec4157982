"""Where the uncertainty of each headline number comes from.

The posterior is drawn again with one source of uncertainty alone (`tracker.motion.SOURCES`) and the
numbers are computed on those draws: their spread is that source's share. Shares of one number add
in squares to its whole variance as far as the number is linear in the unknowns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.arrays import Array
from tracker.core.types import Quantity
from tracker.motion import SOURCES, Draws, Solution
from tracker.outcome import headline
from tracker.outcome.headline import PosteriorSamples
from tracker.outcome.occupant_risk import contact_ends, film_acceleration, flail, ridedown
from tracker.pipeline.options import EVALUATION
from tracker.pipeline.vehicle_result import VehicleMotion, crush_result, occupant_times, portions
from tracker.record.schema import Vehicle
from tracker.results.schema import Budget, CrushResult, OccupantResult, Share, VehicleResult
from tracker.results.verdicts import Measure

Of = Callable[[Draws], Sequence[Quantity | float | None]]
"""The spreads of some numbers, or the numbers with them, on draws."""


@dataclass(frozen=True)
class Numbers:
    """Reported numbers by name, and how to compute their spreads on draws, in this order."""

    reported: Mapping[str, Quantity]
    of: Of
    speeds: Measure = "speed"  # in which unit a report shows its speeds

    def measure(self, unit: str) -> Measure:
        """In which kind of unit a report shows a number of this unit."""
        kinds: dict[str, Measure] = {
            "m/s": self.speeds,
            "rad": "angle",
            "m": "length",
            "g": "acceleration_g",
        }
        return kinds.get(unit, "")


def budgets(
    solution: Solution,
    vehicles: Mapping[str, Vehicle],
    motions: Mapping[str, VehicleMotion],
    reported: Mapping[str, VehicleResult],
    crush: CrushResult | None,
    distances: Mapping[str, tuple[float, float]],
) -> tuple[Budget, ...]:
    """The budget of every headline number that was determined.

    Parameters
    ----------
    vehicles, motions, reported, distances : by vehicle: the record's table, the motion, the numbers
        as reported (whose u stands in the budget), and the flail distances, m.
    crush : as reported.
    """
    numbers: list[Numbers] = []
    for name, result in reported.items():
        if name in motions:
            numbers += _of_vehicle(solution, name, vehicles[name], motions[name], result)
            film, ends = result.occupant.film, result.contact_end
            numbers += _of_occupant(solution, name, film, distances[name], ends=ends)
    if crush is not None and crush.max_dynamic is not None:
        numbers.append(Numbers({"crush": crush.max_dynamic}, _closing(vehicles, motions)))
    return _shares(solution, numbers)


def fused_budgets(
    solution: Solution,
    figures: Mapping[str, OccupantResult],
    distances: Mapping[str, tuple[float, float]],
) -> tuple[Budget, ...]:
    """Budgets of the occupant figures, by vehicle, of a solution that accelerometers joined."""
    numbers: list[Numbers] = []
    for name, result in figures.items():
        numbers += _of_occupant(
            solution, name, result, distances[name], means=", film and accelerometers"
        )
    return _shares(solution, numbers)


def _shares(solution: Solution, numbers: list[Numbers]) -> tuple[Budget, ...]:
    shares: list[list[list[Share]]] = [[[] for _ in n.reported] for n in numbers]
    for k, source in enumerate(SOURCES):
        if source == "accelerometer" and not solution.setup.sensors:
            continue
        draws = solution.draws(EVALUATION.share_draws, EVALUATION.share_seed + k, source=source)
        for family, rows in zip(numbers, shares, strict=True):
            for spread, own in zip(family.of(draws), rows, strict=True):
                u = spread.u if isinstance(spread, Quantity) else spread
                if u is not None and np.isfinite(u):
                    own.append(Share(source, float(u)))
    return tuple(
        Budget(name, reported.unit, reported.u, tuple(own), family.measure(reported.unit))
        for family, rows in zip(numbers, shares, strict=True)
        for (name, reported), own in zip(family.reported.items(), rows, strict=True)
    )


def _of_vehicle(
    solution: Solution, name: str, table: Vehicle, motion: VehicleMotion, result: VehicleResult
) -> Iterable[Numbers]:
    numbers: dict[str, tuple[Quantity, Callable[[PosteriorSamples], Quantity | None]]] = {}
    if result.impact_speed is not None:
        numbers[f"{name}: impact speed"] = result.impact_speed, headline.impact_speed
    for angle in ("pitch", "yaw"):
        high, low = getattr(result, f"max_{angle}"), getattr(result, f"min_{angle}")
        if high is not None and low is not None:
            sign, largest = (1, high) if abs(high.value) >= abs(low.value) else (-1, low)

            def extreme(
                samples: PosteriorSamples,
                c: str = f"{angle}_rad",
                s: int = sign,
                u: str = largest.unit,
            ) -> Quantity | None:
                return samples.extreme(c, s, u)

            numbers[f"{name}: largest {angle}"] = largest, extreme
    if table.role == "struck" and result.travel_x is not None:
        numbers[f"{name}: travel along x"] = (
            result.travel_x,
            lambda samples: headline.travel(samples, "x_m"),
        )

    def spreads(draws: Draws) -> list[Quantity | None]:
        samples = _redrawn(motion.samples, draws, name)
        return [of(samples) for _, of in numbers.values()]

    yield Numbers({label: reported for label, (reported, _) in numbers.items()}, spreads)


def _of_occupant(
    solution: Solution,
    name: str,
    result: OccupantResult | None,
    distances: tuple[float, float],
    *,
    means: str = "",
    ends: Quantity | None = None,
) -> Iterable[Numbers]:
    """`ends`: of the vehicle's contact, where the film of the other vehicle gives it better."""
    if result is None:
        return
    times = occupant_times(solution, name)
    figures = {
        f"{name}: occupant impact velocity along x{means}": result.oiv_x,
        f"{name}: ridedown along x{means}": result.ridedown_x,
    }

    def spreads(draws: Draws) -> list[float]:
        parts = []
        for some in portions(draws, times):
            ax, ay, _, _ = film_acceleration(some.states(name, times))
            end = contact_ends(times, ax, ay)[0] if ends is None else np.full(len(ax), ends.value)
            oiv_x, _, when, _ = flail(times, ax, ay, distances, end)
            parts.append((oiv_x, ridedown(times, ax, when)[0]))
        spread = [_spread(np.concatenate(part)) for part in zip(*parts, strict=True)]
        return [s for s, q in zip(spread, figures.values(), strict=True) if q is not None]

    yield Numbers(
        {label: q for label, q in figures.items() if q is not None}, spreads, "occupant_speed"
    )


def _closing(vehicles: Mapping[str, Vehicle], motions: Mapping[str, VehicleMotion]) -> Of:
    def of(draws: Draws) -> list[Quantity | None]:
        redrawn = {n: replace(m, samples=_redrawn(m.samples, draws, n)) for n, m in motions.items()}
        crush = crush_result(vehicles, redrawn)
        return [None if crush is None else crush.max_dynamic]

    return of


def _redrawn(samples: PosteriorSamples, draws: Draws, vehicle: str) -> PosteriorSamples:
    return PosteriorSamples(samples.time, samples.state, draws.states(vehicle, samples.time))


def _spread(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.std(ddof=1)) if len(known) > 1 else float("nan")
