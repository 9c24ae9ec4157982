"""Coverage of the camera's pose and what is left of weave, over many rendered surveys.

Run by hand: python tests/bench/camera_coverage.py [draws] [given: the first two cases only]
"""

import sys
import time

import numpy as np

from calibration.arrays import Array
from calibration.camera import Camera, Lens
from calibration.image_motion.stabilise import stabilise_picture
from calibration.resection.pose import sightings
from calibration.resection.resect import resect
from tests.support.calibration_scenes import (
    FLAT,
    LENS,
    SIZE,
    TWO_PLANES,
    names,
    overhead,
    same_noise,
    side,
)


def coverage(
    title: str, camera: Camera, points: Array, lens: Lens | None, rough_u: float | None, draws: int
) -> None:
    rng = np.random.default_rng(2024)
    within, began = [], time.process_time()
    for _ in range(draws):
        rough = None
        if rough_u is not None:
            rough = camera.position + rough_u * rng.standard_normal(3)
        found = resect(
            sightings(
                names(points),
                points + 0.002 * rng.standard_normal(points.shape),
                camera.project(points) + 0.03 * rng.standard_normal((len(points), 2)),
                same_noise(points),
            ),
            size=SIZE,
            lens=lens,
            rough_position=rough,
        ).camera
        u = np.sqrt(np.diag(found.covariance))[[3, 4, 5, 6]]
        error = np.append(found.position - camera.position, found.lens.matrix[0, 0] - 1510)
        within.append(np.abs(error) <= 2 * u + 1e-12)
    share = 100 * np.mean(within, axis=0)
    spent = 1e3 * (time.process_time() - began) / draws
    print(
        f"{title}: within 2 u: x y z f {share.round(1)} %"
        f"  (last u {u.round(4)})  {spent:.0f} ms each"
    )


def weave(amplitude: tuple[float, ...], draws: int) -> None:
    """Six targets with 0.02 px noise, one in ten hidden, 300 frames."""
    rng = np.random.default_rng(7)
    left = []
    for _ in range(draws):
        middle = np.array([639.5, 511.5])
        places = rng.uniform([60, 60], [1220, 960], (6, 2))
        motion = rng.standard_normal((300, 4)) * amplitude
        motion -= motion.mean(axis=0)

        def seen(where: Array, motion: Array = motion, middle: Array = middle) -> Array:
            z = np.exp(motion[:, 3] + 1j * motion[:, 2])[:, None] * ((where - middle) @ [1, 1j])
            z = z + (motion[:, 0] + 1j * motion[:, 1])[:, None]
            return np.asarray(np.stack([z.real, z.imag], axis=-1) + middle)

        position = seen(places) + 0.02 * rng.standard_normal((300, 6, 2))
        position[rng.random((300, 6)) < 0.1] = np.nan
        covariance = np.tile(0.02**2 * np.eye(2), (300, 6, 1, 1))
        found = stabilise_picture(list("abcdef"), position, covariance, size=SIZE)
        anywhere = rng.uniform([0, 0], SIZE, (30, 2))
        pictured = seen(anywhere)
        steady = [found.stabilised_pixels(np.arange(300), pictured[:, i]) for i in range(30)]
        left.append(np.sqrt(np.mean((steady - np.mean(steady, axis=1, keepdims=True)) ** 2)))
    print(f"weave {amplitude}: left {np.mean(left):.4f} px rms anywhere in the picture")


if __name__ == "__main__":
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    coverage("overhead, flat, lens given", overhead(), FLAT, LENS, None, draws)
    coverage("side, two planes, lens given", side(), TWO_PLANES, LENS, None, draws)
    if "given" in sys.argv:
        sys.exit()
    coverage("side, two planes, lens open", side(), TWO_PLANES, None, None, draws)
    coverage("overhead, flat, lens open, position 0.5 m", overhead(), FLAT, None, 0.5, draws)
    for amplitude in ((1, 1, 0, 0), (1, 1, 5e-4, 3e-4), (0, 0, 0, 0)):
        weave(amplitude, max(1, draws // 40))
