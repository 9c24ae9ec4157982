"""Tests of a world that shares no code with the program: own motion, projection, lamps and survey.

Motion is integrated on a fine grid, attitudes are turned by scipy's Rotation (intrinsic z-y-x, SAE
J670), marks are projected by cv2.projectPoints with the full distortion model (OpenCV, calib3d),
occupant figures come from the documents' words (NCHRP Report 350). Everything is SI.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid
from scipy.spatial.transform import Rotation

Floats = NDArray[np.float64]

EFFECTS: Mapping[str, tuple[str, tuple[float, ...]]] = {
    "none": ("nothing", (0.0,)),
    "lamp": ("rise time of the lamp, ms", (0.1, 0.5, 2.0, 5.0)),
    "lag": ("from contact to light, ms, not stated", (0.2, 1.0, 2.0)),
    "flicker": ("light of the scene, %", (1.0, 3.0, 5.0)),
    "contact": ("onset, m/s2, no flash", (300.0, 82.0, 50.0, 16.0)),
    "sensor": ("onset, m/s2, no flash, a sound accelerometer", (300.0, 82.0, 16.0)),
    "sensorlag": ("from contact to light, ms, not stated, a sound accelerometer", (0.0, 1.0, 2.0)),
    "preroll": ("s of film more before contact", (0.3, 1.0, 3.0)),
    "postroll": ("s of film more after contact", (0.3, 1.0, 3.0)),
    "length": ("s of film, a third of it before contact", (0.3, 1.0, 3.0, 10.0)),
    "lens": ("sds of an ordinary calibration", (1.0, 2.0, 3.0)),
    "survey": ("times 0.05 %, 0.1 deg, 0.2 deg", (1.0, 2.0, 3.0)),
    "place": ("mm by which the side camera's targets are surveyed elsewhere", (5.0, 20.0, 60.0)),
    "scale": ("% by which the side camera's targets are surveyed too long", (0.2, 0.5, 1.5)),
    "flex": ("mm of roof and bonnet", (1.0, 3.0, 10.0)),
    "copies": ("frames in a row", (1.0, 2.0, 3.0)),
    "secondblow": ("m/s2 of a second blow", (50.0, 100.0, 200.0)),
    "slap": ("m/s2 of a lateral blow at the rear, 60 to 120 ms later", (50.0, 100.0, 200.0)),
    "pulse": ("ms that contact lasts", (10.0, 30.0, 300.0)),
    "rate": ("frames a second", (250.0, 2000.0, 5000.0)),
    "spin": ("deg of yaw", (90.0, 180.0, 360.0)),
    "rollover": ("deg of roll", (90.0, 180.0, 360.0)),
    "end": ("ms of film after contact", (60.0, 100.0, 200.0)),
}
"""What each effect's size is, and the sizes of the table."""
LENS_SD = np.array([1e-3, 1e-4, 2.0, 2.0, 0.01, 0.02, 5e-4, 5e-4, 0.02])
"""Ordinary calibration: focal (relative), aspect (relative), centre (px), k1 k2 p1 p2 k3."""
SIZE = (640, 512)
CG = {"car": (0.0, 0.0, -0.55), "truck": (0.0, 0.0, -1.1)}
MARKERS: Mapping[str, Mapping[str, tuple[float, float, float]]] = {
    "car": {
        "roof1": (0.7, -0.45, -1.4),
        "roof2": (0.7, 0.45, -1.4),
        "roof3": (-0.7, -0.5, -1.4),
        "roof4": (-0.7, 0.5, -1.4),
        "hood1": (1.6, -0.5, -0.95),
        "hood2": (1.6, 0.5, -0.95),
        "door1": (0.4, -0.85, -0.7),
        "door2": (-0.5, -0.85, -0.72),
        "sill1": (1.2, -0.85, -0.45),
        "sill2": (-1.3, -0.85, -0.45),
    },
    "truck": {
        "bed1": (-1.4, -0.7, -1.1),
        "bed2": (-1.4, 0.7, -1.1),
        "block1": (-0.3, -0.4, -1.6),
        "block2": (0.4, 0.45, -1.6),
        "side1": (-1.2, -1.1, -1.2),
        "side2": (0.1, -1.1, -0.6),
        "side3": (0.6, -1.1, -1.25),
    },
}
SEEN = {
    "overhead": ("roof1", "roof2", "roof3", "roof4", "hood1", "hood2", "bed1", "bed2", "block1",
                 "block2"),
    "side": ("roof1", "roof3", "hood1", "door1", "door2", "sill1", "sill2", "block1", "side1",
             "side2", "side3"),
}  # fmt: skip
FLEXIBLE = ("roof", "hood")
FLAIL = (0.6, 0.3)
GROUND_U, MARKER_U = 2e-3, 1e-3
STEP = 2e-5
"""s of the fine grid."""


