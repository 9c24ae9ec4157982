"""Where the cameras truly see the painted targets, and whether they can see them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.camera import Camera
from tracker.core.types import MarkId
from tracker.demo import raster
from tracker.demo.mesh import Mesh, Painted
from tracker.demo.options import DRAWING
from tracker.demo.scenario import moved_pixels, picture_motion
from tracker.demo.scene import Moving, Staged, marks_of


@dataclass(frozen=True)
class TrueTracks:
    """Pixels (frames, marks, 2) of all targets and whether each is visible (frames, marks)."""

    camera: str
    time: Array  # (frames,) s
    marks: dict[MarkId, Painted]
    pixels: Array
    visible_mask: NDArray[np.bool_]

    @property
    def sighted_marks(self) -> list[MarkId]:
        """Names of the targets that the camera sees for a fifth of the film or longer."""
        often = self.visible_mask.mean(axis=0) > 0.2
        return [name for name, is_often in zip(self.marks, often, strict=True) if is_often]


def true_tracks(scene: Staged, name: str) -> TrueTracks:
    """The true tracks of a camera at the middle of each exposure, weave included."""
    scenario, camera = scene.scenario, scene.scenario.camera(name)
    marks = marks_of(scene)
    time = scenario.frame_times(name)
    motion = picture_motion(scenario, name)
    still = scene.static
    still_faces = _faces(still, camera)
    pixels = np.empty((len(time), len(marks), 2))
    visible = np.empty((len(time), len(marks)), dtype=bool)
    size = np.array([m.size for m in marks.values()])
    for i, t in enumerate(time):
        points, normals = scene.place_targets(marks, float(t))
        with np.errstate(invalid="ignore"):
            pixels[i] = moved_pixels(camera.project(points), motion[i], scenario.size)
        sight = points - camera.position
        depth = camera.in_camera_axes(points)[:, 2]
        upright = -(sight * normals).sum(axis=1) / np.linalg.norm(sight, axis=1) > DRAWING.grazing
        half = 0.75 * size * camera.lens.values[0] / depth
        inside = (pixels[i] > half[:, None]) & (
            pixels[i] < np.array(scenario.size) - 1 - half[:, None]
        )
        moving = scene.moving(float(t))
        clear = np.ones(len(marks), dtype=bool)
        for bodies in (_faces(moving, camera), still_faces):
            clear &= raster.sighted_mask(camera.position, points, normals, bodies)
        visible[i] = upright & inside.all(axis=1) & (depth > 0) & clear
    return TrueTracks(name, time, marks, pixels, visible)


def _faces(bodies: Mesh | Moving, camera: Camera) -> raster.Faces:
    """Those faces that show their front to the camera."""
    counts = bodies.surfaces[None, :, raster.COUNT]
    return raster.front_faces(
        bodies.corners[None], counts, bodies.kinds, bodies.surfaces, camera.position
    )
