"""From the scene to the grey values of every frame of a film."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.demo import raster, site
from tracker.demo.debris import clouds_at, draw_clouds
from tracker.demo.options import DRAWING
from tracker.demo.raster import Faces, Single
from tracker.demo.scenario import motion_matrix, picture_motion
from tracker.demo.scene import Staged, footprints, shadows

SAMPLES = ((0.125, 0.375), (-0.375, 0.125), (-0.125, -0.375), (0.375, -0.125))
"""Places of a pixel's samples off its centre, px; their mean is the centre."""
MOMENTS = (0.375, -0.125, 0.125, -0.375)
"""Their times off the middle of the exposure, in exposures."""

Window = tuple[int, int, int, int]

_fast = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")


@dataclass(frozen=True)
class Backdrop:
    """What stands still, before blur, with what the moving parts need."""

    grey: Single  # (height, width)
    depth: Single  # (height, width) along the line of sight, m
    ground: Single  # (half height, half width, 2) x, y of every second pixel's ground, m; 1e9: none
    bare: NDArray[np.uint8]  # (height, width) 1 where the ground is seen
    rays: Single  # (samples + 1, 3, height, width): those of `SAMPLES`, then of the pixel's centre


def boxes_of(camera: Camera, corners: Array) -> NDArray[np.int64]:
    """First and past the last row and column (faces, 4) that faces may cover, given their corners
    (times, faces, 4, 3) at one or several times.
    """
    width, height = camera.lens.size
    points = corners.reshape(-1, 3)
    with np.errstate(invalid="ignore"):
        seen = camera.project(points).reshape((*corners.shape[:3], 2))
    depth = camera.in_camera_axes(points)[:, 2].reshape(corners.shape[:3])
    behind, before = depth.min(axis=(0, 2)) < 0.5, depth.max(axis=(0, 2)) > 0.5
    low, high = seen.min(axis=(0, 2)) - DRAWING.margin, seen.max(axis=(0, 2)) + DRAWING.margin + 1
    bounds = np.column_stack([low[:, 1], high[:, 1], low[:, 0], high[:, 0]])
    bounds = np.where(behind[:, None], np.array([0, height, 0, width]), bounds)
    bounds = np.where(before[:, None], bounds, 0)
    return np.asarray(np.clip(bounds, 0, [height, height, width, width]).astype(np.int64))


def draw(
    rays: Single,
    corner: tuple[int, int],
    faces: Faces,
    boxes: NDArray[np.int64],
    depth: Single,
    picture: Single,
    pixel: float,
) -> None:
    """Draw faces over a window's `picture` (rows, cols), which has `depth` (samples, rows, cols).

    `rays` (samples + 1, 3, height, width) are the whole picture's, `boxes` count from the window's
    `corner`, `pixel` is a pixel's width over depth; `depth` is made nearer.
    """
    numbers = faces.numbers.astype(np.float32)
    face = np.full(depth.shape, -1, dtype=np.int32)
    bias = np.ascontiguousarray(faces.surfaces[:, raster.BIAS])
    for m in range(len(face)):
        raster.cover(rays[m], *corner, numbers[m], bias, boxes, depth[m], face[m])
    facing = np.maximum(0.0, faces.numbers[-1, :, :3] @ site.SUN)
    light = DRAWING.white_grey * (DRAWING.ambient + DRAWING.direct * facing)
    bright = light.astype(np.float32)
    window = raster.RayWindow(rays, *corner, pixel)
    lit = raster.LitFaces(numbers, faces.kinds, faces.surfaces, bright)
    raster.paint(window, lit, face, picture)


def backdrop(scene: Staged, camera: Camera) -> Backdrop:
    """Draw what stands still with four samples a pixel."""
    width, height = camera.lens.size
    origin, mesh = camera.position, scene.static
    places = (*SAMPLES, (0.0, 0.0))
    still = np.repeat(mesh.corners[None], len(places), axis=0)
    counts = np.repeat(mesh.surfaces[None, :, raster.COUNT], len(places), axis=0)
    faces = raster.front_faces(still, counts, mesh.kinds, mesh.surfaces, origin)
    boxes = boxes_of(camera, mesh.corners[None])[faces.which]
    boxes += [-10, 10, -10, 10]  # long edges bend through the lens
    boxes = np.clip(boxes, 0, [height, height, width, width])
    lens, pixel = camera.lens.values, 1 / camera.lens.values[0]
    rays = np.array(
        [raster.lens_rays(width, height, lens, camera.rotation, *place) for place in places]
    )
    total, grey = np.zeros((2, height, width), dtype=np.float32)
    depth = np.empty((len(SAMPLES), height, width), dtype=np.float32)
    for m in range(len(SAMPLES)):
        site.shade_site(rays[m], origin, pixel, depth[m], grey)
        total += grey / np.float32(len(SAMPLES))
    draw(rays, (0, 0), faces, boxes, depth, total, pixel)
    ground, bare = _visible_ground(rays[-1], origin, depth[-1])
    return Backdrop(total, depth[-1].copy(), ground, bare, rays)