@dataclass(frozen=True)
class Filmed:
    """One camera's film as data: what a person would have written down, and what it saw."""

    rate: float  # 1/s, nominal
    exposure: float  # s
    size: tuple[int, int]
    matrix: Floats  # (3, 3) as stated
    distortion: Floats  # (5,) as stated
    ground: Mapping[str, tuple[Floats, Floats]]  # stated place, pixel
    ground_px: float  # sd of those pixels
    marks: tuple[str, ...]  # "vehicle.marker"
    position: Floats  # (frames, marks, 2)
    sigma: float  # px
    measured_mask: NDArray[np.bool_]
    flash: Floats | None  # (frames,) mean grey of the lamp's region
    rest: Floats | None  # (frames,) mean grey of the whole picture
    zero_frame: float  # true
    time: Floats  # (frames,) true middle of each exposure


@dataclass(frozen=True)
class World:
    """A test: films, vehicles' surveys, and the truth."""

    films: Mapping[str, Filmed]
    markers: Mapping[str, Mapping[str, tuple[float, float, float]]]  # as stated
    truth: Mapping[str, Callable[[Floats], Floats]]  # states (n, 15) at times
    headline: Mapping[str, float] = field(default_factory=dict)
    blow: float = np.nan  # s, when a second blow begins
    sensor: tuple[Floats, Floats] | None = None  # s by its own clock, m/s2: ax of the car's cg


@dataclass(frozen=True)
class _Motions:
    """What the vehicles do."""

    states: Mapping[str, Floats]  # (n, 15) by vehicle
    end: float  # s, of the first contact, and of a second blow along the path
    blow: float  # s, when a second blow begins; NaN: there is none


@dataclass(frozen=True)
class _Scene:
    """What happens before the cameras."""

    effect: str
    size: float
    rate: float  # 1/s
    span: tuple[float, float]  # s of film before and after contact
    t: Floats  # (n,) s, fine
    states: Mapping[str, Floats]  # (n, 15) by vehicle
    arms: Mapping[str, Mapping[str, Floats]]  # true places of marks from the cg
    swing: Mapping[str, Callable[[Floats], Floats]]


def world(effect: str, size: float, seed: int) -> World:
    """The test of an effect, a size and a seed."""
    rng = np.random.default_rng([seed, 7919])  # alike for all effects but for the effect itself
    before = 0.06 + (size if effect == "preroll" else 0.0)
    more = {"postroll": size, "slap": 0.16, "pulse": 1e-3 * size}
    after = size * 1e-3 if effect == "end" else 0.24 + more.get(effect, 0.0)
    if effect == "length":
        before, after = 0.06 + (size - 0.3) / 3, 0.24 + (size - 0.3) * 2 / 3
    t = np.arange(-round((before + 0.02) / STEP), round((after + 0.02) / STEP)) * STEP
    motions = _motions(t, effect, size, rng)
    states = motions.states
    rate = float(rng.choice([500.0, 1000.0]))
    rate = size if effect == "rate" else rate
    markers, true_arms = _vehicle_survey(effect, size, rng)
    swing = _swing(effect, size, rng)
    scene = _Scene(effect, size, rate, (before, after), t, states, true_arms, swing)
    tape = rng.standard_normal(2)
    films = {name: _film(name, scene, tape, rng) for name in SEEN}
    truth = {v: _function(t, s) for v, s in states.items()}
    headline = _headlines(films, t, motions, effect)
    sensor = _sensor(t, states["car"], seed) if effect.startswith("sensor") else None
    return World(films, markers, truth, headline, motions.blow, sensor)


