"""Occupant risk from accelerometers: their readings carried to the cg, with what is not known.

The uncertainty comes from draws: noise and offset as the record shows them, and stated
assumptions where it can't (`Assumptions`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.camera import Array
from tracker.occupant import UNITS, OccupantRisk, occupant_risk, summary
from tracker.signals.accelerometer import Accelerometer
from tracker.signals.attitude import GRAVITY, body_rates, gravity_reading
from tracker.signals.cfc import cfc_filter
from tracker.signals.conditioning import Conditioned, condition
from tracker.signals.transfer import to_cg
from tracker.values import Quantity

Mask = NDArray[np.bool_]

_AXES = ("ax", "ay", "az")
_RATES = ("roll_rate", "pitch_rate", "yaw_rate")


@dataclass(frozen=True)
class Assumptions:
    """Standard uncertainties that a record of accelerations can't show.

    Common practice, no source. They are printed with the results.
    """

    scale: float = 0.01  # of a channel's sensitivity
    transverse: float = 0.015  # of a channel's response to each other axis; ISO 6487 allows 5 %
    offset: float = 0.05 * GRAVITY  # m/s^2, where there is no record before time zero
    pitch: float = 0.05  # rad at 0.15 s, growing evenly, where no film tells pitch and roll


@dataclass(frozen=True)
class FilmAttitude:
    """The film's motion of the same vehicle: it takes gravity out and gives turning rates."""

    time: Array  # (k,) s
    state: Array  # (k, 15)
    draws: Array  # (m, k, 15)


@dataclass(frozen=True)
class CgAcceleration:
    """Kinematic acceleration of the cg in vehicle axes, and draws of what it may have been."""

    time: Array  # (n,) s
    mean: Array  # (4, n) ax, ay, az m/s^2 and yaw rate rad/s
    draws: Array  # (m, 4, n)
    measured: tuple[bool, bool, bool, bool]  # False: taken as 0, or from the film
    notes: tuple[str, ...]


def cg_acceleration_draws(
    accelerometer: Accelerometer,
    cg: Array,
    *,
    film: FilmAttitude | None = None,
    count: int = 100,
    seed: int = 1,
    assumptions: Assumptions | None = None,
    cfc: float = 180,
) -> CgAcceleration:
    """The cg's acceleration from one sensor block, filtered at CFC 180 (SAE J211-1).

    The channels' offsets are taken off, gravity by the film's pitch and roll if there is a film,
    and the lever from cg (3,) to sensor by the measured yaw rate or else the film's rates.
    """
    assumed = assumptions or Assumptions()
    known = condition(accelerometer, cfc)
    end = min(accelerometer.good_until[name] for name in known.channels)
    keep = known.time <= end
    time = known.time[keep]
    rng = np.random.default_rng(seed)
    lever = accelerometer.at - np.asarray(cg, dtype=float)
    notes = list(known.notes)
    for name in ("ax", "ay"):
        if name not in known.channels:
            notes.append(f"{name} is not available and taken as 0")
    mean_film = None if film is None else _film_at(film.time, film.state, time)
    if film is None:
        notes.append(
            f"no film tells the pitch: gravity stays in the readings, with a standard uncertainty"
            f" of {np.degrees(assumed.pitch):.0f} deg at 150 ms"
        )
    read = _stack(known, _AXES, keep)
    rates = _rates(known, keep, mean_film, notes)
    mean = _carry(read, rates, mean_film, time, lever)
    pick = None if film is None else rng.integers(0, len(film.draws), count)
    draws = np.empty((count, 4, len(time)))
    for k in range(count):
        shown = (
            None if film is None or pick is None else _film_at(film.time, film.draws[pick[k]], time)
        )
        disturbed = _disturb(read, known, keep, time, assumed, rng, tilt=film is None)
        turning = _rates(known, keep, shown, None)
        turning = turning * (1.0 + assumed.scale * rng.standard_normal((1, 3)))
        draws[k] = _carry(disturbed, turning, shown, time, lever)
    have = tuple(name in known.channels for name in (*_AXES, "yaw_rate"))
    return CgAcceleration(time, mean, draws, (have[0], have[1], have[2], have[3]), tuple(notes))


