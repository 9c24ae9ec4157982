"""Momentum and energy of two vehicles before and after they strike, from the film.

Along ground x. Ground friction of the struck vehicle is found from how it slows down once nothing
pushes it any more (the roll-ahead), that of the striking one is small and assumed
(`tracker.mechanics.vehicle_pair`). Impulse and momentum, work and energy: any textbook of
mechanics.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.core.time_series import integrate
from tracker.core.types import Quantity
from tracker.mechanics.vehicle_pair import Pair, at_time, quantity
from tracker.results.balances import Energy, ForceCrush, Mechanics, Momentum

SLIDING = 0.25  # m/s: slower than this at the end, the struck vehicle no longer shows its friction
LEAST_SLIDE = 0.04  # s of free sliding from which friction is found
ASSUMED, ASSUMED_U = 0.2, 0.05
"""Friction of a parked truck's tyres where the film does not show it: roll-aheads of published
tests of truck-mounted attenuators give 0.15 to 0.25 for a truck in gear with its brake set."""
GRIP_U = 0.05
"""Standard uncertainty, as a share, of the friction while the vehicles push beside that of the
slide after it: load and slip differ. Common practice, no source."""
LEAST_FRICTION = 0.25
"""Share of the friction below which no draw counts: a roll-ahead too short to show any."""
MOVING = 0.02  # m/s from which the struck vehicle slides


@dataclass(frozen=True)
class Stated:
    """What the record says of the cushion, m."""

    length: float | None = None
    front_crush: float = 0.0


@dataclass(frozen=True)
class _Friction:
    rows: Array  # (k,)
    source: Literal["roll-ahead", "assumed"]


def mechanics(
    pair: Pair,
    curve: ForceCrush,
    names: tuple[str, str],
    contact_ends: float,
    stated: Stated | None = None,
) -> Mechanics:
    """Balances at the end of contact, and what the cushion did.

    Parameters
    ----------
    names : of the striking and the struck vehicle.
    contact_ends : s; at or beyond the last time of the pair: contact had not ended on the film.
    stated : what the record says of the cushion.
    """
    stated = stated or Stated()
    ended = contact_ends < pair.time[-1]
    at = min(contact_ends, float(pair.time[-1]))
    friction = _friction(pair, at, ended)
    rng = np.random.default_rng(6)
    while_pushed = np.r_[1.0, 1.0 + GRIP_U * rng.standard_normal(len(friction.rows) - 1)]
    grip = while_pushed * friction.rows * pair.struck_mass * GRAVITY  # N
    momentum, energy = _momentum(pair, grip, at), _energy(pair, grip, at)
    during = pair.time <= at + 0.5 * float(pair.time[1])
    greatest = pair.closing[:, during].max(axis=1)
    when = float(pair.time[int(np.argmax(pair.closing[0, during]))])
    taken, net = _work(pair, when), _work(pair, at)
    forces = np.concatenate((curve.force[None], curve.draws))
    peak = int(np.argmax(curve.force))
    approach = pair.closing_speed[:, 0]
    parting = ended and when < at
    return Mechanics(
        striking=names[0],
        struck=names[1],
        at=at,
        contact_ended=ended,
        closing_speed=quantity(approach, "m/s"),
        friction=quantity(friction.rows, "1"),
        friction_source=friction.source,
        momentum=momentum,
        energy=energy,
        greatest_closing=quantity(greatest, "m", when),
        energy_to_greatest=quantity(taken, "J"),
        returned=quantity(taken - net, "J"),
        mean_force=quantity(taken / greatest, "N"),
        peak_force=quantity(forces[:, peak], "N"),
        peak_at=float(curve.closing[peak]),
        restitution=quantity(-at_time(pair, pair.closing_speed, at) / approach, "1")
        if parting
        else None,
        cushion_length=stated.length,
        front_crush=stated.front_crush,
        stroke_used=None
        if stated.length is None
        else quantity((greatest - stated.front_crush) / stated.length, "1"),
        stopping=_stopping(pair, friction) if ended else None,
    )


def _stopping(pair: Pair, friction: _Friction) -> Quantity | None:
    """Way of the struck vehicle from time zero to rest, m: what the film shows, and from its end on
    s = v^2 / (2 mu g), friction staying what it was give or take `GRIP_U`. None without friction.
    """
    if not friction.rows[0] > 0.0:
        return None
    rng = np.random.default_rng(7)
    stays = np.r_[1.0, 1.0 + GRIP_U * rng.standard_normal(len(friction.rows) - 1)]
    least = LEAST_FRICTION * friction.rows[0]
    grip = np.maximum(friction.rows * stays, least) * GRAVITY
    speed = np.maximum(pair.struck_speed[:, -1], 0.0)
    return quantity(pair.struck_way[:, -1] + speed**2 / (2.0 * grip), "m")


def _friction(pair: Pair, at: float, ended: bool) -> _Friction:
    """Friction coefficient of the struck vehicle: its deceleration over g from `at` (s) on."""
    moving = np.flatnonzero((pair.time > at) & (pair.struck_speed[0] > SLIDING))
    last = float(pair.time[moving[-1]]) if len(moving) else at
    if ended and last - at >= LEAST_SLIDE:
        slowed = at_time(pair, pair.struck_speed, at) - at_time(pair, pair.struck_speed, last)
        return _Friction(slowed / (GRAVITY * (last - at)), "roll-ahead")
    rng = np.random.default_rng(4)
    rows = ASSUMED + ASSUMED_U * rng.standard_normal(len(pair.struck_mass))
    rows[0] = ASSUMED
    return _Friction(np.abs(rows), "assumed")


def _momentum(pair: Pair, grip: Array, at: float) -> Momentum:
    heavy, parked = pair.striking_mass, pair.struck_mass
    before = heavy * pair.striking_speed[:, 0] + parked * pair.struck_speed[:, 0]
    after = heavy * at_time(pair, pair.striking_speed, at)
    given = parked * at_time(pair, pair.struck_speed, at)
    slid = np.maximum(at - _starts_sliding(pair), 0.0)
    tyres = grip * slid + pair.rolling * heavy * GRAVITY * at
    unit = "N s"
    return Momentum(
        quantity(before, unit),
        quantity(after, unit),
        quantity(given, unit),
        quantity(tyres, unit),
        quantity(before - after - given - tyres, unit),
    )


def _energy(pair: Pair, grip: Array, at: float) -> Energy:
    heavy, parked = 0.5 * pair.striking_mass, 0.5 * pair.struck_mass
    before = heavy * pair.striking_speed[:, 0] ** 2 + parked * pair.struck_speed[:, 0] ** 2
    after = heavy * at_time(pair, pair.striking_speed, at) ** 2
    given = parked * at_time(pair, pair.struck_speed, at) ** 2
    tyres = grip * at_time(pair, pair.struck_way, at)
    tyres += pair.rolling * pair.striking_mass * GRAVITY * at_time(pair, pair.striking_way, at)
    absorbed, crushing = before - after - given - tyres, _work(pair, at)
    return Energy(
        quantity(before, "J"),
        quantity(after, "J"),
        quantity(given, "J"),
        quantity(tyres, "J"),
        quantity(absorbed, "J"),
        quantity(crushing, "J"),
        quantity(absorbed - crushing, "J"),
    )


def _work(pair: Pair, until: float) -> Array:
    """Force times closing from time zero to a time (k,), J."""
    return at_time(pair, integrate(pair.time, pair.force * pair.closing_speed), until)


def _starts_sliding(pair: Pair) -> float:
    """When the struck vehicle begins to slide, s."""
    sliding = np.flatnonzero(pair.struck_speed[0] > MOVING)
    return float(pair.time[sliding[0]]) if len(sliding) else float(pair.time[-1])
