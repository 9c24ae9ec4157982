"""From the scene to the grey values of every frame of a film."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from calibration.camera import Array, Camera
from tracker.demo import raster, site
from tracker.demo.debris import clouds_at, draw_clouds
from tracker.demo.raster import Single
from tracker.demo.scenario import motion_matrix, picture_motion
from tracker.demo.scene import Moving, Scene, footprints, shadows

SAMPLES = ((0.125, 0.375), (-0.375, 0.125), (-0.125, -0.375), (0.375, -0.125))
"""Places of a pixel's samples off its centre, px; their mean is the centre."""
MOMENTS = (0.375, -0.125, 0.125, -0.375)
"""Their times off the middle of the exposure, in exposures."""
STILL_SAMPLES = 2  # squared: samples of a pixel of what stands still
NEAR = 4  # px added around what moves
FLASH_SIZE = 0.10  # m, standard deviation of the glow's core
FLASH_TIME = 0.055  # s, over which the bulb burns down

_fast = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")


@dataclass(frozen=True)
class Backdrop:
    """What stands still, before blur, with what the moving parts need."""

    grey: Single  # (height, width)
    depth: Single  # (height, width) along the line of sight, m
    ground: Single  # (height, width, 2) x, y of the ground seen there, m; 1e9 where it is not
    rays: tuple[Single, ...]  # one (height, width, 3) for each of `SAMPLES`


def boxes_of(camera: Camera, corners: Array) -> NDArray[np.int64]:
    """First and last row and column (faces, 4) that faces (faces, 4, 3) may cover."""
    width, height = camera.lens.size
    points = corners.reshape(-1, 3)
    with np.errstate(invalid="ignore"):
        seen = camera.project(points).reshape(-1, 4, 2)
    depth = camera.in_camera_axes(points)[:, 2].reshape(-1, 4)
    behind, ahead = depth.min(axis=1) < 0.5, depth.max(axis=1) > 0.5
    low, high = seen.min(axis=1) - NEAR, seen.max(axis=1) + NEAR
    bounds = np.column_stack([low[:, 1], high[:, 1], low[:, 0], high[:, 0]])
    whole = np.array([0, height - 1, 0, width - 1])
    bounds = np.where(behind[:, None], whole, bounds)
    bounds = np.where(ahead[:, None], bounds, [1, 0, 1, 0])
    limit = [height - 1, height - 1, width - 1, width - 1]
    return np.asarray(np.clip(bounds, -1, np.add(limit, 1)).astype(np.int64))


def backdrop(scene: Scene, camera: Camera) -> Backdrop:
    """Draw what stands still with four samples a pixel."""
    width, height = camera.lens.size
    origin, mesh = camera.position, scene.static
    corners = np.ascontiguousarray(mesh.corners)
    boxes = boxes_of(camera, corners)
    boxes[:, 0::2] = np.maximum(boxes[:, 0::2] - 10, 0)  # long edges bow through the lens
    boxes[:, 1::2] += 10
    boxes = np.minimum(boxes, [height - 1, height - 1, width - 1, width - 1])
    lens, pixel = camera.lens.values, 1 / camera.lens.values[0]
    total = np.zeros((height, width), dtype=np.float32)
    offsets = (np.arange(STILL_SAMPLES) + 0.5) / STILL_SAMPLES - 0.5
    grey, depth = np.empty_like(total), np.empty_like(total)
    for dv in offsets:
        for du in offsets:
            rays = raster.lens_rays(width, height, lens, camera.rotation, du, dv)
            foot = pixel
            site.shade_site(rays, origin, foot, depth, grey)
            raster.draw(
                rays,
                origin,
                corners,
                mesh.kinds,
                mesh.surfaces,
                boxes,
                site.SUN,
                foot,
                depth,
                grey,
                (0, 0),
            )
            total += grey
    middle = raster.lens_rays(width, height, lens, camera.rotation, 0.0, 0.0)
    ground = _ground_seen(middle, origin, depth)
    sampled = tuple(
        raster.lens_rays(width, height, lens, camera.rotation, *sample) for sample in SAMPLES
    )
    return Backdrop(total / np.float32(STILL_SAMPLES**2), depth, ground, sampled)


def _ground_seen(rays: Single, origin: Array, depth: Single) -> Single:
    with np.errstate(divide="ignore", invalid="ignore"):
        s = -origin[2] / rays[:, :, 2]
    bare = (s > 0) & (depth > s * 0.995 - 0.03) & (s < 80)
    ground = origin[:2] + np.where(bare, s, 0.0)[:, :, None] * rays[:, :, :2]
    return np.where(bare[:, :, None], ground, 1e9).astype(np.float32)


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


