"""What the roadside demonstrations are made of."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tracker.demo.scenario import CameraView, Scenario

VEHICLE, ARTICLE = "pickup", "article"
FACE = 1.5
"""m; y of the rail's undeformed traffic face."""
WIDTH = 0.30
"""m; of rail and post together, square to the face."""
POSTS = (0.0, 2.0, 4.0, 6.0, 8.0)
"""m; x of the posts."""
BREAKS = 2
"""Number of the post that breaks, from 0."""
RAIL = (-4.0, 12.0)
"""m; x of the rail's ends."""

OVERHEAD = CameraView(
    position=(5.1, 0.2, -15.2),
    target=(5.3, 0.0, 0.0),
    up=(0.010, -1.0, 0.0),
    focal=1130.0,
    distortion=(-0.110, 0.020, 0.0003, -0.0002, 0.0),
    centre=(5.1, -3.8),
    zero_frame=0.043,
)
SIDE = CameraView(
    position=(9.4, -21.5, -3.2),
    target=(10.3, 0.0, -0.7),
    up=(0.004, 0.0, -1.0),
    focal=1420.0,
    distortion=(-0.085, 0.014, -0.0003, 0.0004, 0.0),
    centre=(-6.2, 4.4),
    zero_frame=-0.032,
)
DOWNSTREAM = CameraView(
    position=(33.0, -2.4, -7.6),
    target=(6.0, -0.2, -0.6),
    up=(0.0, 0.006, -1.0),
    focal=2900.0,
    distortion=(-0.060, 0.010, 0.0002, 0.0003, 0.0),
    centre=(3.2, 2.4),
    zero_frame=0.210,
)


@dataclass(frozen=True)
class RoadsideScenario(Scenario):
    """A pickup that meets a rail on five posts at 25 degrees. Ground x runs along the rail."""

    speed: float = 27.9  # m/s
    angle: float = float(np.radians(25.2))
    offset: float = 0.0
    vehicle_mass: float = 2268.0  # kg
    size: tuple[int, int] = (800, 640)
    frame_rate: float = 400.0
    exposure: float = 0.25e-3
    before: float = 0.05
    after: float = 1.06
    views: dict[str, CameraView] = field(
        default_factory=lambda: {"overhead": OVERHEAD, "side": SIDE, "downstream": DOWNSTREAM}
    )
    mark_scale: float = 1.0
    flash: bool = False
    dust: bool = False


POLE_Y, POLE_HEIGHT, POLE_SIDE = 0.30, 4.6, 0.20
"""m; where the pole stands across the path, how high it is and how thick. Its face is at x = 0."""

POLE_OVERHEAD = CameraView(
    position=(2.7, -1.6, -13.6),
    target=(2.6, 0.0, 0.0),
    up=(0.010, -1.0, 0.0),
    focal=1130.0,
    distortion=(-0.110, 0.020, 0.0003, -0.0002, 0.0),
    centre=(5.1, -3.8),
    zero_frame=0.043,
)
POLE_SIDE_VIEW = CameraView(
    position=(2.9, 15.8, -2.3),
    target=(2.6, 0.0, -1.5),
    up=(0.004, 0.0, -1.0),
    focal=1330.0,
    distortion=(-0.085, 0.014, -0.0003, 0.0004, 0.0),
    centre=(-6.2, 4.4),
    zero_frame=-0.032,
)
POLE_DOWNSTREAM = CameraView(
    position=(16.4, 13.6, -4.4),
    target=(14.2, 0.0, -0.5),
    up=(0.0, 0.006, -1.0),
    focal=1180.0,
    distortion=(-0.075, 0.012, 0.0002, 0.0003, 0.0),
    centre=(3.2, 2.4),
    zero_frame=0.210,
)


@dataclass(frozen=True)
class PoleScenario(Scenario):
    """A small car that meets a breakaway pole head-on, off its middle. The third camera sees it
    after the two others have lost it.
    """

    speed: float = 27.75  # m/s
    offset: float = 0.0
    size: tuple[int, int] = (800, 640)
    frame_rate: float = 500.0
    before: float = 0.05
    after: float = 0.64
    views: dict[str, CameraView] = field(
        default_factory=lambda: {
            "overhead": POLE_OVERHEAD,
            "side": POLE_SIDE_VIEW,
            "downstream": POLE_DOWNSTREAM,
        }
    )
    flash: bool = False
    dust: bool = False
