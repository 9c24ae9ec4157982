"""A test small enough to be analysed while one waits: a car seen from above, filmed in memory.

The camera stands 10 m above the ground and looks straight down; the car's five marks lie 1.4 m
above the ground, its motion is known in closed form.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from tests.support.rendered_film import finished, ground, paint

SIZE, FOCAL, HEIGHT, ROOF = (480, 320), 360.0, 10.0, 1.4
FRAMES, RATE, ZERO = 44, 500.0, 12
SPEED, BRAKING = 14.0, 120.0  # m/s, m/s2 from time zero on
MARK, TARGET = 0.34, 0.5  # m
FIXED = {
    "g1": (-5.6, -3.2),
    "g2": (5.4, -3.4),
    "g3": (5.5, 3.3),
    "g4": (-5.3, 3.5),
    "g5": (0.2, 3.6),
}
CAR = {
    "roof1": (0.9, -0.6),
    "roof2": (0.9, 0.6),
    "roof3": (-0.8, 0.6),
    "roof4": (-0.8, -0.6),
    "roof5": (0.1, 0.05),
}


def place(frame: float) -> float:
    """Ground x of the car's origin, m."""
    t = (frame - ZERO) / RATE
    return float(-1.2 + SPEED * t - 0.5 * BRAKING * max(t, 0.0) ** 2)


def pixel(x: float, y: float, above: float = 0.0) -> tuple[float, float]:
    scale = FOCAL / (HEIGHT - above)
    return (SIZE[0] - 1) / 2 + scale * x, (SIZE[1] - 1) / 2 + scale * y


def marker(name: str, frame: float) -> tuple[float, float]:
    """Where a mark of the car is in the picture."""
    x, y = CAR[name]
    return pixel(place(frame) + x, y, ROOF)


def picture(frame: int) -> np.ndarray:
    """The grey picture (rows, columns) of a frame."""
    soil = ground(SIZE)
    for x, y in FIXED.values():
        paint(soil, "quadrant", np.array(pixel(x, y)), TARGET * FOCAL / HEIGHT, 0.2)
    for name in CAR:
        paint(soil, "quadrant", np.array(marker(name, frame)), MARK * FOCAL / (HEIGHT - ROOF), 0.1)
    return finished(soil, frame, noise=1.0)


def write_film(path: Path) -> None:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=Fraction(int(RATE)))
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.options = {"crf": "8", "preset": "veryfast", "g": "20"}
        stream.codec_context.color_range = 2
        for frame in range(FRAMES):
            grey = picture(frame)
            planes = np.concatenate([grey, np.full((SIZE[1] // 2, SIZE[0]), 128, np.uint8)])
            image = av.VideoFrame.from_ndarray(planes, format="yuv420p")
            image.pts, image.time_base, image.color_range = frame, 1 / Fraction(int(RATE)), 2
            container.mux(stream.encode(image))
        container.mux(stream.encode(None))


def record_text(picks: bool = True) -> str:
    """The record of the test; without picks nothing is pointed at."""
    lines = [
        "# Kept by hand: a small test from above.",
        "schema = 1",
        "[test]",
        'number = "S-1"',
        'title = "Small car from above"',
        'criteria = "mash2016"',
        'report_units = "si"',
        "[test.intended]",
        'speed = "50 km/h"',
        'angle = "0 deg"',
        "[vehicles.car]",
        'role = "striking"  # the only one',
        'mass = "1100 kg"',
        'cg = ["0 m", "0 m", "-0.6 m"]',
        "[vehicles.car.markers]",
    ]
    for name, (x, y) in CAR.items():
        lines.append(
            f'{name} = {{ at = ["{x} m", "{y} m", "-{ROOF} m"], pattern = "quadrant", '
            f'size = "{MARK} m" }}'
        )
    cx, cy = (SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2
    lines += [
        "[cameras.above]",
        'film = "above.mp4"',
        f'frame_rate = "{RATE:g} 1/s"',
        'exposure = "0.1 ms"',
        f'position = ["0 m", "0 m", "-{HEIGHT:g} m"]',
        f"lens = {{ camera_matrix = [[{FOCAL}, 0, {cx}], [0, {FOCAL}, {cy}], [0, 0, 1]] }}",
        "[cameras.above.survey]",
    ]
    for name, (x, y) in FIXED.items():
        u, v = pixel(x, y)
        pick = f"pixel = [{u + 1:.0f}, {v - 1:.0f}], " if picks else "pixel = [0, 0], "
        lines.append(
            f'{name} = {{ at = ["{x} m", "{y} m", "0 m"], {pick}pattern = "quadrant", '
            f'size = "{TARGET} m" }}'
        )
    if picks:
        lines.append("[cameras.above.picks]")
        for name in CAR:
            u, v = marker(name, 0)
            lines.append(f'"car.{name}" = {{ pixel = [{u + 1:.0f}, {v + 1:.0f}], frame = 0 }}')
    lines += ["[cameras.above.time]", f"zero = {ZERO}.0"]
    return "\n".join(lines) + "\n"


def write_small_test(folder: Path, picks: bool = True) -> Path:
    """The whole test; gives its record."""
    folder.mkdir(parents=True, exist_ok=True)
    write_film(folder / "above.mp4")
    record = folder / "record.toml"
    record.write_text(record_text(picks), encoding="utf-8")
    return record
