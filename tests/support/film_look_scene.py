"""Films as laboratories have them, drawn by code that shares nothing with the program.

A car of two boxes with painted marks is driven before a pinhole camera, is stopped and turns. Marks
are drawn through the exact homography of their plane at 5 x 5 points a pixel, each with its share
of ink, then the film's own faults are laid on: grain, flicker, scratches, dust, weave, vignette,
coding. Axes: x forward, y right, z down; metres, seconds, pixels. The truth is the place of a
mark's centre in the picture as it is seen, weave included.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]

SIZE = (640, 512)
RATE = 1000.0
BEFORE, FRAMES = 40, 220
FINE = 5
PATTERNS = ("quadrant", "hourglass", "disc", "ring", "cross")
LIGHT, DARK = 215.0, 20.0
FOCAL, DISTANCE = 1200.0, 15.0
VIEWS = ("side", "above")
_BODY = ((-2.0, 2.0), (-0.85, 0.85), (-0.95, -0.2))
_CABIN = ((-1.4, 0.9), (-0.8, 0.8), (-1.4, -0.95))


@dataclass(frozen=True)
class Look:
    """What is wrong with a film."""

    grain: float = 0.008  # sd, of full scale
    clump: float = 0.0  # px, size of a grain
    flicker: float = 0.0  # sd of the light, from frame to frame
    scratches: int = 0
    dust: float = 0.0  # specks a frame
    weave: float = 0.0  # px, slow
    jitter: float = 0.0  # px, from frame to frame
    vignette: float = 0.0  # share of light lost in the corners
    blur: float = 0.8  # px
    codec: str = ""  # "h264" or "mjpeg"
    quality: int = 24
    oblique: float = 0.0  # deg, from squarely
    nearer: float = 1.0  # times nearer, with so much shorter a lens
    haze: str = ""  # "glare" or "smoke"
    bulge: float = 0.0  # m, of every other mark's panel
    rail: bool = False  # something stands before the car
    turn: float = 0.12  # rad, by which the car has turned in the end
    lamps: bool = False  # bright shapes beside the marks
    outside: float = 0.0  # m farther back, so that marks enter the picture later


FILM = Look(0.034, 0.6, 0.04, 3, 12.0, 1.4, 0.55, 0.35, 1.0)
LOOKS: Mapping[str, Look] = {
    "clean": Look(),
    "grain": Look(0.034, 0.6, blur=1.0),
    "flicker": Look(flicker=0.05),
    "scratches": Look(scratches=5, dust=25.0),
    "weave": Look(weave=1.4, jitter=0.55),
    "vignette": Look(vignette=0.5),
    "h264": Look(0.015, codec="h264", quality=24),
    "h264 grain": Look(0.034, 0.6, codec="h264", quality=24),
    "mjpeg": Look(0.015, codec="mjpeg", quality=6),
    "oblique 45": Look(oblique=45.0),
    "oblique 60": Look(oblique=60.0),
    "near": Look(oblique=50.0, nearer=3.0),
    "glare": Look(haze="glare"),
    "smoke": Look(haze="smoke"),
    "bulge": Look(bulge=0.12),
    "rail": Look(rail=True),
    "turn": Look(turn=1.9),
    "lamps": Look(lamps=True),
    "edge": Look(outside=1.6),
    "film": FILM,
    "film h264": replace(FILM, codec="h264"),
    "film oblique": replace(FILM, oblique=50.0),
    "film smoke": replace(FILM, haze="smoke"),
    "film bulge": replace(FILM, bulge=0.12),
    "film rail": replace(FILM, rail=True),
}


@dataclass(frozen=True)
class Painted:
    """A mark on a plane: its centre, the plane's axes (unit), its half size."""

    name: str
    pattern: str
    at: Floats  # (3,) of its own body
    axes: Floats  # (3, 2)
    radius: float


@dataclass(frozen=True)
class FilmTruth:
    """Where the marks are, and how much of each can be seen."""

    place: Floats  # (frames, marks, 2) px
    cover: Floats  # (frames, marks) 0..1: share that is covered, turned away or outside
    haze: Floats  # (frames, marks) 0..1: opacity before it
    axis: Floats  # (frames, marks) px: longer axis
    narrow: Floats  # (frames, marks) cosine to the camera


@dataclass(frozen=True)
class Scene:
    """A film that can be drawn frame by frame."""

    look: Look
    view: str
    size_px: float
    seed: int
    marks: tuple[Painted, ...]
    camera: tuple[Floats, Floats, Floats]  # matrix, rotation, place
    shift: Floats  # (frames, 2) px of the picture
    gain: Floats  # (frames,)


