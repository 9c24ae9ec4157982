"""Films of marks on bodies in known motion, drawn through cameras of known pose; records of them.

Each mark is a flat disc, plain or of four sectors, whose outline is projected point by point and
filled by area sampling: no formula is shared with the fits. Targets stand on the ground.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from calibration.camera import Camera
from tests.support.rendered_film import film_of, finished, ground
from tracker.core.rigid_body import rotation
from tracker.film import Film
from tracker.record.load import load_record
from tracker.record.schema import Record

FINE = 8
"""Samples a pixel side."""
TARGETS = {
    "g1": ((-4.2, -1.9, 0.0), "z"),
    "g2": ((-1.6, 2.4, 0.0), "z"),
    "g3": ((1.5, -2.1, 0.0), "z"),
    "g4": ((3.7, 2.3, 0.0), "z"),
    "g5": ((-3.9, 2.2, 0.0), "z"),
    "g6": ((3.9, -1.8, 0.0), "z"),
    "b1": ((-2.9, 2.6, -0.6), "y"),
    "b2": ((-1.0, 3.0, -2.2), "y"),
    "b3": ((1.2, 2.5, -1.9), "y"),
    "b4": ((2.9, 2.8, -0.7), "y"),
    "b5": ((-2.4, -1.6, -0.25), "y"),
    "b6": ((2.6, -1.5, -0.25), "y"),
}
"""Place, m, and the axis that it faces along: flat on the ground, or on boards."""
RADIUS = 0.11
"""m, of every mark; targets have twice as much."""
AXES = {"x": (1, 2), "y": (0, 2), "z": (0, 1)}
"""The two axes in whose plane a mark lies, by the axis that it faces along."""


@dataclass(frozen=True)
class Spot:
    """A mark in the axes of its body."""

    at: tuple[float, float, float]
    faces: str  # "x", "y" or "z"
    pattern: str = "quadrant"


@dataclass(frozen=True)
class Body:
    """What carries marks: its origin (frames, 3) and its turn (frames, 3, 3), ground axes."""

    spots: Mapping[str, Spot]
    origin: np.ndarray
    turn: np.ndarray


def body_of(states: np.ndarray, cg: tuple[float, float, float], spots: Mapping[str, Spot]) -> Body:
    """A vehicle in these states (frames, 15), marks from the origin of its axes."""
    turn = rotation(states[:, 3:6])
    return Body(spots, states[:, :3] - turn @ np.array(cg), turn)


def drawn_film(camera: Camera, bodies: Mapping[str, Body], marks: tuple[str, ...]) -> Film:
    """The film of a camera that sees these `marks` ("body.mark") and all targets."""
    size = camera.lens.size
    back = ground(size)
    for at, faces in seen_targets(camera).values():
        across = 2 * RADIUS * np.eye(3)[list(AXES[faces])]
        _fill(back, camera, np.array(at), across, "quadrant")
    frames = len(next(iter(bodies.values())).origin)

    def picture(frame: int) -> np.ndarray:
        grey = back.copy()
        for mark in marks:
            name, spot = mark.split(".")
            body = bodies[name]
            turn, origin, here = body.turn[frame], body.origin[frame], body.spots[spot]
            if not _is_turned_to(camera, turn, origin, here):
                continue
            across = RADIUS * turn[:, list(AXES[here.faces])].T
            _fill(grey, camera, origin + turn @ np.array(here.at), across, here.pattern)
        return finished(grey, frame, noise=1.0)

    return film_of(picture, frames)


def _is_turned_to(camera: Camera, turn: np.ndarray, origin: np.ndarray, spot: Spot) -> bool:
    """Whether a mark faces the camera: outwards, more than edge on."""
    axis = "xyz".index(spot.faces)
    outwards = turn[:, axis] * np.sign(spot.at[axis])
    towards = camera.position - (origin + turn @ np.array(spot.at))
    return bool(outwards @ towards > 0.3 * np.linalg.norm(towards))


def seen_targets(camera: Camera) -> dict[str, tuple[tuple[float, float, float], str]]:
    """Targets inside the picture that face the camera more than edge on."""
    found = {}
    for name, (at, faces) in TARGETS.items():
        u, v = camera.project(np.array([at]))[0]
        width, height = camera.lens.size
        towards = camera.position - at
        squarely = abs(towards["xyz".index(faces)]) / np.linalg.norm(towards)
        if 40 < u < width - 40 and 40 < v < height - 40 and squarely > 0.4:
            found[name] = at, faces
    return found


def pixel_of(camera: Camera, bodies: Mapping[str, Body], mark: str, frame: int) -> np.ndarray:
    """Where a mark is in a frame, px."""
    name, spot = mark.split(".")
    body = bodies[name]
    place = body.origin[frame] + body.turn[frame] @ np.array(body.spots[spot].at)
    return np.asarray(camera.project(place[None])[0])


def _fill(
    grey: np.ndarray, camera: Camera, centre: np.ndarray, across: np.ndarray, pattern: str
) -> None:
    """Fill the disc spanned by two half axes (2, 3), m: light, or light and dark by quarters."""
    angle = np.arange(96) * 2 * np.pi / 96
    rim = centre + np.cos(angle)[:, None] * across[0] + np.sin(angle)[:, None] * across[1]
    outline, middle = camera.project(rim), camera.project(centre[None])
    low = np.floor(outline.min(axis=0)).astype(int) - 2
    high = np.ceil(outline.max(axis=0)).astype(int) + 3
    if (low < 0).any() or high[0] > grey.shape[1] or high[1] > grey.shape[0]:
        return
    parts = [(outline, 210.0)]
    if pattern == "quadrant":
        quarters = [outline[k * 24 : k * 24 + 25] for k in range(3)]
        quarters.append(np.vstack([outline[72:], outline[:1]]))
        parts = [(np.vstack([middle, q]), 210.0 if k % 2 else 20.0) for k, q in enumerate(quarters)]
    columns, rows = high - low
    patch = grey[low[1] : high[1], low[0] : high[0]]
    fine = np.kron(patch, np.ones((FINE, FINE)))
    for polygon, level in parts:
        at = (polygon - low + 0.5) * FINE - 0.5
        cv2.fillPoly(fine, [np.rint(at * 16).astype(np.int32)], level, cv2.LINE_8, 4)
    patch[:] = fine.reshape(rows, FINE, columns, FINE).mean(axis=(1, 3))


def drawn_record(
    folder: Path,
    tables: str,
    cameras: Mapping[str, tuple[Camera, tuple[str, ...]]],
    bodies: Mapping[str, Body],
    rate: float,
    zero: int,
) -> Record:
    """The record: `tables` of test and vehicles as text, markers, targets and picks from here."""
    lines = ["schema = 1", "[test]", 'number = "D-1"', 'report_units = "si"', tables]
    for name, body in bodies.items():
        lines.append(f"[vehicles.{name}.markers]")
        for mark, spot in body.spots.items():
            at = ", ".join(f'"{x} m"' for x in spot.at)
            lines.append(
                f'{mark} = {{ at = [{at}], pattern = "{spot.pattern}", size = "{2 * RADIUS} m" }}'
            )
    for name, (camera, marks) in cameras.items():
        (folder / f"{name}.mp4").write_bytes(b"never read")
        place = ", ".join(f'"{x} m"' for x in camera.position)
        matrix, bent = camera.lens.matrix.tolist(), camera.lens.distortion.tolist()
        lines += [
            f"[cameras.{name}]",
            f'film = "{name}.mp4"',
            f'frame_rate = "{rate} 1/s"',
            'exposure = "0.02 ms"',
            f"position = [{place}]",
            f"lens = {{ camera_matrix = {matrix}, distortion = {bent} }}",
            f"[cameras.{name}.survey]",
        ]
        for target, (at, _) in seen_targets(camera).items():
            u, v = np.rint(camera.project(np.array([at]))[0]).astype(int)
            text = ", ".join(f'"{x} m"' for x in at)
            lines.append(
                f"{target} = {{ at = [{text}], pixel = [{u}, {v}], "
                f'pattern = "quadrant", size = "{4 * RADIUS} m" }}'
            )
        lines.append(f"[cameras.{name}.picks]")
        for mark in marks:
            u, v = np.rint(pixel_of(camera, bodies, mark, 0)).astype(int)
            lines.append(f'"{mark}" = {{ pixel = [{u}, {v}], frame = 0 }}')
        lines += [f"[cameras.{name}.time]", f"zero = {zero}.0"]
    path = folder / "record.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return load_record(path)


def opening_of(films: Mapping[str, Film]) -> Callable[..., Film]:
    """What opens the film of a camera by the name of its file, at the stated rate."""

    def opened(path: str, *, frame_rate: float, **_: object) -> Film:
        return replace(films[Path(path).stem], rate=frame_rate)

    return opened
