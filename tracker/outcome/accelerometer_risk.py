"""Occupant risk from accelerometers: their readings carried to the cg, with what is not known.

The uncertainty comes from draws: noise and offset as the record shows them, and stated
assumptions where it can't (`Assumptions`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from calibration.arrays import Array
from calibration.constants import GRAVITY
from tracker.accelerometers.accelerometer import Accelerometer
from tracker.accelerometers.cfc import cfc_filter
from tracker.accelerometers.conditioning import Conditioned, condition
from tracker.core.lever_arm import to_cg
from tracker.core.types import Quantity
from tracker.core.vehicle_kinematics import body_rates, gravity_reading
from tracker.outcome.contact import contact_end
from tracker.outcome.occupant_risk import (
    RIDEDOWN_WINDOW,
    UNITS,
    OccupantRisk,
    largest_mean,
    occupant_risk,
    ridedown,
    summary,
)
from tracker.outcome.options import OUTCOME

Rows = NDArray[np.intp]

_RATE = 2500.0  # 1/s

NEEDS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        **dict.fromkeys(
            ("oiv_x", "oiv_time", "ridedown_x", "ridedown_x_after", "mean50_x"), ("ax",)
        ),
        **dict.fromkeys(("oiv_y", "ridedown_y", "ridedown_y_after"), ("ax", "ay")),
        "velocity_change_x": ("ax",),
        "mean50_y": ("ay",),
        "velocity_change_y": ("ay",),
        **dict.fromkeys(("thiv", "phd"), ("ax", "ay", "yaw_rate")),
        **dict.fromkeys(("asi", "asi_13hz"), ("ax", "ay", "az")),
    }
)
"""The channels without which a figure is none. Flail distances are taken as reached forwards where
there is no ay."""
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
    pitch: float = 0.05  # rad at 0.15 s, growing evenly, where no film shows pitch and roll
    vibration: float = 0.05  # m/s of the structure at the sensor against the vehicle as a whole
    vibration_time: float = 0.005  # s over which it is correlated


@dataclass(frozen=True)
class FilmAttitude:
    """The film's motion of the same vehicle: it takes gravity out and gives turning rates."""

    time: Array  # (k,) s
    state: Array  # (k, 15)
    draws: Array  # (m, k, 15)
    yaw_seen: bool = True  # whether the film determines the yaw rate


CLIPPED = "clipped"