class Painter:
    """Makes the frames of one camera's film, one after another."""

    def __init__(self, scene: Scene, name: str) -> None:
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

    def window(self, moving: Moving, outlines: list[Array]) -> tuple[int, int, int, int]:
        """First and past-the-last row and column of all that moves or is shaded."""
        width, height = self.camera.lens.size
        flat = np.concatenate(outlines)
        ground = np.column_stack([flat, np.zeros(len(flat))])
        points = np.concatenate([moving.corners.reshape(-1, 3), ground])
        points = points[self.camera.in_camera_axes(points)[:, 2] > 0.5]
        seen = self.camera.project(points)
        margin = 40 * width // 1280
        low = np.clip(seen.min(axis=0) - margin, 0, [width - 1, height - 1]).astype(int)
        high = np.clip(seen.max(axis=0) + margin, low + 1, [width, height]).astype(int)
        return int(low[1]), int(high[1]), int(low[0]), int(high[0])

    def clean(self, time: float, exposure: float | None = None) -> Single:
        """The picture at a time without flash, dust, weave and noise; grey values."""
        exposure = self.scenario.exposure if exposure is None else exposure
        middle = self.scene.moving(time)
        sunlit = shadows(middle)
        outlines = sunlit + footprints(middle)
        row0, row1, col0, col1 = self.window(middle, outlines)
        ground = self._shaded((row0, row1, col0, col1), outlines, len(sunlit))
        total = np.zeros_like(ground)
        pixel = 1 / self.camera.lens.values[0]
        for rays, moment in zip(self.still.rays, MOMENTS, strict=True):
            moving = self.scene.moving(time + moment * exposure)
            grey, depth = ground.copy(), self.still.depth[row0:row1, col0:col1].copy()
            raster.draw(
                rays,
                self.camera.position,
                moving.corners,
                moving.kinds,
                moving.surfaces,
                boxes_of(self.camera, moving.corners),
                site.SUN,
                pixel,
                depth,
                grey,
                (row0, col0),
            )
            total += grey
        window = self.still.grey[max(row0 - 8, 0) : row1 + 8, max(col0 - 8, 0) : col1 + 8].copy()
        top, left = row0 - max(row0 - 8, 0), col0 - max(col0 - 8, 0)
        window[top : top + row1 - row0, left : left + col1 - col0] = total / 4
        picture = self.blurred.copy()
        picture[max(row0 - 4, 0) : row1 + 4, max(col0 - 4, 0) : col1 + 4] = self._inner(
            self._blur(window), top, left, row1 - row0, col1 - col0
        )
        return picture

    def _shaded(
        self, window: tuple[int, int, int, int], outlines: list[Array], sunlit: int
    ) -> Single:
        """The still picture in a window under the shadows, which are soft: half as fine will do."""
        row0, row1, col0, col1 = window
        ground = self.still.ground[row0:row1, col0:col1]
        light = shade_of(np.ascontiguousarray(ground[::2, ::2]), *_edges(outlines), sunlit)
        fine = cv2.resize(light, (col1 - col0, row1 - row0), interpolation=cv2.INTER_LINEAR)
        grey = self.still.grey[row0:row1, col0:col1]
        return np.where(ground[:, :, 0] < 1e8, grey * fine, grey)

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
        if scenario.weave or scenario.shake:
            matrix = motion_matrix(self.motion[index], scenario.size)
            moved = cv2.warpAffine(
                picture,
                matrix,
                scenario.size,
                flags=cv2.INTER_LANCZOS4,
                borderMode=cv2.BORDER_REPLICATE,
            )
            picture = np.asarray(moved, dtype=np.float32)
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

    def _flash(self, picture: Single, time: float) -> None:
        """Add the light of the flash bulb, which begins at time zero within an exposure."""
        half = self.scenario.exposure / 2
        begin, end = max(0.0, time - half), max(0.0, time + half)
        energy = FLASH_TIME * (np.exp(-begin / FLASH_TIME) - np.exp(-end / FLASH_TIME))
        strength = energy / self.scenario.exposure
        if strength <= 1e-3:
            return
        u, v = self.flash_centre()
        distance = self.camera.in_camera_axes(np.array([site.FLASH[self.name]]))[0, 2]
        core = FLASH_SIZE * self.camera.lens.values[0] / distance
        reach = int(14 * core)
        row0, col0 = max(0, int(v) - reach), max(0, int(u) - reach)
        part = picture[row0 : int(v) + reach, col0 : int(u) + reach]
        rows = np.arange(row0, row0 + part.shape[0])[:, None] - v
        cols = np.arange(col0, col0 + part.shape[1])[None, :] - u
        r2 = (rows**2 + cols**2) / core**2
        part += (strength * (195 * np.exp(-r2 / 2) + 20 * np.exp(-r2 / 24))).astype(np.float32)