def _sensor(t: Floats, car: Floats, seed: int) -> tuple[Floats, Floats]:
    """Ax at the cg as a sound accelerometer reads it, 10,000 samples a second: less its reading on
    the level vehicle, with ringing from contact on, noise, errors of scale and offset, and a clock
    of its own (sd 1 ms).
    """
    rng = np.random.default_rng([seed, 4271])  # leaves the other draws alike
    time = np.arange(t[0] + 1e-3, t[-1] - 1e-3, 1e-4)
    true = np.stack([np.interp(time, t, car[:, c]) for c in (3, 4, 5, 12, 13, 14)], axis=1)
    turn = Rotation.from_euler("ZYX", true[:, 2::-1]).inv()
    ax = turn.apply(true[:, 3:])[:, 0] + 9.80665 * np.sin(true[:, 1])
    after = np.maximum(time, 0.0)
    ringing = rng.uniform(2, 20) * np.exp(-after / 0.02) * (time > 0)
    ax = ax + ringing * np.sin(2 * np.pi * rng.uniform(100, 400) * after)
    ax = (1 + 0.005 * rng.standard_normal()) * ax + rng.normal(0, 1.0)
    return time - rng.normal(0, 1e-3), ax + 2.5 * rng.standard_normal(len(time))


def _function(t: Floats, states: Floats) -> Callable[[Floats], Floats]:
    return lambda times: np.stack([np.interp(times, t, c) for c in states.T], axis=1)


def _pulse(
    t: Floats, effect: str, size: float, rng: np.random.Generator
) -> tuple[Floats, float, float]:
    """Deceleration (n,) of the car, when contact ends, and when a second blow begins."""
    onset, peak, length = rng.uniform(0, 200), rng.uniform(80, 220), rng.uniform(0.08, 0.13)
    fold = rng.uniform(0, 0.25)
    if effect in ("contact", "sensor"):
        onset = size
    if effect == "pulse":  # the change of speed stays that of the others
        length, factor = 1e-3 * size, length / (1e-3 * size)
        onset, peak = factor * onset, factor * peak
    s = np.clip(t / length, 0, 1)
    on = (t >= 0) & (t < length)
    a = onset * (1 - s) + peak * np.sin(np.pi * s) * (1 - fold * np.cos(2 * np.pi * t / 0.035))
    out = np.where(on, a, 0.0)
    end, blow = length, np.nan
    if effect == "secondblow":
        blow, lasts = length + 0.02, 0.04
        u = np.clip((t - blow) / lasts, 0, 1)
        out += np.where((t >= blow) & (t < blow + lasts), size * np.sin(np.pi * u), 0.0)
        end = blow + lasts
    if effect == "slap":
        blow = length + rng.uniform(0.06, 0.12)
    return out, end, blow