def scene(effect: str, size_px: float, view: str, seed: int) -> Scene:
    """The film of an effect, with marks of about this size."""
    look, rng = LOOKS[effect], np.random.default_rng([seed, VIEWS.index(view), 31])
    marks = _marks(view, size_px, rng)
    t = np.arange(FRAMES)
    slow = sum(
        np.sin(2 * np.pi * t[:, None] / p + rng.uniform(0, 6.3, 2)) * rng.normal(0, 0.7, 2)
        for p in (31.0, 57.0, 140.0)
    )
    shift = look.weave * slow + look.jitter * rng.standard_normal((FRAMES, 2))
    gain = 1.0 + look.flicker * rng.standard_normal(FRAMES)
    return Scene(look, view, size_px, seed, marks, _camera(look, view, rng), shift, gain)


def _marks(view: str, size_px: float, rng: np.random.Generator) -> tuple[Painted, ...]:
    radius = 0.5 * size_px / (FOCAL / DISTANCE)
    if view == "side":
        car = [(x, -0.85, z) for z in (-0.78, -0.38) for x in (-1.5, -0.8, -0.1, 0.6, 1.3)]
        axes = np.array([[1.0, 0], [0, 0], [0, 1]])
        fixed = [(-3.0, 1.6, -0.3), (-1.2, 1.6, -2.2), (1.2, 1.6, -2.3), (2.9, 1.6, -0.3),
                 (-3.0, 1.6, -2.0)]  # fmt: skip
    else:
        car = [(x, y, -1.4) for y in (-0.45, 0.45) for x in (-1.1, -0.3, 0.5)]
        car += [(x, y, -0.95) for y in (-0.45, 0.45) for x in (1.2, 1.7)]
        axes = np.array([[1.0, 0], [0, 1], [0, 0]])
        fixed = [(-3.2, -1.9, 0.0), (-1.0, 2.3, 0.0), (1.2, -2.2, 0.0), (3.2, 2.0, 0.0),
                 (-3.0, 2.1, 0.0)]  # fmt: skip
    first = int(rng.integers(5))
    out = []
    for i, at in enumerate(car):
        turn = rng.uniform(-0.3, 0.3)
        c, s = np.cos(turn), np.sin(turn)
        pattern = PATTERNS[(first + i) % 5]
        place = np.array(at) + 0.02 * rng.standard_normal(3) * np.abs(axes).sum(axis=1)
        out.append(Painted(f"car.m{i}", pattern, place, axes @ [[c, -s], [s, c]], radius))
    for i, at in enumerate(fixed):
        out.append(Painted(f"survey.g{i}", "quadrant", np.array(at), axes, max(radius, 0.1)))
    return tuple(out)


def _camera(look: Look, view: str, rng: np.random.Generator) -> tuple[Floats, Floats, Floats]:
    distance, angle = DISTANCE / look.nearer, np.radians(look.oblique)
    target = np.array([0.0, -0.85, -0.9]) if view == "side" else np.array([0.0, 0.0, -1.2])
    if view == "side":
        way, up = np.array([-np.sin(angle), -np.cos(angle), -0.05]), np.array([0, 0, -1.0])
    else:
        way, up = np.array([0.02, np.sin(angle), -np.cos(angle)]), np.array([0.0, -1.0, 0.0])
        if look.oblique > 30:
            up = np.array([0.0, 0.0, -1.0])
    place = target + distance * way / np.linalg.norm(way) + rng.normal(0, 0.05, 3)
    z = (target - place) / np.linalg.norm(target - place)
    x = np.cross(z, up)
    x /= np.linalg.norm(x)
    focal = FOCAL / look.nearer
    matrix = np.array([[focal, 0, 319.5], [0, focal, 255.5], [0, 0, 1.0]])
    return matrix, np.array([x, np.cross(z, x), z]), place


def motion(look: Look, frame: int) -> tuple[Floats, Floats]:
    """Rotation (3, 3) and place (3,) of the car."""
    t = (frame - BEFORE) / RATE
    speed, last, length = 26.0, 3.0, 0.09
    u = np.clip(t / length, 0.0, 1.0)
    fell = length * (u - np.sin(np.pi * u) / np.pi) / 2
    x = speed * min(t, 0.0) + speed * u * length - (speed - last) * fell + last * max(t - length, 0)
    late = 1 - np.exp(-((max(t, 0.0) / 0.11) ** 2))
    attitude = [look.turn * late, 0.03 * late, -0.02 * late]
    place = np.array([x - 0.9 - look.outside, 0.1 * late, 0.02 * late])
    return np.asarray(Rotation.from_euler("ZYX", attitude).as_matrix()), place


