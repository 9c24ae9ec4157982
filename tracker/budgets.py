"""Where the uncertainty of each headline number comes from.

The posterior is drawn again with one source of uncertainty alone (`tracker.body.SOURCES`) and the
numbers are computed on those draws: their spread is that source's share. Shares of one number add
in squares to its whole variance as far as the number is linear in the unknowns.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from calibration.camera import Array
from tracker import headline
from tracker.body import SOURCES, Draws, Solution
from tracker.headline import Drawn
from tracker.judged import Moved, crush_result, occupant_times
from tracker.occupant import film_acceleration, flail, ridedown
from tracker.record_schema import Vehicle
from tracker.results import Budget, CrushResult, OccupantResult, Share, VehicleResult
from tracker.values import Quantity

COUNT = 100
"""Draws a source: a share is then known to 7 %."""
SEED = 2

Of = Callable[[Draws], Quantity | float | None]
"""A number's spread, or the number with it, on draws."""


@dataclass(frozen=True)
class Number:
    """A reported number and how to compute its spread on draws."""

    name: str
    reported: Quantity
    of: Of


def budgets(
    solution: Solution,
    vehicles: Mapping[str, Vehicle],
    moves: Mapping[str, Moved],
    reported: Mapping[str, VehicleResult],
    crush: CrushResult | None,
    distances: Mapping[str, tuple[float, float]],
) -> tuple[Budget, ...]:
    """The budget of every headline number that was determined.

    Parameters
    ----------
    vehicles, moves, reported, distances : by vehicle: the record's table, the motion, the numbers
        as reported (whose u stands in the budget), and the flail distances, m.
    crush : as reported.
    """
    numbers: list[Number] = []
    for name, result in reported.items():
        if name in moves:
            numbers += _of_vehicle(solution, name, vehicles[name], moves[name], result)
            numbers += _of_occupant(solution, name, result.occupant.film, distances[name], "")
    if crush is not None and crush.max_dynamic is not None:
        numbers.append(Number("crush", crush.max_dynamic, _closing(vehicles, moves)))
    return _told(solution, numbers)


def fused_budgets(
    solution: Solution,
    figures: Mapping[str, OccupantResult],
    distances: Mapping[str, tuple[float, float]],
) -> tuple[Budget, ...]:
    """Budgets of the occupant figures, by vehicle, of a solution that accelerometers joined."""
    numbers: list[Number] = []
    for name, result in figures.items():
        numbers += _of_occupant(
            solution, name, result, distances[name], ", film and accelerometers"
        )
    return _told(solution, numbers)


def _told(solution: Solution, numbers: list[Number]) -> tuple[Budget, ...]:
    shares: list[list[Share]] = [[] for _ in numbers]
    for k, source in enumerate(SOURCES):
        if source == "accelerometer" and not solution.setup.sensors:
            continue
        draws = solution.draws(COUNT, SEED + k, source=source)
        for number, own in zip(numbers, shares, strict=True):
            spread = number.of(draws)
            u = spread.u if isinstance(spread, Quantity) else spread
            if u is not None and np.isfinite(u):
                own.append(Share(source, float(u)))
    return tuple(
        Budget(n.name, n.reported.unit, n.reported.u, tuple(own))
        for n, own in zip(numbers, shares, strict=True)
    )


def _of_vehicle(
    solution: Solution, name: str, table: Vehicle, move: Moved, result: VehicleResult
) -> Iterable[Number]:
    def on(of: Callable[[Drawn], Quantity | None]) -> Of:
        return lambda draws: of(_redrawn(move.drawn, draws, name))

    if result.impact_speed is not None:
        yield Number(f"{name}: impact speed", result.impact_speed, on(headline.impact_speed))
    for angle in ("pitch", "yaw"):
        high, low = getattr(result, f"max_{angle}"), getattr(result, f"min_{angle}")
        if high is not None and low is not None:
            sign, largest = (1, high) if abs(high.value) >= abs(low.value) else (-1, low)
            column, unit = f"{angle}_rad", largest.unit
            yield Number(
                f"{name}: largest {angle}",
                largest,
                on(lambda d, c=column, s=sign, u=unit: d.extreme(c, s, u)),  # type: ignore[misc]
            )
    if table.role == "struck" and result.travel_x is not None:
        yield Number(
            f"{name}: travel along x", result.travel_x, on(lambda d: headline.travel(d, "x_m"))
        )


def _of_occupant(
    solution: Solution,
    name: str,
    result: OccupantResult | None,
    distances: tuple[float, float],
    means: str,
) -> Iterable[Number]:
    if result is None:
        return
    times = occupant_times(solution, name)

    def figures(draws: Draws) -> tuple[Array, Array]:
        ax, ay, _, _ = film_acceleration(draws.states(name, times))
        oiv_x, _, when, _ = flail(times, ax, ay, distances)
        return oiv_x, ridedown(times, ax, when)[0]

    if result.oiv_x is not None:
        yield Number(
            f"{name}: occupant impact velocity along x{means}",
            result.oiv_x,
            lambda draws: _spread(figures(draws)[0]),
        )
    if result.ridedown_x is not None:
        yield Number(
            f"{name}: ridedown along x{means}",
            result.ridedown_x,
            lambda draws: _spread(figures(draws)[1]),
        )


def _closing(vehicles: Mapping[str, Vehicle], moves: Mapping[str, Moved]) -> Of:
    def of(draws: Draws) -> Quantity | None:
        drawn = {n: Moved(_redrawn(m.drawn, draws, n), m.motion) for n, m in moves.items()}
        crush = crush_result(vehicles, drawn)
        return None if crush is None else crush.max_dynamic

    return of


def _redrawn(drawn: Drawn, draws: Draws, vehicle: str) -> Drawn:
    return Drawn(drawn.time, drawn.state, draws.states(vehicle, drawn.time))


def _spread(values: Array) -> float:
    known = values[np.isfinite(values)]
    return float(known.std(ddof=1)) if len(known) > 1 else float("nan")
