"""What a demonstration test is made of: every choice that a validation may want to vary."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike

from calibration.arrays import Array
from calibration.camera import Camera, Lens

MILE_PER_HOUR = 0.44704  # m/s, exact
REFERENCE_WIDTH = 1280  # px, the picture width for which the focal lengths below hold


@dataclass(frozen=True)
class CameraView:
    """Where a camera stands and what it looks at, ground axes, m."""

    position: tuple[float, float, float]
    target: tuple[float, float, float]
    up: tuple[float, float, float]
    focal: float  # px at `REFERENCE_WIDTH`
    distortion: tuple[float, float, float, float, float]
    centre: tuple[float, float]  # principal point off the picture's middle, px at the same width
    zero_frame: float  # what is added to the frame of time zero: cameras run out of step


OVERHEAD = CameraView(
    position=(1.02, 0.21, -12.94),
    target=(1.10, 0.05, 0.0),
    up=(0.012, -1.0, 0.0),
    focal=1152.0,
    distortion=(-0.118, 0.021, 0.0004, -0.0003, 0.0),
    centre=(6.3, -4.8),
    zero_frame=0.043,
)
SIDE = CameraView(
    position=(1.35, 16.2, -1.62),
    target=(1.45, 0.0, -1.55),
    up=(0.004, 0.0, -1.0),
    focal=1356.0,
    distortion=(-0.094, 0.016, -0.0003, 0.0005, 0.0),
    centre=(-7.2, 5.4),
    zero_frame=-0.032,
)


@dataclass(frozen=True)
class Sensor:
    """The car's accelerometer and its errors."""

    rate: float = 10_000.0  # 1/s
    before: float = 0.2  # s
    after: float = 0.5  # s
    bias: tuple[float, float, float] = (0.11, -0.06, 0.08)  # g
    scale: tuple[float, float, float] = (1.004, 0.997, 1.002)
    noise: float = 0.25  # g, each sample
    ringing: float = 1.0  # share of the car body's vibration that is let through
    shift: float = 0.0  # s, by which the recorder's clock is late


@dataclass(frozen=True)
class Scenario:
    """One invented test. SI units and radians; ground axes.

    The defaults are a small car that meets a crush cushion on the back of a parked, braked work
    truck head-on.
    """

    seed: int = 20
    speed: float = 62.3 * MILE_PER_HOUR  # m/s, of the car at time zero
    angle: float = 0.0  # rad, between the car's path and ground x
    offset: float = 0.08  # m, lateral, of the car's cg at time zero, + to the right
    car_mass: float = 1093.0  # kg
    truck_mass: float = 8940.0  # kg
    brake: float = 0.2  # braking force of the truck over its weight
    stiffness: float = 1.0  # multiplies the cushion's force
    size: tuple[int, int] = (1280, 1024)  # px
    frame_rate: float = 1000.0  # 1/s
    exposure: float = 0.2e-3  # s
    before: float = 0.07  # s of film before time zero
    after: float = 0.33  # s of film after it
    views: dict[str, CameraView] = field(
        default_factory=lambda: {"overhead": OVERHEAD, "side": SIDE}
    )
    mark_scale: float = 1.0  # multiplies the size of all painted targets
    read_noise: float = 2.2  # grey values
    shot_noise: float = 0.16  # grey values per square root of a grey value
    psf: float = 0.7  # px, standard deviation of the lens' point spread
    weave: float = 0.0  # px, standard deviation of a picture's shift from frame to frame
    weave_turns: bool = True  # the weave turns the picture and changes its scale, too
    shake: float = 0.0  # px, amplitude of the camera's swinging after the impact
    drift: float = 0.0  # by this share the film's running speed rises from first to last frame
    timing_light: float = 0.0  # 1/s, of a light that blinks in a corner of the picture; 0: none
    flash: bool = True
    dust: bool = True  # and flying pieces
    lens_in_record: bool = True
    ground_u: float = 2e-3  # m, error of the survey of fixed targets
    marker_u: float = 1e-3  # m, error of the survey of vehicle markers
    pick_error: float = 2.5  # px, largest error of the rough picks
    crf: int = 19  # quality of the movie: less is better
    sensor: Sensor = Sensor()

    @property
    def frames(self) -> int:
        """Number of frames of each film."""
        return round((self.before + self.after) * self.frame_rate)

    def zero_frame(self, camera: str) -> float:
        """The frame number, with fraction, of time zero in a camera's film."""
        return round(self.before * self.frame_rate) + self.views[camera].zero_frame

    def frame_times(self, camera: str) -> Array:
        """Middle of the exposure of every frame (frames,), s."""
        ran, zero = self._ran(np.arange(self.frames)), self._ran(self.zero_frame(camera))
        return np.asarray(ran - zero)

    def _ran(self, frame: ArrayLike) -> Array:
        """Time (s) from the film's middle to a frame, by a speed that rises in proportion."""
        middle = np.asarray(frame, dtype=np.float64) - self.frames / 2
        if not self.drift:
            return np.asarray(middle / self.frame_rate)
        growth = self.drift / self.frames
        return np.asarray(np.log1p(growth * middle) / growth / self.frame_rate)

    def camera(self, name: str) -> Camera:
        """The true camera."""
        view = self.views[name]
        width, height = self.size
        scale = width / REFERENCE_WIDTH
        f = view.focal * scale
        cx = (width - 1) / 2 + view.centre[0] * scale
        cy = (height - 1) / 2 + view.centre[1] * scale
        lens = Lens(
            matrix=np.array([[f, 0.0, cx], [0.0, f, cy], [0.0, 0.0, 1.0]]),
            distortion=np.array(view.distortion),
            size=self.size,
        )
        return Camera(lens, looking(view.position, view.target, view.up), np.array(view.position))

    @classmethod
    def quick(cls, **changes: object) -> Scenario:
        """A small, short film for tests: a quarter of the pixels and fewer frames."""
        small = cls(size=(640, 512), frame_rate=500.0, before=0.03, after=0.15, mark_scale=1.4)
        return replace(small, **changes)  # type: ignore[arg-type]