def accelerometer_risk(
    accelerometer: Accelerometer,
    cg: Array,
    distances: tuple[float, float],
    *,
    film: FilmAttitude | None = None,
    count: int = 100,
    seed: int = 1,
    assumptions: Assumptions | None = None,
) -> tuple[dict[str, Quantity | None], tuple[str, ...]]:
    """Every figure of `tracker.occupant.UNITS` from one sensor block, and notes on how.

    All figures are None without a usable ax; the lateral ones, and those that need both axes,
    are None without a usable ay.
    """
    if "ax" not in accelerometer.channels:
        reason = accelerometer.dropped.get("ax", "the record has no ax")
        return dict.fromkeys(UNITS), (reason,)
    motion = cg_acceleration_draws(
        accelerometer, cg, film=film, count=count, seed=seed, assumptions=assumptions
    )
    figures = summary(
        risk_of(motion.time, motion.draws, distances), risk_of(motion.time, motion.mean, distances)
    )
    if not motion.measured[1]:
        for name in ("oiv_y", "ridedown_y", "mean50_y", "velocity_change_y"):
            figures[name] = None
    return figures, motion.notes


def risk_of(time: Array, motion: Array, distances: tuple[float, float]) -> OccupantRisk:
    """Occupant risk of cg motions (..., 4, n): ax, ay, az, yaw rate."""
    return occupant_risk(
        time,
        motion[..., 0, :],
        motion[..., 1, :],
        motion[..., 3, :],
        distances,
        az=motion[..., 2, :],
    )


def _stack(known: Conditioned, names: tuple[str, ...], keep: Mask) -> Array:
    """Channels (n, 3), 0 for those that there are not."""
    count = int(np.count_nonzero(keep))
    columns = [
        known.channels[name][keep] if name in known.channels else np.zeros(count) for name in names
    ]
    return np.nan_to_num(np.stack(columns, axis=-1))


def _rates(known: Conditioned, keep: Mask, film: Array | None, notes: list[str] | None) -> Array:
    """Body rates (n, 3): measured where they were, else the film's, else 0."""
    rates = _stack(known, _RATES, keep)
    missing = [k for k, name in enumerate(_RATES) if name not in known.channels]
    if film is not None and missing:
        rates[:, missing] = body_rates(film)[:, missing]
    if notes is not None and 2 in missing:
        notes.append(
            "the yaw rate is taken from the film" if film is not None else "no yaw rate: taken as 0"
        )
    return np.asarray(rates, dtype=float)


def _carry(read: Array, rates: Array, film: Array | None, time: Array, lever: Array) -> Array:
    """Sensor readings (n, 3) to ax, ay, az of the cg and the yaw rate (4, n)."""
    kinematic = read if film is None else read - gravity_reading(film[:, 3], film[:, 4])
    moved = to_cg(kinematic, rates, time, lever)
    return np.concatenate((moved.T, rates[None, :, 2]), axis=0)


def _film_at(film_time: Array, state: Array, time: Array) -> Array:
    """Motion states (n, 15) at the sensor's times; held at the ends of the film.

    The attitude is taken as its change from the mean before time zero, where the sensors read 0.
    """
    before = film_time < 0
    columns = [np.interp(time, film_time, state[:, k]) for k in range(state.shape[1])]
    out = np.stack(columns, axis=-1)
    if before.any():
        out[:, 3:5] -= state[before, 3:5].mean(axis=0)
    outside = (time < film_time[0]) | (time > film_time[-1])
    out[outside, 9:12] = 0.0
    return out


def _disturb(
    read: Array,
    known: Conditioned,
    keep: Mask,
    time: Array,
    assumed: Assumptions,
    rng: np.random.Generator,
    *,
    tilt: bool,
) -> Array:
    """One draw of what the vehicle may have done, given the readings (n, 3)."""
    mixing = np.eye(3) + assumed.transverse * rng.standard_normal((3, 3))
    mixing[np.diag_indices(3)] = 1.0 + assumed.scale * rng.standard_normal(3)
    out = np.asarray(read @ mixing.T)
    for k, name in enumerate(_AXES):
        if name not in known.channels:
            continue
        offset_u = known.offset_u[name]
        out[:, k] += rng.standard_normal() * (assumed.offset if np.isnan(offset_u) else offset_u)
        noise = known.noise[name]
        if np.isfinite(noise) and noise > 0:
            white = noise * rng.standard_normal(len(time))
            smooth = (
                white
                if np.isnan(known.cfc)
                else cfc_filter(white, float(time[1] - time[0]), known.cfc, known.constant)
            )
            out[:, k] += smooth
    if tilt:
        slope = assumed.pitch / 0.15 * np.maximum(time, 0.0)
        out[:, 0] += GRAVITY * np.sin(slope * rng.standard_normal())
        out[:, 1] += GRAVITY * np.sin(slope * rng.standard_normal())
    return out