@dataclass(frozen=True)
class BlockRisk:
    """Occupant risk from one sensor block."""

    figures: Mapping[str, Quantity | None]  # by the names of `UNITS`
    notes: tuple[str, ...]  # how they came about
    faults: Mapping[str, str]  # channels that no figure may rest on, and why
    open_from: float | None = None  # s, where ax ends while contact goes on


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
    until: str = "ax",
) -> CgAcceleration:
    """The cg's acceleration from one sensor block, filtered at CFC 180 (SAE J211-1).

    The channels' offsets are taken off, gravity by the film's pitch and roll if there is a film,
    and the lever from cg (3,) to sensor by the measured yaw rate or else the film's rates. It ends
    where the channel `until` does; one that ends before is 0 from there on.
    """
    assumed = assumptions or Assumptions()
    known = condition(accelerometer, cfc)
    end = accelerometer.good_until[until]
    keep = np.flatnonzero(known.time <= end)[:: _thinning(accelerometer.interval)]
    time = known.time[keep]
    rng = np.random.default_rng(seed)
    lever = accelerometer.at - np.asarray(cg, dtype=float)
    notes = list(known.notes)
    for name in ("ax", "ay"):
        if name not in known.channels:
            notes.append(f"{name} is not available and taken as 0")
    if film is None:
        notes.append(
            f"no film shows the pitch: gravity stays in the readings, with a standard uncertainty"
            f" of {np.degrees(assumed.pitch):.0f} deg at 150 ms"
        )
    elif "yaw_rate" not in known.channels:
        notes.append("the yaw rate is taken from the film")
    if film is None and "yaw_rate" not in known.channels:
        notes.append("no yaw rate: taken as 0")
    read, rates = _stack(known, _AXES, keep), _stack(known, _RATES, keep)
    missing = [k for k, name in enumerate(_RATES) if name not in known.channels]
    shown = None if film is None else _film_at(film.time, film.state[None], time)
    mean = _carry(read[None], rates[None], missing, shown, time, lever)[0]
    if film is not None:
        pick = rng.integers(0, len(film.draws), count)
        shown = _film_at(film.time, film.draws[pick], time)
    perturbed = _perturb(read, known, keep, accelerometer.interval, assumed, rng, count)
    perturbed += _vibration_samples(time, assumed, rng, count)
    if film is None:
        perturbed[..., :2] += _tilt_samples(time, assumed.pitch, rng, count)
    turning = rates * (1.0 + assumed.scale * rng.standard_normal((count, 1, 3)))
    draws = _carry(perturbed, turning, missing, shown, time, lever)
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
    faults: Mapping[str, str] | None = None,
) -> BlockRisk:
    """Every figure of `UNITS` from one sensor block.

    A figure is None without a channel that it needs (`NEEDS`), and where such a channel is clipped,
    ends before contact does, or is at fault by other evidence (`faults`: channel, reason). What ax
    shows before its end still counts, as the least that it can be where contact goes on.
    """
    if "ax" not in accelerometer.channels:
        reason = accelerometer.dropped.get("ax", "the record has no ax")
        return BlockRisk(dict.fromkeys(UNITS), (reason,), {"ax": reason})
    motion = cg_acceleration_draws(
        accelerometer, cg, film=film, count=count, seed=seed, assumptions=assumptions
    )
    mean = risk_of(motion.time, motion.mean, distances)
    draws = risk_of(motion.time, motion.draws, distances)
    figures = summary(draws, mean)
    wrong = _own_faults(accelerometer, float(mean.contact_end)) | dict(faults or {})
    have = {n for n in accelerometer.channels if n not in wrong}
    if film is not None and film.yaw_seen and "yaw_rate" not in accelerometer.channels:
        have.add("yaw_rate")
    if accelerometer.good_until.get("ay", -np.inf) > accelerometer.good_until["ax"]:
        longer = cg_acceleration_draws(
            accelerometer,
            cg,
            film=film,
            count=count,
            seed=seed,
            assumptions=assumptions,
            until="ay",
        )
        figures |= _lateral_figures(longer, draws.oiv_time, float(mean.oiv_time))
    known = {name: q if set(NEEDS[name]) <= have else None for name, q in figures.items()}
    goes_on = not float(mean.contact_ended) and "ax" not in wrong
    open_from = float(motion.time[-1]) if goes_on else None
    lost = figures["oiv_x"] if known["oiv_x"] is None else None
    if lost is not None and "ax" in wrong and wrong["ax"] == CLIPPED:
        text = f"ax is clipped: occupant impact velocity is {lost.value:.2f} m/s at least"
        return BlockRisk(known, (*motion.notes, text), wrong)
    return BlockRisk(known, motion.notes, wrong, open_from)


def _lateral_figures(
    motion: CgAcceleration, impacts: Array, impact: float
) -> dict[str, Quantity | None]:
    """What ay alone says after ax has ended: ridedown from the occupant's impact on (s, of draws
    (m,) and of the estimate), and the largest mean; at least so much where the contact that ay
    shows goes on.
    """
    time, ay = motion.time, motion.mean[1][None]
    later = time >= 0
    goes_on = not contact_end(time[later], np.abs(ay[0, later]))[2]
    out: dict[str, Quantity | None] = {}
    for name, before in (("ridedown_y", 0.5 * RIDEDOWN_WINDOW), ("ridedown_y_after", 0.0)):
        value = ridedown(time, ay, np.array([impact]), before)[0]
        spread = ridedown(time, motion.draws[:, 1], impacts, before)[0]
        out[name] = _figure(float(value[0]), spread, goes_on)
    means = largest_mean(time, motion.draws[:, 1])
    out["mean50_y"] = _figure(float(largest_mean(time, ay)[0]), means, goes_on)
    return out


def _figure(value: float, draws: Array, goes_on: bool) -> Quantity | None:
    """A figure in g with the spread of its draws (m,); None where they lack it."""
    known = draws[np.isfinite(draws)]
    if not np.isfinite(value) or len(known) < max(2, OUTCOME.finite_draws * len(draws)):
        return None
    return Quantity(value, "g", float(known.std(ddof=1)), at_end=goes_on)


def _own_faults(accelerometer: Accelerometer, contact_end: float) -> dict[str, str]:
    """What is wrong with channels while contact lasts (until a time, s), each on its own."""
    wrong = {f.channel: CLIPPED for f in accelerometer.findings if f.kind == "saturation"}
    for name, until in accelerometer.good_until.items():
        early = until < min(contact_end, accelerometer.good_until["ax"])
        if name != "ax" and name in accelerometer.channels and early:
            wrong[name] = f"ends at {until * 1e3:.0f} ms"
    return wrong


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


def _thinning(interval: float) -> int:
    """Samples per sample kept: after CFC 180 nothing is left that 2,500 a second would miss."""
    return max(1, int(1.0 / (_RATE * interval) + 1e-9))