def _slap(t: Floats, size: float, begin: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Lateral and yaw velocity (n,) that a blow 1.2 m behind the cg gives, whose force rises more
    or less steeply; the square of the radius of gyration is 1.5 m2.
    """
    u = np.clip((t - begin) / rng.uniform(0.02, 0.04), 0, 1)
    push = rng.choice([-1.0, 1.0]) * size * np.sin(np.pi * u) ** rng.uniform(0.3, 1.5)
    speed = cumulative_trapezoid(push, t, initial=0.0)
    return speed, -1.2 / 1.5 * speed


def _velocity(t: Floats, push: Floats, first: float, friction: float, end: float) -> Floats:
    """Velocity (n,) from `first` at time zero under `push`, then sliding to rest after `end`."""
    v = cumulative_trapezoid(push, t, initial=0.0)
    v = first + v - np.interp(0.0, t, v)
    at_end = float(np.interp(end, t, v))
    slid = np.sign(at_end) * np.maximum(np.abs(at_end) - friction * (t - end), 0.0)
    return np.where(t < end, v, slid)


def _motions(t: Floats, effect: str, size: float, rng: np.random.Generator) -> _Motions:
    """States (n, 15) of both vehicles, and when contact ends. Steady before contact."""
    pulse, end, blow = _pulse(t, effect, size, rng)
    apart = rng.uniform(0.2, 1.0)  # m/s, by which the struck vehicle is the faster in the end
    heading, left = rng.normal(0, 0.03), rng.uniform(2.0, 4.0)
    dv = float(np.trapezoid(pulse, t))
    share = (left + apart) / dv
    vx = _velocity(t, -pulse, dv + left, 6.0, end)
    vy = (dv + left) * np.tan(heading) * np.exp(-np.maximum(t, 0.0) / 0.3)
    out, turned = {}, 0.0 * t
    if effect == "slap":
        across, turning = _slap(t, size, blow, rng)
        vy, turned = vy + across, cumulative_trapezoid(turning, t, initial=0.0)
    for name, speed, across, start in (
        ("car", vx, vy, (-1.5, rng.normal(0, 0.1), CG["car"][2], heading)),
        ("truck", _velocity(t, share * pulse, 0.0, 3.0, end), 0.0 * t, (3.2, 0.05, -1.1, 0.0)),
    ):
        s = np.zeros((len(t), 15))
        for k, v in enumerate((speed, across)):
            x = cumulative_trapezoid(v, t, initial=0.0)
            s[:, k], s[:, 6 + k] = start[k] + x - np.interp(0.0, t, x), v
            s[:, 12 + k] = np.gradient(v, t)
        scale = 1.0 if name == "car" else 0.3
        for k, amount, rest in ((2, 0.03, start[2]), (3, 0.015, 0.004), (4, 0.03, 0.006)):
            s[:, k] = rest + scale * _sway(t, amount, rng)
        turn, set_in = scale * rng.normal(0, 0.08), 1 - np.exp(-((np.maximum(t, 0.0) / 0.12) ** 2))
        s[:, 5] = start[3] + turn * set_in
        if name == "car":
            s[:, 5] += turned + (np.radians(size) * set_in if effect == "spin" else 0.0)
            s[:, 3] += np.radians(size) * set_in if effect == "rollover" else 0.0
        for k in range(2, 6):
            s[:, 6 + k] = np.gradient(s[:, k], t)
        s[:, 14] = np.gradient(s[:, 8], t)
        out[name] = s
    return _Motions(out, end, blow)


def _sway(t: Floats, amount: float, rng: np.random.Generator) -> Floats:
    """A sway (n,) that sets in with contact and dies away."""
    after, w, decay = np.maximum(t, 0.0), rng.uniform(10, 25), rng.uniform(2, 6)
    return np.asarray(amount * rng.normal() * (1 - np.cos(w * after)) * np.exp(-decay * after))


def _vehicle_survey(effect: str, size: float, rng: np.random.Generator):  # type: ignore[no-untyped-def]
    """Marker places as stated, and true arms from the cg, by vehicle."""
    stated, true = {}, {}
    for vehicle, places in MARKERS.items():
        misalignment = rng.normal(0, np.radians(0.2), 3) * (size if effect == "survey" else 0.0)
        stated[vehicle], true[vehicle] = dict(places), {}
        for name, at in places.items():
            arm = np.array(at) - CG[vehicle] + rng.normal(0, MARKER_U, 3)
            true[vehicle][name] = Rotation.from_rotvec(misalignment).apply(arm)
    return stated, true


def _swing(
    effect: str, size: float, rng: np.random.Generator
) -> dict[str, Callable[[Floats], Floats]]:
    """How panels swing (n, 3), vehicle axes, m, by the first letters of their marks."""
    out: dict[str, Callable[[Floats], Floats]] = {}
    for part in FLEXIBLE:
        f, phase = rng.uniform(15, 40), rng.uniform(0.7, 1.3)
        way = np.array([0.3 * rng.normal(), 0.0, 1.0])

        def of(t: Floats, f: float = f, phase: float = phase, way: Floats = way) -> Floats:
            after = np.maximum(t, 0.0)
            mm = size * 1e-3 * phase * np.sin(2 * np.pi * f * after) * np.exp(-after / 0.15)
            return np.asarray(mm[:, None] * way)

        if effect == "flex":
            out[part] = of
    return out


def _camera(name: str, rng: np.random.Generator) -> tuple[Floats, Floats, float]:
    """Rotation (3, 3) camera from ground, place (3,), focal length (px)."""
    if name == "overhead":
        place, up, focal = np.array([0.6, 0.0, -12.0]), np.array([1.0, 0.0, 0.0]), 700.0
        target = np.array([0.6, 0.0, 0.0])
    else:
        place, up, focal = np.array([0.6, -13.0, -1.4]), np.array([0.0, 0.0, -1.0]), 760.0
        target = np.array([0.6, 0.0, -0.8])
    place = place + rng.normal(0, 0.2, 3)
    z = (target + rng.normal(0, 0.1, 3) - place) / np.linalg.norm(target - place)
    z /= np.linalg.norm(z)
    x = np.cross(z, up)
    x /= np.linalg.norm(x)
    return np.array([x, np.cross(z, x), z]), place, focal


def _project(points: Floats, rotation: Floats, place: Floats, lens: Floats) -> Floats:
    """Pixels (n, 2) of ground points (n, 3); `lens` is fx, fy, cx, cy, k1, k2, p1, p2, k3."""
    turn, _ = cv2.Rodrigues(rotation)
    matrix = np.array([[lens[0], 0, lens[2]], [0, lens[1], lens[3]], [0, 0, 1.0]])
    seen, _ = cv2.projectPoints(points.reshape(-1, 1, 3), turn, -rotation @ place, matrix, lens[4:])
    return np.asarray(seen[:, 0], dtype=np.float64)


def _ground(name: str, rng: np.random.Generator) -> Floats:
    """Fixed targets (12, 3) in a camera's view."""
    grid = np.array([(x, k) for x in (-4.0, -1.3, 1.4, 4.2) for k in (0, 1, 2)], dtype=float)
    off = rng.normal(0, 0.25, (12, 3))
    if name == "overhead":
        y = np.array([-3.0, 2.2, 3.0])[grid[:, 1].astype(int)]
        z = np.where(grid[:, 1] == 1, -1.0, 0.0)
        return np.column_stack([grid[:, 0] + off[:, 0], y + off[:, 1], z])
    y = np.array([-2.0, 2.5, 2.5])[grid[:, 1].astype(int)]
    z = np.array([0.0, 0.0, -2.5])[grid[:, 1].astype(int)]
    return np.column_stack([grid[:, 0] + off[:, 0], y + off[:, 1], z + 0.2 * off[:, 2]])


def _surveyed(name: str, points: Floats, scene: _Scene, tape: Floats) -> Floats:
    """Places (n, 3) as a tape that is long and a datum that is turned or elsewhere give them."""
    effect, size = scene.effect, scene.size
    if name == "side" and effect == "place":  # in a direction of its own
        way = np.array([*tape, tape.sum()])
        return np.asarray(points + 1e-3 * size * way / np.linalg.norm(way))
    if name == "side" and effect == "scale":
        return np.asarray(points * (1 + 0.01 * size))
    if effect != "survey":
        return points
    datum = Rotation.from_euler("z", size * np.radians(0.1) * tape[1])
    return np.asarray(datum.apply(points) * (1 + size * 5e-4 * tape[0]))


def _film(name: str, scene: _Scene, tape: Floats, rng: np.random.Generator) -> Filmed:
    effect, size, rate, span = scene.effect, scene.size, scene.rate, scene.span
    rotation, place, focal = _camera(name, rng)
    stated = np.array([focal, focal, 319.5, 255.5, -0.1, 0.04, 0.0, 0.0, 0.0])
    error = rng.standard_normal(9) * LENS_SD * (size if effect == "lens" else 0.0)
    lens = stated + error
    lens[:2] = stated[:2] * (1 + error[0] + np.array([0.5, -0.5]) * error[1])
    true_rate = rate * (1 + 2e-5 * rng.standard_normal())
    count = int((span[0] + span[1]) * rate)
    zero = span[0] * rate + rng.uniform(-0.5, 0.5)
    time = (np.arange(count) - zero) / true_rate
    sigma = rng.uniform(0.02, 0.05)
    targets = _ground(name, rng)
    pixels = _project(targets, rotation, place, lens) + 0.01 * rng.standard_normal((12, 2))
    noted = _surveyed(name, targets, scene, tape) + GROUND_U * rng.standard_normal((12, 3))
    marks = tuple(f"{v}.{m}" for v in scene.arms for m in scene.arms[v] if m in SEEN[name])
    position = np.empty((count, len(marks), 2))
    for k, mark in enumerate(marks):
        vehicle, marker = mark.split(".")
        s = _function(scene.t, scene.states[vehicle][:, :6])(time)
        arm = np.tile(scene.arms[vehicle][marker], (count, 1))
        for part, of in scene.swing.items():
            arm = arm + (of(time) if vehicle == "car" and marker.startswith(part) else 0.0)
        turned = Rotation.from_euler("ZYX", s[:, [5, 4, 3]]).apply(arm)
        position[:, k] = _project(s[:, :3] + turned, rotation, place, lens)
    position += sigma * rng.standard_normal(position.shape)
    inside = ((position > 6) & (position < np.array(SIZE) - 7)).all(axis=2)
    measured_mask = inside & (rng.random(inside.shape) > 0.02)
    if effect == "copies":
        for first in rng.choice(np.arange(5, count - 8), 4, replace=False):
            run = slice(first + 1, first + 1 + int(size))
            position[run], measured_mask[run] = position[first], measured_mask[first]
    duty = float(rng.uniform(0.1, 0.8))
    flash = rest = None
    if effect not in ("contact", "sensor"):
        flash, rest = _lamp(time, duty / rate, effect, size, rng)
    return Filmed(
        rate,
        duty / rate,
        SIZE,
        np.array([[stated[0], 0, stated[2]], [0, stated[1], stated[3]], [0, 0, 1.0]]),
        stated[4:],
        {f"g{k}": (noted[k], pixels[k]) for k in range(12)},
        0.01,
        marks,
        position,
        sigma,
        measured_mask,
        flash,
        rest,
        zero,
        time,
    )


def _lamp(
    time: Floats, exposure: float, effect: str, size: float, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Mean grey (frames,) of a lamp's region and of the picture: each exposure's integral of the
    light, of which a little lights the picture.
    """
    rise = 1e-3 * size if effect == "lamp" else 1e-6
    lag = 1e-3 * size * rng.uniform(0.5, 1.0) if effect in ("lag", "sensorlag") else 0.0

    def sum_of_light(at: Floats) -> Floats:
        since = np.maximum(at - lag, 0.0)
        return np.asarray(since - rise * (1 - np.exp(-since / rise)))

    lit = (sum_of_light(time + exposure / 2) - sum_of_light(time - exposure / 2)) / exposure
    scene = 40.0 + 100.0 * lit
    picture = 90.0 + 4.0 * lit
    if effect == "flicker":
        flicker = 1 + 1e-2 * size * rng.standard_normal(len(time))
        scene, picture = scene * flicker, picture * flicker
    scene = scene + 0.3 * rng.standard_normal(len(time))
    own = np.random.default_rng([len(time), int(1e6 * exposure)])  # leaves the other draws alike
    return scene, picture + 0.03 * own.standard_normal(len(time))


def _headlines(
    films: Mapping[str, Filmed],
    t: Floats,
    motions: _Motions,
    effect: str,
) -> dict[str, float]:
    """True headline numbers, of the time that the films show each vehicle, to the last frame of the
    view from above.
    """
    frames, states, end = films["overhead"].time, motions.states, motions.end
    shown = {
        v: max(
            float(f.time[f.measured_mask[:, [m.startswith(v) for m in f.marks]].any(axis=1)].max())
            for f in films.values()
        )
        for v in states
    }
    shown = {v: float(frames[frames <= last + 1e-9][-1]) for v, last in shown.items()}
    out: dict[str, float] = {}
    for v, s in states.items():
        zero, last = int(np.argmin(np.abs(t))), int(np.searchsorted(t, shown[v]))
        for c, name in ((3, "roll"), (4, "pitch"), (5, "yaw")):
            change = s[zero:last, c] - s[zero - 2, c]
            if change.max() > 5e-3:
                out[f"{v} max_{name}"] = float(change.max())
            if change.min() < -5e-3:
                out[f"{v} min_{name}"] = float(change.min())
        out[f"{v} travel_x"] = float(np.interp(shown[v], t, s[:, 0]) - s[zero, 0])
        out[f"{v} velocity_change"] = float(np.interp(min(end, shown[v]), t, s[:, 6]) - s[zero, 6])
    s, zero = states["car"], int(np.argmin(np.abs(t)))
    out["car impact_speed"] = float(np.hypot(s[zero - 2, 6], s[zero - 2, 7]))
    out["car impact_angle"] = float(np.arctan2(s[zero - 2, 7], s[zero - 2, 6]))
    out["car impact_offset"] = float(s[zero, 1])
    both = int(np.searchsorted(t, min(shown.values())))
    closing = s[zero:both, 0] - states["truck"][zero:both, 0]
    out["crush"] = float(np.max(closing - closing[0]))
    last = int(np.searchsorted(t, shown["car"]))
    return out | _occupant(t[zero:last], s[zero:last], lateral=effect == "slap")


def _occupant(t: Floats, s: Floats, *, lateral: bool) -> dict[str, float]:
    """Occupant figures by flail space (NCHRP Report 350): free travel 0.6 m or 0.3 m, then the
    largest 10 ms mean; means whose middle is at impact or later.
    """
    body = Rotation.from_euler("ZYX", s[:, [5, 4, 3]]).inv().apply(s[:, 12:15])
    speed = cumulative_trapezoid(body, t, axis=0, initial=0.0)
    way = cumulative_trapezoid(speed, t, axis=0, initial=0.0)
    free = (np.abs(way[:, 0]) < FLAIL[0]) & (np.abs(way[:, 1]) < FLAIL[1])
    if free.all():
        return {}
    at = int(np.argmin(free))
    out = {"car oiv_x": -float(speed[at, 0]), "car oiv_time": float(t[at])}
    half = round(5e-3 / STEP)
    if at + half < len(t):
        middle = np.arange(at, len(t) - half)
        means = (speed[middle + half] - speed[middle - half]) / 1e-2 / 9.80665
        for c, name in enumerate(("ridedown_x", "ridedown_y")[: 1 + lateral]):
            out[f"car {name}"] = float(means[np.argmax(np.abs(means[:, c])), c])
    return out