def _placed(s: Scene, mark: Painted, number: int, frame: int) -> tuple[Floats, Floats]:
    """Centre (3,) and axes (3, 2) of a mark in the scene."""
    if mark.name.startswith("survey"):
        return mark.at, mark.axes
    rotation, place = motion(s.look, frame)
    at, axes = mark.at, mark.axes
    if s.look.bulge and number % 2:
        grown = s.look.bulge * (1 - np.exp(-max(frame - BEFORE, 0) / 25.0))
        normal = np.cross(axes[:, 0], axes[:, 1])
        outward = normal if s.view == "above" else -normal
        outward = outward * (1 if outward @ [0, -1, -1] > 0 else -1)
        way = 1 if number % 4 == 1 else -1
        at = at + grown * outward + 0.35 * way * grown * axes[:, 0]
        axes = np.asarray(Rotation.from_rotvec(4.0 * grown * way * axes[:, 1]).apply(axes.T)).T
    return rotation @ at + place, rotation @ axes


def project(s: Scene, points: Floats, frame: int) -> Floats:
    """Pixels (n, 2) of points (n, 3) of the scene, as the film has them."""
    matrix, rotation, place = s.camera
    seen = (points - place) @ rotation.T @ matrix.T
    return np.asarray(seen[:, :2] / seen[:, 2:] + s.shift[frame])


def _share(level: Floats) -> Floats:
    """Share of each fine point's own square in which a level (rows, columns), taken for a plane
    within it, is positive. Without it, lines along the rows were off by up to half a fine point.
    """
    down, across = np.gradient(level)
    slope = np.maximum(np.hypot(down, across), 1e-12)
    return np.asarray(np.clip(0.5 + level / slope, 0.0, 1.0))