def _stack(known: Conditioned, names: tuple[str, ...], keep: Rows) -> Array:
    """Channels (n, 3), 0 for those that there are not."""
    columns = [
        known.channels[name][keep] if name in known.channels else np.zeros(len(keep))
        for name in names
    ]
    return np.nan_to_num(np.stack(columns, axis=-1))


def _carry(
    read: Array, rates: Array, missing: list[int], film: Array | None, time: Array, lever: Array
) -> Array:
    """Readings and rates (m, n, 3) to ax, ay, az of the cg and the yaw rate (m, 4, n).

    Rates that were not measured (`missing`) are the film's, or 0 without a film.
    """
    kinematic = read
    if film is not None:
        kinematic = read - gravity_reading(film[..., 3], film[..., 4])
        rates = rates.copy()
        rates[..., missing] = body_rates(film)[..., missing]
    at_cg = to_cg(kinematic, rates, time, lever)
    together = np.concatenate((at_cg, rates[..., 2:]), axis=-1)
    return np.ascontiguousarray(np.moveaxis(together, -1, -2))


def _film_at(film_time: Array, state: Array, time: Array) -> Array:
    """Attitude and rates of motion states (m, k, 15) at the sensor's times (m, n, 15).

    They are held at the ends of the film; positions and accelerations are left 0. The attitude is
    its change from the mean before time zero, where the sensors read 0.
    """
    out = np.zeros((len(state), len(time), state.shape[-1]))
    k = np.clip(np.searchsorted(film_time, time) - 1, 0, len(film_time) - 2)
    share = np.clip((time - film_time[k]) / (film_time[k + 1] - film_time[k]), 0.0, 1.0)[:, None]
    for columns in (slice(3, 6), slice(9, 12)):
        part = state[..., columns]
        out[..., columns] = (1.0 - share) * part[:, k] + share * part[:, k + 1]
    before = film_time < 0
    if before.any():
        out[..., 3:5] -= state[:, before, 3:5].mean(axis=1, keepdims=True)
    out[:, (time < film_time[0]) | (time > film_time[-1]), 9:12] = 0.0
    return out


def _perturb(
    read: Array,
    known: Conditioned,
    keep: Rows,
    interval: float,
    assumed: Assumptions,
    rng: np.random.Generator,
    count: int,
) -> Array:
    """Draws (m, n, 3) of what the sensors may have met, given the readings (n, 3)."""
    mixing = np.eye(3) + assumed.transverse * rng.standard_normal((count, 3, 3))
    mixing[:, range(3), range(3)] = 1.0 + assumed.scale * rng.standard_normal((count, 3))
    out = np.asarray(read @ np.swapaxes(mixing, 1, 2))
    for k, name in enumerate(_AXES):
        if name not in known.channels:
            continue
        offset_u = known.offset_u[name]
        sd = assumed.offset if np.isnan(offset_u) else offset_u
        out[..., k] += sd * rng.standard_normal((count, 1))
        if known.noise[name] > 0:
            white = known.noise[name] * rng.standard_normal((count, len(known.time)))
            if not np.isnan(known.cfc):
                white = cfc_filter(white, interval, known.cfc, known.constant)
            out[..., k] += white[:, keep]
    return out


def _vibration_samples(
    time: Array, assumed: Assumptions, rng: np.random.Generator, count: int
) -> Array:
    """Accelerations (m, n, 3) of a structure that vibrates from time zero on.

    Its velocity is a first-order autoregression, whose change over a window w has the variance
    2 vibration^2 (1 - exp(-w / vibration_time)), as in the cross-check of film and channels.
    """
    step = float(time[1] - time[0])
    persistence = float(np.exp(-step / assumed.vibration_time))
    fresh = assumed.vibration * rng.standard_normal((count, len(time), 3))
    fresh[:, time < 0] = 0.0
    start = int(np.searchsorted(time, 0.0))
    fresh[:, start + 1 :] *= np.sqrt(1.0 - persistence**2)
    velocity = lfilter([1.0], [1.0, -persistence], fresh, axis=1)
    return np.asarray(np.diff(velocity, axis=1, prepend=0.0) / step)


def _tilt_samples(time: Array, pitch: float, rng: np.random.Generator, count: int) -> Array:
    """Gravity (m, n, 2) in ax and ay of a vehicle whose pitch and roll nobody saw."""
    slope = pitch / OUTCOME.tilt_time * np.maximum(time, 0.0)[:, None]
    return np.asarray(GRAVITY * np.sin(slope * rng.standard_normal((count, 1, 2))))