def looking(
    position: tuple[float, float, float],
    target: tuple[float, float, float],
    up: tuple[float, float, float],
) -> Array:
    """Rotation (3, 3) to camera axes of a camera at `position` that looks at `target`."""
    sight = np.subtract(target, position)
    sight = sight / np.linalg.norm(sight)
    down = -np.asarray(up) + sight * (sight @ np.asarray(up))
    down = down / np.linalg.norm(down)
    return np.array([np.cross(down, sight), down, sight])


def picture_motion(scenario: Scenario, camera: str) -> Array:
    """Film weave and camera shake, (frames, 4): shift du, dv (px), turn (rad) and ln scale about
    the picture's middle by which each frame is seen displaced.
    """
    n = scenario.frames
    motion = np.zeros((n, 4))
    names = sorted(scenario.views)
    rng = np.random.default_rng([scenario.seed, 5, names.index(camera)])
    if scenario.weave:
        wander = cv2.GaussianBlur(rng.normal(size=(n, 4)), (1, 0), sigmaX=1e-3, sigmaY=2.0)
        wander = wander / wander.std(axis=0) * scenario.weave
        jump = rng.normal(size=(n, 4)) * scenario.weave * 0.3
        turns = float(scenario.weave_turns) / scenario.size[0]
        motion += (wander + jump) * [1.0, 1.0, turns, 0.3 * turns]
    if scenario.shake:
        t = scenario.frame_times(camera)
        after = np.clip(t - 0.012, 0.0, None)  # the ground carries the blow to the camera
        swing = scenario.shake * np.exp(-after / 0.12) * (after > 0)
        motion[:, 0] += swing * np.sin(2 * np.pi * 11.0 * after)
        motion[:, 1] += 0.7 * swing * np.sin(2 * np.pi * 17.0 * after)
        motion[:, 2] += 0.8 * swing / scenario.size[0] * np.sin(2 * np.pi * 13.0 * after)
    return motion


def moved_pixels(pixels: Array, motion: Array, size: tuple[int, int]) -> Array:
    """Pixels (..., 2) after a picture's motion (4,) about its middle."""
    matrix = motion_matrix(motion, size)
    return np.asarray(pixels @ matrix[:, :2].T + matrix[:, 2])


def motion_matrix(motion: Array, size: tuple[int, int]) -> Array:
    """The (2, 3) affine matrix of a picture's motion (4,) about its middle."""
    du, dv, turn, growth = motion
    centre = (np.array(size) - 1) / 2
    grow = np.exp(growth)
    c, s = grow * np.cos(turn), grow * np.sin(turn)
    linear = np.array([[c, -s], [s, c]])
    return np.column_stack([linear, centre - linear @ centre + [du, dv]])