def _ink(pattern: str, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Opacity and grey at a mark's coordinates, half the size being 1."""
    r = np.hypot(x, y)
    if pattern == "quadrant":
        right, below = _share(x), _share(y)
        light = right * below + (1 - right) * (1 - below)
        return _share(1 - r), DARK + (LIGHT - DARK) * light
    if pattern == "disc":
        return _share(1 - r), np.full_like(r, LIGHT)
    if pattern == "ring":
        dark = _share(r - 0.36) * _share(0.68 - r)
        return _share(1 - r), LIGHT + (DARK - LIGHT) * dark
    if pattern == "hourglass":
        one, other = _share(y - x * np.tan(np.pi / 6)), _share(y + x * np.tan(np.pi / 6))
        wedges = one * (1 - other) + (1 - one) * other
        return wedges * _share(1 - x) * _share(x + 1), np.full_like(r, LIGHT)
    along = _share(0.2 - y) * _share(y + 0.2) * _share(1 - x) * _share(x + 1)
    across = _share(0.2 - x) * _share(x + 0.2) * _share(1 - y) * _share(y + 1)
    return 1 - (1 - along) * (1 - across), np.full_like(r, LIGHT)


def _draw_mark(
    picture: Floats, homography: Floats, pattern: str
) -> tuple[slice, slice, Floats] | None:
    """Paint a mark; where it is and its share of each pixel. None outside the picture."""
    ring = np.array([[np.cos(a), np.sin(a), 0.7071] for a in np.arange(0, 6.3, 0.4)])
    ends = (homography @ np.column_stack([1.45 * ring[:, :2], np.ones(len(ring))]).T).T
    ends = ends[:, :2] / ends[:, 2:]
    left, top = np.floor(ends.min(axis=0)).astype(int) - 1
    right, bottom = np.ceil(ends.max(axis=0)).astype(int) + 2
    rows, columns = picture.shape
    left, top, right, bottom = max(left, 0), max(top, 0), min(right, columns), min(bottom, rows)
    if right <= left or bottom <= top or right - left > 200 or bottom - top > 200:
        return None
    fine = (np.arange(FINE) + 0.5) / FINE - 0.5
    u = (np.arange(left, right)[:, None] + fine).ravel()
    v = (np.arange(top, bottom)[:, None] + fine).ravel()
    back = np.linalg.inv(homography)
    x, y, w = (back[k, 0] * u[None, :] + back[k, 1] * v[:, None] + back[k, 2] for k in range(3))
    inside, grey = _ink(pattern, x / w, y / w)
    block = (bottom - top, FINE, right - left, FINE)
    share = inside.astype(float).reshape(block).mean(axis=(1, 3))
    mean = (grey * inside).reshape(block).mean(axis=(1, 3))
    where = slice(top, bottom), slice(left, right)
    picture[where] = picture[where] * (1 - share) + mean
    return *where, share


def _fill(picture: Floats, corners: Floats, grey: float) -> None:
    fixed = np.rint(corners * 16).astype(np.int32)
    cv2.fillConvexPoly(picture, fixed, grey, cv2.LINE_AA, 4)


def _draw_box(
    s: Scene, picture: Floats, box: Sequence[tuple[float, float]], frame: int, grey: float
) -> None:
    """The faces of a box of the car that are turned to the camera."""
    rotation, place = motion(s.look, frame)
    for axis in range(3):
        others = [k for k in range(3) if k != axis]
        for end in (0, 1):
            corners = np.zeros((4, 3))
            corners[:, axis] = box[axis][end]
            for k, pair in zip(others, ((0, 1, 1, 0), (0, 0, 1, 1)), strict=True):
                corners[:, k] = [box[k][i] for i in pair]
            normal = np.zeros(3)
            normal[axis] = 2 * end - 1
            corners, normal = corners @ rotation.T + place, rotation @ normal
            if normal @ (s.camera[2] - corners[0]) > 0:
                light = grey * (0.8 + 0.3 * abs(normal[2]) + 0.1 * normal[0])
                _fill(picture, project(s, corners, frame), light)


def _rail(s: Scene) -> Floats:
    """Corners (4, 3) of what stands before the car."""
    if s.view == "side":
        return np.array([(0.2, -1.5, -1.1), (1.3, -1.5, -1.1), (1.3, -1.5, 0.2), (0.2, -1.5, 0.2)])
    return np.array([(0.4, -1.5, -2.2), (1.5, -1.5, -2.2), (1.5, 0.3, -2.2), (0.4, 0.3, -2.2)])


def _haze(s: Scene, frame: int, centres: Floats) -> tuple[Floats, float]:
    """Opacity (rows, columns) and grey of glare or smoke."""
    rng = np.random.default_rng([s.seed, 5])
    first = BEFORE + rng.integers(5, 30)
    lasts = rng.integers(50, 100)
    on = np.clip((frame - first) / 12, 0, 1) * np.clip((first + lasts - frame) / 12, 0, 1)
    y, x = np.mgrid[: SIZE[1], : SIZE[0]].astype(np.float32)
    out = np.zeros((SIZE[1], SIZE[0]))
    glare = s.look.haze == "glare"
    for k in rng.choice(len(centres), 4, replace=False):
        u, v = centres[k] + rng.normal(0, 8, 2)
        radius = rng.uniform(14, 24) if glare else rng.uniform(35, 60)
        d2 = ((x - u) ** 2 + (y - v) ** 2) / radius**2
        out = np.maximum(out, np.exp(-d2 / 2) * 1.6 if glare else np.clip(2.2 - d2, 0, 1))
    return np.clip(out * on, 0, 1), 320.0 if glare else 150.0


def frames(s: Scene) -> Iterator[tuple[Bytes, FilmTruth]]:
    """Every picture, with the truth (1, marks, ...) of it."""
    ground = _ground(s.seed)
    for frame in range(FRAMES):
        yield _frame(s, ground, frame)


def first_picture(s: Scene) -> tuple[Bytes, FilmTruth]:
    """The first picture, with the truth (1, marks, ...) of it."""
    return _frame(s, _ground(s.seed), 0)


def _ground(seed: int) -> Floats:
    rng = np.random.default_rng([seed, 8])
    shape = (SIZE[1] + 40, SIZE[0] + 40)
    coarse = cv2.GaussianBlur(rng.normal(0, 60, shape), (0, 0), 5)
    fine = cv2.GaussianBlur(rng.normal(0, 10, shape), (0, 0), 1.1)
    return np.asarray(85 + coarse + fine)


def _frame(s: Scene, ground: Floats, frame: int) -> tuple[Bytes, FilmTruth]:
    look, n = s.look, len(s.marks)
    move = np.array([[1, 0, s.shift[frame, 0] - 20], [0, 1, s.shift[frame, 1] - 20.0]])
    picture = cv2.warpAffine(ground, move, SIZE, flags=cv2.INTER_CUBIC).astype(np.float64)
    place, axis = np.empty((n, 2)), np.empty(n)
    narrow, covered = np.empty(n), np.ones(n)
    drawn: list[tuple[slice, slice, Floats] | None] = [None] * n
    order = [i for i in range(n) if s.marks[i].name.startswith("survey")]
    order += [i for i in range(n) if i not in order]
    body_drawn = False
    before = np.zeros(picture.shape)  # what the car hides of the ground's marks
    for i in order:
        mark = s.marks[i]
        if not body_drawn and mark.name.startswith("car"):
            clean = picture.copy()
            _draw_box(s, picture, _BODY, frame, 105.0)
            _draw_box(s, picture, _CABIN, frame, 125.0)
            before = (picture != clean).astype(float)
            body_drawn = True
            if look.lamps:
                _draw_lamps(s, picture, frame)
        at, axes = _placed(s, mark, i, frame)
        place[i] = project(s, at[None], frame)[0]
        normal = np.cross(axes[:, 0], axes[:, 1])
        way = s.camera[2] - at
        narrow[i] = abs(normal @ way) / np.linalg.norm(way)
        homography = _plane(s, at, axes, mark.radius, frame)
        seen = np.linalg.svd(_jacobian(homography), compute_uv=False)
        axis[i] = 2 * seen[0]
        outward = {"side": np.array([0, -1.0, 0]), "above": np.array([0, 0, -1.0])}[s.view]
        if mark.name.startswith("car"):
            outward = motion(look, frame)[0] @ outward
        if outward @ normal < 0:
            normal = -normal
        if normal @ way > 0:
            drawn[i] = _draw_mark(picture, homography, mark.pattern)
    hidden = np.zeros(picture.shape)
    if look.rail:
        _fill(hidden, project(s, _rail(s), frame), 1.0)
        texture = 95 + 0.5 * (ground[: SIZE[1], : SIZE[0]] - 85)
        picture = picture * (1 - hidden) + texture * hidden
    haze = np.zeros(picture.shape)
    if look.haze:
        cars = place[: n - 5]
        haze, grey = _haze(s, frame, cars)
        picture = picture * (1 - haze) + grey * haze
    opacity = np.zeros(n)
    for i, box in enumerate(drawn):
        if box is None:
            continue
        where, share = box[:2], box[2]
        whole = _whole_area(s, i, frame)
        over = (
            hidden[where]
            if s.marks[i].name.startswith("car")
            else np.maximum(hidden[where], before[where])
        )
        covered[i] = 1 - float(np.sum(share * (1 - over))) / max(whole, 1e-9)
        opacity[i] = float(np.max(haze[where] * (share > 0.2), initial=0.0))
    truth = FilmTruth(*(a[None] for a in (place, np.clip(covered, 0, 1), opacity, axis, narrow)))
    gain = float(s.gain[frame])
    return exposed(look, s.seed, gain, picture, frame), truth


def _draw_lamps(s: Scene, picture: Floats, frame: int) -> None:
    """Bright and dark ellipses just beside every third mark."""
    for i, mark in enumerate(s.marks):
        if mark.name.startswith("car") and i % 3 == 0:
            at, axes = _placed(s, mark, i, frame)
            beside = at + 2.1 * mark.radius * axes[:, 0]
            homography = _plane(s, beside, axes * [0.9, 1.3], mark.radius, frame)
            _draw_mark(picture, homography, "disc")


def _plane(s: Scene, at: Floats, axes: Floats, radius: float, frame: int) -> Floats:
    """Homography (3, 3) from a mark's own coordinates to the picture."""
    matrix, rotation, place = s.camera
    inside = np.column_stack([radius * rotation @ axes, rotation @ (at - place)])
    shift = np.array([[1, 0, s.shift[frame, 0]], [0, 1, s.shift[frame, 1]], [0, 0, 1.0]])
    return np.asarray(shift @ matrix @ inside)


def _jacobian(h: Floats) -> Floats:
    at = h[:2, 2] / h[2, 2]
    return np.asarray((h[:2, :2] - np.outer(at, h[2, :2])) / h[2, 2])


_AREA = {"quadrant": np.pi, "disc": np.pi, "ring": np.pi,
         "hourglass": 2 * np.tan(np.pi / 6), "cross": 2 * 0.8 - 0.16}  # fmt: skip
"""Inked area of each pattern, half the size being 1."""


def _whole_area(s: Scene, i: int, frame: int) -> float:
    """Area (px²) of all of a mark's ink."""
    mark = s.marks[i]
    at, axes = _placed(s, mark, i, frame)
    plane = _plane(s, at, axes, mark.radius, frame)
    return float(abs(np.linalg.det(_jacobian(plane))) * _AREA[mark.pattern])


def exposed(look: Look, seed: int, gain: float, picture: Floats, frame: int) -> Bytes:
    """Through the lens, onto the film and out of the scanner."""
    rng, (rows, columns) = np.random.default_rng([seed, frame, 13]), picture.shape
    soft = cv2.GaussianBlur(picture, (0, 0), look.blur)
    if look.vignette:
        y, x = np.mgrid[:rows, :columns]
        u, v = (columns - 1) / 2, (rows - 1) / 2
        r2 = ((x - u) ** 2 + (y - v) ** 2) / (u**2 + v**2)
        soft = soft * (1 - look.vignette * r2)
    soft = np.minimum(soft * gain, 255.0)
    grain = rng.standard_normal(soft.shape)
    if look.clump:
        grain = cv2.GaussianBlur(grain, (0, 0), look.clump)
        grain /= grain.std()
    share = np.clip(soft / 255, 0, 1)
    strength = 0.55 + 0.9 * np.sqrt(share * (1 - share)) if look.clump else 1.0
    soft = soft + 255 * look.grain * grain * strength
    for k in range(look.scratches):
        own = np.random.default_rng([seed, k, 17])
        x = (
            own.uniform(20, columns - 20)
            + 3 * np.sin(frame / own.uniform(15, 60))
            + own.normal(0, 1)
        )
        lit = np.zeros(soft.shape, np.uint8)
        ends = int(16 * x), int(16 * (x + own.normal(0, 4)))
        cv2.line(lit, (ends[0], 0), (ends[1], 16 * rows), 255, 1, cv2.LINE_AA, 4)
        soft = soft + own.choice([-60.0, 80.0]) * (lit / 255.0)
    for _ in range(rng.poisson(look.dust)):
        lit = np.zeros((9, 9), np.uint8)
        left, top = rng.integers(0, columns - 9), rng.integers(0, rows - 9)
        size = 2 * rng.uniform(0.7, 3.0, 2)
        cv2.ellipse(lit, ((4.0, 4.0), size.tolist(), rng.uniform(0, 180)), 255, -1, cv2.LINE_AA)
        part = soft[top : top + 9, left : left + 9]
        part += (rng.choice([15.0, 240.0]) - part) * (lit / 255.0)
    return np.clip(np.rint(soft), 0, 255).astype(np.uint8)


def write_film(path: Path, pictures: Iterator[Bytes], codec: str, quality: int) -> None:
    """A movie of grey pictures: H.264 at a constant rate factor, or Motion JPEG at a quantiser."""
    name = {"h264": "libx264", "mjpeg": "mjpeg", "": "ffv1"}[codec]
    with av.open(str(path), "w") as container:
        stream = container.add_stream(name, rate=Fraction(int(RATE)))
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height = SIZE
        stream.pix_fmt = {"h264": "yuv420p", "mjpeg": "yuvj420p", "": "gray"}[codec]
        if codec == "h264":
            stream.options = {"crf": str(quality), "preset": "medium"}
        elif codec == "mjpeg":
            stream.options = {"qmin": str(quality), "qmax": str(quality)}
        for picture in pictures:
            if codec:
                chroma = np.full((SIZE[1] // 2, SIZE[0]), 128, np.uint8)
                frame = av.VideoFrame.from_ndarray(
                    np.vstack([picture, chroma]), format=stream.pix_fmt
                )
            else:
                frame = av.VideoFrame.from_ndarray(picture, format="gray")
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def draw(s: Scene, path: Path, on: Callable[[int, Bytes], None] | None = None) -> FilmTruth:
    """Write a film and give its truth."""
    truths: list[FilmTruth] = []

    def pictures() -> Iterator[Bytes]:
        for i, (picture, truth) in enumerate(frames(s)):
            truths.append(truth)
            if on is not None:
                on(i, picture)
            yield picture

    write_film(path, pictures(), s.look.codec, s.look.quality)
    fields = ("place", "cover", "haze", "axis", "narrow")
    return FilmTruth(*(np.concatenate([getattr(t, f) for t in truths]) for f in fields))