def _visible_ground(rays: Single, origin: Array, depth: Single) -> tuple[Single, NDArray[np.uint8]]:
    """Places of every second pixel's ground and where ground is seen, see `Backdrop`."""
    with np.errstate(divide="ignore", invalid="ignore"):
        s = np.float32(-origin[2]) / rays[2]
    bare = (s > 0) & (depth > s * np.float32(0.995) - np.float32(0.03)) & (s < 80)
    s, half = s[::2, ::2], bare[::2, ::2]
    ground = origin[:2] + np.where(half, s, 0.0)[:, :, None] * rays[:2, ::2, ::2].transpose(1, 2, 0)
    return np.where(half[:, :, None], ground, 1e9).astype(np.float32), bare.astype(np.uint8)


@_fast
def _ease(x: float, low: float, high: float) -> float:
    t = min(1.0, max(0.0, (x - low) / (high - low)))
    return t * t * (3 - 2 * t)


@_fast
def shade_of(
    ground: Single, edges: Array, counts: NDArray[np.int64], bounds: Array, sunlit: int
) -> Single:
    """Share of the light (rows, cols) left at ground points (rows, cols, 2) by the sun's shadows
    (the first `sunlit` outlines) and by what stands close over the ground (the others).
    """
    out = np.ones(ground.shape[:2], dtype=np.float32)
    for row in range(ground.shape[0]):
        for col in range(ground.shape[1]):
            x, y = ground[row, col, 0], ground[row, col, 1]
            if x > 1e8:
                continue
            dark, close = 0.0, 0.0
            for k in range(len(counts)):
                if x < bounds[k, 0] or y < bounds[k, 1] or x > bounds[k, 2] or y > bounds[k, 3]:
                    continue
                depth = 1e9  # inside the outline, m; negative outside
                for i in range(counts[k]):
                    depth = min(depth, edges[k, i, 0] * x + edges[k, i, 1] * y + edges[k, i, 2])
                if k < sunlit:
                    dark = max(dark, _ease(depth, -0.035, 0.035))
                else:
                    close = max(close, _ease(depth, -0.5, 0.25))
            out[row, col] = (1 - 0.52 * dark) * (1 - 0.55 * close)
    return out


def _edges(outlines: list[Array]) -> tuple[Array, NDArray[np.int64], Array]:
    """Half planes (outlines, most, 3) of convex outlines, how many each has, and the least and
    greatest x, y (outlines, 4) that they may shade.
    """
    counts = np.array([len(o) for o in outlines], dtype=np.int64)
    edges = np.zeros((len(outlines), int(counts.max()), 3))
    for k, outline in enumerate(outlines):
        step = np.roll(outline, -1, axis=0) - outline
        normal = np.column_stack([-step[:, 1], step[:, 0]])
        length = np.linalg.norm(normal, axis=1, keepdims=True)
        normal = normal / np.maximum(length, 1e-9)
        offset = -(normal * outline).sum(axis=1)
        if (outline.mean(axis=0) @ normal.T + offset).mean() < 0:
            normal, offset = -normal, -offset
        edges[k, : len(outline), :2], edges[k, : len(outline), 2] = normal, offset
    bounds = np.array([[*(o.min(axis=0) - 0.5), *(o.max(axis=0) + 0.5)] for o in outlines])
    return edges, counts, bounds


@_fast
def expose(
    clean: Single, bank: Single, start: NDArray[np.int64], read: float, shot: float
) -> NDArray[np.uint8]:
    """Sensor noise and digitisation of a picture; `bank` holds normal deviates, `start` (rows,)
    where each row begins in it.
    """
    out = np.empty(clean.shape, dtype=np.uint8)
    for row in range(clean.shape[0]):
        at = start[row]
        for col in range(clean.shape[1]):
            value = max(clean[row, col], np.float32(0.0))
            spread = np.sqrt(read * read + shot * shot * value)
            value += spread * bank[at + col] + np.float32(0.5)
            out[row, col] = np.uint8(min(255.0, max(0.0, value)))
    return out


