"""What two vehicles did to each other, as results hold it.

Units and conventions are those of `tracker.results.schema`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from calibration.arrays import Array
from tracker.core.types import Quantity


@dataclass(frozen=True)
class Momentum:
    """Momentum along ground x, N s: before = striking_after + struck_after + tyres + residual."""

    before: Quantity
    striking_after: Quantity
    struck_after: Quantity
    tyres: Quantity  # given to the ground
    residual: Quantity  # what the film and the stated masses leave unexplained


@dataclass(frozen=True)
class Energy:
    """Kinetic energy along ground x, J: before = striking_after + struck_after + tyres + absorbed.

    `crushing` is the same energy by another way: force times closing, rebound included.
    """

    before: Quantity
    striking_after: Quantity
    struck_after: Quantity
    tyres: Quantity  # work done on the ground
    absorbed: Quantity  # taken by the cushion and the striking vehicle's front
    crushing: Quantity
    residual: Quantity  # absorbed less crushing


@dataclass(frozen=True)
class Mechanics:
    """What the two vehicles did to each other along ground x. See `tracker.mechanics`."""

    striking: str
    struck: str
    at: float  # s, of the balances: contact had ended, or else the film did
    contact_ended: bool
    closing_speed: Quantity  # m/s, at time zero
    friction: Quantity  # 1, of the struck vehicle's tyres
    friction_source: Literal["roll-ahead", "assumed"]
    momentum: Momentum
    energy: Energy
    greatest_closing: Quantity  # m
    energy_to_greatest: Quantity  # J, taken up to the greatest closing
    returned: Quantity  # J, given back after it
    mean_force: Quantity  # N, energy_to_greatest over greatest_closing
    peak_force: Quantity  # N
    peak_at: float  # m of closing
    restitution: Quantity | None = None  # 1; None while the vehicles still touch
    cushion_length: float | None = None  # m, as the record states it
    front_crush: float = 0.0  # m of the closing that the striking vehicle's front took
    cushion_length_u: float | None = None  # m
    front_crush_u: float = 0.0  # m
    stroke_used: Quantity | None = None  # 1, share of the cushion's length
    stopping: Quantity | None = None  # m, way of the struck vehicle to rest; None in contact


@dataclass(frozen=True)
class ForceCrush:
    """Force between the vehicles against their closing since time zero, up to the greatest."""

    closing: Array  # (n,) m, equal steps from 0
    force: Array  # (n,) N
    force_u: Array  # (n,)
    energy: Array  # (n,) J, taken so far
    energy_u: Array  # (n,)
    draws: Array  # (m, n) N: forces that it may have been, errors common to all closings included
