"""Building bodies out of plane faces, with painted marks stuck onto them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.demo import surfaces
from tracker.demo.raster import Single

Point = tuple[float, float, float]


@dataclass(frozen=True)
class Painted:
    """A painted target of a body or of the site, as it truly is."""

    name: str
    pattern: str
    size: float  # m, outer diameter or side
    at: Point  # m, true place in the body's axes
    normal: Point  # outward


@dataclass(frozen=True)
class Surface:
    """How a face looks: its kind and parameters, see `tracker.demo.raster.PARAMETERS`."""

    kind: int = surfaces.PLAIN
    light: float = 0.5
    dark: float = 0.1
    ground: float = 0.5
    size: float = 0.0
    shape: float = 0.0
    seam: float = 0.0
    seam_width: float = 0.008
    gradient: float = 0.0
    bias: float = 0.0
    count: float = 0.0

    @property
    def row(self) -> list[float]:
        """The parameters in the order that `tracker.demo.raster` reads."""
        return [
            self.light,
            self.dark,
            self.ground,
            self.size,
            self.shape,
            self.seam,
            self.seam_width,
            self.gradient,
            self.bias,
            self.count,
        ]


@dataclass(frozen=True)
class Mesh:
    """A finished body: faces that a few shape values deform."""

    corners: Array  # (faces, 4, 3) m, body axes
    change: Array  # (faces, 4, 3, values) m per unit of each shape value
    kinds: NDArray[np.int64]  # (faces,)
    surfaces: Single  # (faces, PARAMETERS)
    marks: tuple[Painted, ...]

    def corners_of_shape(self, values: Array) -> Array:
        """Corners (faces, 4, 3) in body axes at these shape values."""
        return self.corners + self.change @ values


@dataclass
class Builder:
    """Collects faces and marks; `built` holds the shape values at which faces are oriented."""

    built: Array = field(default_factory=lambda: np.zeros(0))
    corners: list[Array] = field(default_factory=list)
    change: list[Array] = field(default_factory=list)
    surfaces: list[Surface] = field(default_factory=list)
    marks: list[Painted] = field(default_factory=list)

    def face(
        self,
        corners: Sequence[Sequence[float]] | Array,
        surface: Surface,
        outward: Sequence[float] | Array,
        change: Array | None = None,
    ) -> None:
        """Add a convex face of four corners, turned to face `outward`, split if it is not plane."""
        c = np.asarray(corners, dtype=np.float64)
        d = np.zeros((4, 3, len(self.built))) if change is None else change
        shown = c + d @ self.built
        normal = np.cross(shown[1] - shown[0], shown[2] - shown[0])
        if normal @ np.asarray(outward) < 0:
            order = [1, 0, 3, 2]
            c, d, shown, normal = c[order], d[order], shown[order], -normal
        twist = abs((shown[3] - shown[0]) @ normal) / np.linalg.norm(normal)
        if twist > 1e-3:
            for half in ([0, 1, 2, 2], [0, 2, 3, 3]):
                self._add(c[half], d[half], surface)
        else:
            self._add(c, d, surface)

    def _add(self, corners: Array, change: Array, surface: Surface) -> None:
        self.corners.append(corners)
        self.change.append(change)
        self.surfaces.append(surface)

    def box(
        self, low: Sequence[float], high: Sequence[float], surface: Surface, sides: str = "xXyYzZ"
    ) -> None:
        """A box between two corners; `sides` names those drawn, capitals the greater end."""
        for axis, letter in enumerate("xyz"):
            u, v = [i for i in range(3) if i != axis]
            for end, name in ((low, letter), (high, letter.upper())):
                if name not in sides:
                    continue
                quad = np.empty((4, 3))
                quad[:, axis] = end[axis]
                quad[:, u] = [low[u], high[u], high[u], low[u]]
                quad[:, v] = [low[v], low[v], high[v], high[v]]
                outward = np.zeros(3)
                outward[axis] = 1.0 if name.isupper() else -1.0
                self.face(quad, surface, outward)

    def plate(
        self, centre: Point, normal: Point, along: Point, size: tuple[float, float], look: Surface
    ) -> None:
        """A flat rectangle round `centre`; its first side lies along the direction `along`."""
        n = np.asarray(normal) / np.linalg.norm(normal)
        e1 = np.asarray(along) - n * (n @ np.asarray(along))
        e1 = e1 / np.linalg.norm(e1)
        e2 = np.cross(n, e1)
        a, b = size[0] / 2, size[1] / 2
        quad = [
            np.asarray(centre) + i * a * e1 + j * b * e2
            for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1))
        ]
        self.face(np.array(quad), look, n)

    def mark(
        self,
        name: str,
        pattern: str,
        size: float,
        centre: Point,
        normal: Point,
        along: Point,
        dark_on_light: bool = True,
        square: bool = False,
    ) -> None:
        """Paint a target on a plate of its own ground colour."""
        black, white = 0.045, 0.78
        light, dark = (white, black) if dark_on_light else (black, white)
        if pattern in ("quadrant", "hourglass"):
            light, dark, ground = white, black, 0.42
            square = square or pattern == "hourglass"
        else:
            ground = light
        look = Surface(
            surfaces.PATTERNS[pattern],
            light=light,
            dark=dark,
            ground=ground,
            size=size,
            shape=float(square),
            bias=0.012,
            count=np.radians(90.0),
        )
        side = size if square else 1.45 * size
        self.plate(centre, normal, along, (side, side), look)
        self.marks.append(Painted(name, pattern, size, centre, normal))

    def stick(
        self,
        name: str,
        pattern: str,
        size: float,
        seen: tuple[float, float],
        towards: Point,
        **look: bool,
    ) -> None:
        """Paint a target where a line along `towards` (an axis) first meets the body.

        `seen` holds the two coordinates that the line keeps.
        """
        axis = int(np.argmax(np.abs(towards)))
        start = np.insert(np.asarray(seen, dtype=float), axis, -20.0 * np.sign(towards[axis]))
        direction = np.asarray(towards, dtype=float)
        best, normal = np.inf, np.zeros(3)
        for corners, surface in zip(self.corners, self.surfaces, strict=True):
            if surface.kind >= surfaces.DISC or surface.bias:
                continue
            n = np.cross(corners[1] - corners[0], corners[2] - corners[0])
            facing = n @ direction
            if facing >= -1e-9:
                continue
            s = n @ (corners[0] - start) / facing
            hit = start + s * direction
            around = [
                np.cross(corners[(i + 1) % 4] - corners[i], hit - corners[i]) @ n for i in range(4)
            ]
            if min(around) >= -1e-9 and s < best:
                best, normal = s, n / np.linalg.norm(n)
        if not np.isfinite(best):
            raise ValueError(f"the mark {name} misses the body")
        x, y, z = (start + best * direction).tolist()
        nx, ny, nz = normal.tolist()
        along = (1.0, 0.0, 0.0) if axis else (0.0, 1.0, 0.0)
        self.mark(name, pattern, size, (x, y, z), (nx, ny, nz), along, **look)

    def build(self) -> Mesh:
        """The body as arrays."""
        return Mesh(
            np.array(self.corners),
            np.array(self.change).reshape(len(self.corners), 4, 3, len(self.built)),
            np.array([s.kind for s in self.surfaces], dtype=np.int64),
            np.array([s.row for s in self.surfaces], dtype=np.float32),
            tuple(self.marks),
        )
