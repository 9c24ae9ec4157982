"""Momentum and energy of two vehicles before and after they strike, from the film.

Along ground x. Ground friction of the struck vehicle is found from how it slows down once nothing
pushes it any more (the roll-ahead), that of the striking one is small and assumed
(`tracker.mechanics.vehicle_pair`). Impulse and momentum, work and energy: any textbook of
mechanics.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.core.time_series import integrate
from tracker.core.types import Quantity
from tracker.mechanics.options import MECHANICS
from tracker.mechanics.vehicle_pair import Pair, at_time, quantity
from tracker.results.balances import Energy, ForceCrush, Mechanics, Momentum


@dataclass(frozen=True)
class Stated:
    """What the record says of the cushion, m."""

    length: float | None = None
    front_crush: float = 0.0
    length_u: float = 0.0
    front_crush_u: float = 0.0

    def draw_dimensions(self, rows: int) -> tuple[Array, Array]:
        """Length and front crush (rows,): as stated, then draws of them."""
        rng = np.random.default_rng(8)
        away = np.concatenate((np.zeros((1, 2)), rng.standard_normal((rows - 1, 2))))
        length = (self.length or 0.0) + self.length_u * away[:, 0]
        return np.maximum(length, 1e-3), self.front_crush + self.front_crush_u * away[:, 1]

    def used_share(self, closing: Array) -> Array:
        """Share of the cushion's length that closings (k,) use."""
        length, front = self.draw_dimensions(len(closing))
        return np.asarray((closing - front) / length)


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
    while_pushed = np.r_[1.0, 1.0 + MECHANICS.grip_u * rng.standard_normal(len(friction.rows) - 1)]
    grip = while_pushed * friction.rows * pair.struck_mass * GRAVITY  # N
    momentum, energy = _momentum(pair, grip, at), _energy(pair, grip, at)
    during = pair.time <= at + 0.5 * float(pair.time[1])
    greatest = pair.closing[:, during].max(axis=1)
    when = float(pair.time[int(np.argmax(pair.closing[0, during]))])
    absorbed, net = _work(pair, when), _work(pair, at)
    forces = np.concatenate((curve.force[None], curve.draws))
    peak = int(np.argmax(curve.force))
    approach = pair.closing_speed[:, 0]
    parting = ended and when < at
    still = not ended and when >= pair.time[-1] - 0.5 * float(pair.time[1])
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
        greatest_closing=replace(quantity(greatest, "m", when), at_end=still),
        energy_to_greatest=quantity(absorbed, "J"),
        returned=quantity(absorbed - net, "J"),
        mean_force=quantity(absorbed / greatest, "N"),
        peak_force=quantity(forces[:, peak], "N"),
        peak_at=float(curve.closing[peak]),
        restitution=quantity(-at_time(pair, pair.closing_speed, at) / approach, "1")
        if parting
        else None,
        cushion_length=stated.length,
        front_crush=stated.front_crush,
        cushion_length_u=None if stated.length is None else stated.length_u,
        front_crush_u=stated.front_crush_u,
        stroke_used=None
        if stated.length is None
        else replace(quantity(stated.used_share(greatest), "1"), at_end=still),
        stopping=_stopping(pair, friction) if ended else None,
    )


def _stopping(pair: Pair, friction: _Friction) -> Quantity | None:
    """Way of the struck vehicle from time zero to rest, m: what the film shows, and from its end on
    s = v^2 / (2 mu g), friction staying what it was give or take `grip_u`. None without friction.
    """
    if not friction.rows[0] > 0.0:
        return None
    rng = np.random.default_rng(MECHANICS.seed)
    stays = np.r_[1.0, 1.0 + MECHANICS.grip_u * rng.standard_normal(len(friction.rows) - 1)]
    least = MECHANICS.least_friction * friction.rows[0]
    grip = np.maximum(friction.rows * stays, least) * GRAVITY
    speed = np.maximum(pair.struck_speed[:, -1], 0.0)
    return quantity(pair.struck_way[:, -1] + speed**2 / (2.0 * grip), "m")


def _friction(pair: Pair, at: float, ended: bool) -> _Friction:
    """Friction coefficient of the struck vehicle: its deceleration over g from `at` (s) on."""
    moving = np.flatnonzero((pair.time > at) & (pair.struck_speed[0] > MECHANICS.sliding))
    last = float(pair.time[moving[-1]]) if len(moving) else at
    if ended and last - at >= MECHANICS.least_slide:
        slowed = at_time(pair, pair.struck_speed, at) - at_time(pair, pair.struck_speed, last)
        return _Friction(slowed / (GRAVITY * (last - at)), "roll-ahead")
    rng = np.random.default_rng(4)
    rows = MECHANICS.friction + MECHANICS.friction_u * rng.standard_normal(len(pair.struck_mass))
    rows[0] = MECHANICS.friction
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
    sliding = np.flatnonzero(pair.struck_speed[0] > MECHANICS.moving)
    return float(pair.time[sliding[0]]) if len(sliding) else float(pair.time[-1])