def interpolate_linearly(begin: Array, end: Array, share: Array) -> Array:
    """Straight on from `begin` to `end` (...), at each share (n,) of the way: (n, ...)."""
    way = share.reshape(-1, *[1] * begin.ndim)
    return np.asarray(begin + way * (end - begin))


class Painter:
    """Makes the frames of one camera's film, one after another."""

    def __init__(self, scene: Staged, name: str) -> None:
        self.scene, self.name = scene, name
        self.scenario = scene.scenario
        self.camera = self.scenario.camera(name)
        self.still = backdrop(scene, self.camera)
        self.blurred = self._blur(self.still.grey)
        self.motion = picture_motion(self.scenario, name)
        names = sorted(self.scenario.views)
        self.rng = np.random.default_rng([self.scenario.seed, 6, names.index(name)])
        self.bank = self.rng.standard_normal(1 << 20, dtype=np.float32)

    def _blur(self, grey: Single) -> Single:
        return np.asarray(
            cv2.GaussianBlur(grey, (0, 0), self.scenario.psf, borderType=cv2.BORDER_REPLICATE),
            dtype=np.float32,
        )

    def window(self, boxes: NDArray[np.int64], outlines: list[Array]) -> Window:
        """First and past-the-last row and column of all that moves or is shaded, all even."""
        width, height = self.camera.lens.size
        flat = np.concatenate(outlines)
        ground = np.column_stack([flat, np.zeros(len(flat))])
        ground = ground[self.camera.in_camera_axes(ground)[:, 2] > 0.5]
        seen = self.camera.project(ground)
        margin = 40 * width // 1280
        seen = np.clip(seen, 0, [width - 1, height - 1])
        shown = boxes[(boxes[:, 1] > boxes[:, 0]) & (boxes[:, 3] > boxes[:, 2])]
        (col0, row0), (col1, row1) = seen.min(axis=0), seen.max(axis=0)
        row0, row1 = min([row0, *shown[:, 0]]) - margin, max([row1, *shown[:, 1]]) + margin
        col0, col1 = min([col0, *shown[:, 2]]) - margin, max([col1, *shown[:, 3]]) + margin
        rows = max(0, int(row0) // 2 * 2), min(height, -(-int(row1) // 2) * 2)
        cols = max(0, int(col0) // 2 * 2), min(width, -(-int(col1) // 2) * 2)
        return (*rows, *cols)

    def clean(self, time: float, exposure: float | None = None) -> Single:
        """The picture at a time without flash, dust, weave and noise; grey values."""
        exposure = self.scenario.exposure if exposure is None else exposure
        early, late = min(MOMENTS), max(MOMENTS)
        begin, end = (self.scene.moving(time + m * exposure, time) for m in (early, late))
        share = (np.array([*MOMENTS, 0.0]) - early) / (late - early)
        corners = interpolate_linearly(begin.corners, end.corners, share)
        turned = [m.surfaces[:, raster.COUNT].astype(np.float64) for m in (begin, end)]
        counts, eye = interpolate_linearly(turned[0], turned[1], share), self.camera.position
        faces = raster.front_faces(corners, counts, begin.kinds, begin.surfaces, eye)
        boxes = boxes_of(self.camera, np.array([begin.corners, end.corners]))
        middle = replace(begin, corners=corners[-1])
        sunlit = shadows(middle)
        outlines = sunlit + footprints(middle)
        row0, row1, col0, col1 = place = self.window(boxes, outlines)
        boxes = np.clip(boxes - [row0, row0, col0, col0], 0, [row1 - row0] * 2 + [col1 - col0] * 2)
        total = self._shade_pixels(place, outlines, len(sunlit))
        depth = np.repeat(self.still.depth[None, row0:row1, col0:col1], len(MOMENTS), axis=0)
        pixel = 1 / self.camera.lens.values[0]
        draw(self.still.rays, (row0, col0), faces, boxes[faces.which], depth, total, pixel)
        window = self.still.grey[max(row0 - 8, 0) : row1 + 8, max(col0 - 8, 0) : col1 + 8].copy()
        top, left = row0 - max(row0 - 8, 0), col0 - max(col0 - 8, 0)
        window[top : top + row1 - row0, left : left + col1 - col0] = total
        picture = self.blurred.copy()
        picture[max(row0 - 4, 0) : row1 + 4, max(col0 - 4, 0) : col1 + 4] = self._inner(
            self._blur(window), top, left, row1 - row0, col1 - col0
        )
        return picture

    def _shade_pixels(self, window: Window, outlines: list[Array], sunlit: int) -> Single:
        """The still picture in a window under the shadows, which are soft: half as fine will do."""
        row0, row1, col0, col1 = window
        half = np.ascontiguousarray(
            self.still.ground[row0 // 2 : -(-row1 // 2), col0 // 2 : -(-col1 // 2)]
        )
        light = shade_of(half, *_edges(outlines), sunlit)
        fine = cv2.resize(light, (col1 - col0, row1 - row0), interpolation=cv2.INTER_LINEAR)
        grey = self.still.grey[row0:row1, col0:col1].copy()
        bare = self.still.bare[row0:row1, col0:col1]
        cv2.copyTo(cv2.multiply(grey, fine), bare, grey)
        return grey

    def _inner(self, window: Single, top: int, left: int, rows: int, cols: int) -> Single:
        a, b = max(top - 4, 0), max(left - 4, 0)
        return window[a : top + rows + 4, b : left + cols + 4]

    def frame(self, index: int) -> NDArray[np.uint8]:
        """The frame as the camera delivers it, 8-bit grey."""
        scenario = self.scenario
        time = float(scenario.frame_times(self.name)[index])
        picture = self.clean(time)
        draw_clouds(picture, clouds_at(self.scene.clouds, time), self.camera)
        if scenario.flash:
            self._flash(picture, time)
        if scenario.timing_light:
            self._blink(picture, time)
        if scenario.weave or scenario.shake:
            matrix = motion_matrix(self.motion[index], scenario.size)
            warped = cv2.warpAffine(
                picture,
                matrix,
                scenario.size,
                flags=cv2.INTER_LANCZOS4,
                borderMode=cv2.BORDER_REPLICATE,
            )
            picture = np.asarray(warped, dtype=np.float32)
        height, width = picture.shape
        start = self.rng.integers(0, len(self.bank) - width, size=height)
        return np.asarray(
            expose(picture, self.bank, start, scenario.read_noise, scenario.shot_noise)
        )

    def frames(self) -> Iterator[NDArray[np.uint8]]:
        """All frames in order."""
        for index in range(self.scenario.frames):
            yield self.frame(index)

    def flash_centre(self) -> Array:
        """Where the flash unit is seen (2,), px."""
        return np.asarray(self.camera.project(np.array([site.FLASH[self.name]]))[0])

    def flash_region(self) -> tuple[int, int, int, int]:
        """A region round the flash unit: first column, first row, width, height."""
        half = round(30 * self.scenario.size[0] / 1280)
        u, v = np.round(self.flash_centre()).astype(int)
        return int(u - half), int(v - half), 2 * half, 2 * half

    def light_region(self) -> tuple[int, int, int, int]:
        """A region within the timing light: first column, first row, width, height."""
        side = round(DRAWING.light_side * self.scenario.size[0] / 1280)
        return side // 4, side // 4, side // 2, side // 2

    def _blink(self, picture: Single, time: float) -> None:
        """Draw the timing light, lit in the first half of each period of its own clock."""
        scenario = self.scenario
        half, rate = scenario.exposure / 2, scenario.timing_light
        begin, end = ((time + s * half) * rate + DRAWING.light_phase for s in (-1, 1))
        lit = [np.floor(p) / 2 + min(p - np.floor(p), 0.5) for p in (begin, end)]
        side = round(DRAWING.light_side * scenario.size[0] / 1280)
        picture[:side, :side] = 35.0 + 150.0 * (lit[1] - lit[0]) / (end - begin)

    def _flash(self, picture: Single, time: float) -> None:
        """Add the light of the flash bulb, which begins at time zero within an exposure."""
        half = self.scenario.exposure / 2
        begin, end = max(0.0, time - half), max(0.0, time + half)
        energy = DRAWING.flash_time * (
            np.exp(-begin / DRAWING.flash_time) - np.exp(-end / DRAWING.flash_time)
        )
        strength = energy / self.scenario.exposure
        if strength <= 1e-3:
            return
        u, v = self.flash_centre()
        distance = self.camera.in_camera_axes(np.array([site.FLASH[self.name]]))[0, 2]
        core = DRAWING.flash_size * self.camera.lens.values[0] / distance
        reach = int(14 * core)
        row0, col0 = max(0, int(v) - reach), max(0, int(u) - reach)
        part = picture[row0 : int(v) + reach, col0 : int(u) + reach]
        rows = np.arange(row0, row0 + part.shape[0])[:, None] - v
        cols = np.arange(col0, col0 + part.shape[1])[None, :] - u
        r2 = (rows**2 + cols**2) / core**2
        part += (strength * (195 * np.exp(-r2 / 2) + 20 * np.exp(-r2 / 24))).astype(np.float32)
