"""Marks in bad pictures, and patches over a long film. Run by hand.

    python tests/bench/marks_disturbed.py [DRAWS] [FRAMES] [FILMS]

Rendered 20 px marks, contrast 120, noise 4, in each of the ways below: rms error of x and y, its
ratio to the bound of the same view undisturbed (motion: of the blurred view), mean square of the
errors over their covariance, share measured, and positions over 5 claimed standard deviations.
Then FILMS films of a textured patch that turns by 30 degrees and grows by 20 % over FRAMES frames,
beside cv2.calcOpticalFlowPyrLK (frame to frame) and cv2.findTransformECC (affine, to the first).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise

import av
import cv2
import numpy as np

from tests.support import marks_scene as scene
from tracker.marks import Picture, locate_mark, measure_marks

SIZE, NOISE, CONTRAST, DARK, SIDE = 20, 4.0, 120.0, 60.0, 46
PATTERNS = ("quadrant", "disc", "ring", "cross")
PATCH = 31.0
Array = scene.Array
Spoil = Callable[[Array, Array, np.random.Generator], Array]


def ramp(clean: Array, centre: Array, rng: np.random.Generator) -> Array:
    """Light that changes by 30 % across the mark."""
    y, x = np.mgrid[: clean.shape[0], : clean.shape[1]]
    a = rng.uniform(0, 2 * np.pi)
    away = (x - centre[0]) * np.cos(a) + (y - centre[1]) * np.sin(a)
    return clean * (1 + 0.3 * away / SIZE)


def cover(share: float) -> Spoil:
    """A textured cover whose edge lies `share` of the radius from the centre."""

    def spoil(clean: Array, centre: Array, rng: np.random.Generator) -> Array:
        y, x = np.mgrid[: clean.shape[0], : clean.shape[1]]
        a = rng.uniform(0, 2 * np.pi)
        away = (x - centre[0]) * np.cos(a) + (y - centre[1]) * np.sin(a)
        return np.where(
            away > share * SIZE / 2, 110 + 25 * np.sin(0.9 * x + 1) + 25 * np.cos(0.7 * y), clean
        )

    return spoil


def clear(clean: Array, centre: Array, rng: np.random.Generator) -> Array:
    """As it is."""
    return clean


CASES: dict[str, tuple[Spoil, float, float]] = {
    # what spoils it, tilt in degrees, motion in px
    "clear": (clear, 0.0, 0.0),
    "light ramp 30 %": (ramp, 0.0, 0.0),
    "25 % hidden": (cover(0.404), 0.0, 0.0),
    "50 % hidden": (cover(0.0), 0.0, 0.0),
    "motion 4 px": (clear, 0.0, 4.0),
    "tilt 60 deg": (clear, 60.0, 0.0),
    "tilt 70 deg": (clear, 70.0, 0.0),
}
FOCAL = 3000.0


def case(name: str, pattern: str, draws: int, rng: np.random.Generator) -> list[Array]:
    """Errors over the bound, and over claimed deviations; prints a line."""
    spoil, tilt, length = CASES[name]
    errors, claimed, bounds, tried = [], [], [], 0
    paint = scene.PAINTS[pattern]
    for _ in range(draws):
        H = scene.photographed(
            SIZE, rng.uniform(0, 6.28), np.radians(tilt), rng.uniform(0, 3.14), FOCAL
        )
        centre = SIDE // 2 + rng.uniform(-0.5, 0.5, 2)
        a, blur = rng.uniform(0, 2 * np.pi), rng.uniform(0.6, 1.2)
        motion = (length * np.cos(a), length * np.sin(a))
        still = scene.View(tuple(centre), H, blur)
        view = scene.View(tuple(centre), H, blur, motion)
        first = DARK + CONTRAST * scene.coverage(paint, still, (SIDE, SIDE))
        clean = DARK + CONTRAST * scene.coverage(paint, view, (SIDE, SIDE)) if length else first
        seen = locate_mark(
            Picture(scene.photograph(first, NOISE, rng), 255.0), pattern, centre, SIZE
        )  # type: ignore[arg-type]
        if not seen.ok:
            continue
        shape = seen.shape.tilted(H[2, :2])
        for _ in range(4):
            picture = scene.photograph(first, NOISE, rng)
            shape = measure_marks(Picture(picture, 255.0), [shape], centre[None])[0].shape
        bound = scene.bound(paint, view, (SIDE, SIDE), CONTRAST, NOISE)
        for _ in range(4):
            tried += 1
            picture = scene.photograph(spoil(clean, centre, rng), NOISE, rng)
            start = centre[None] + rng.normal(0, 0.2, (1, 2))
            move = np.array([motion]) if length else None
            fix = measure_marks(Picture(picture, 255.0), [shape], start, move)[0]
            if fix.ok:
                e = fix.position - centre
                errors.append(e)
                claimed.append(e @ np.linalg.solve(fix.covariance, e))
                bounds.append(bound)
    e, z, b = np.array(errors), np.array(claimed), np.array(bounds)
    print(
        f"{name:16s} {pattern:9s} {1e3 * np.sqrt(np.mean(e**2)):7.1f} mpx"
        f" {np.sqrt(np.mean((e / b[:, None]) ** 2)):6.2f} {np.mean(z) / 2:6.2f}"
        f" {len(e) / max(tried, 1):7.3f} {int(np.sum(z > 25)):4d} of {len(e)}",
        flush=True,
    )
    return [e / b[:, None], z]


def compressed(pattern: str, frames: int, rng: np.random.Generator) -> None:
    """The same mark in H.264 at usual rates: rms error over the bound of the sensor's noise."""
    centre = SIDE // 2 + rng.uniform(-0.5, 0.5, 2)
    view = scene.View(tuple(centre), scene.turned(SIZE, 0.4), 0.8)
    clean = DARK + CONTRAST * scene.coverage(scene.PAINTS[pattern], view, (SIDE, SIDE))
    bound = scene.bound(scene.PAINTS[pattern], view, (SIDE, SIDE), CONTRAST, NOISE)
    wide = np.tile(clean, (4, 4))
    for quality in ("15", "20", "25"):
        coder = av.CodecContext.create("libx264", "w")
        coder.width, coder.height, coder.pix_fmt = wide.shape[1], wide.shape[0], "yuv420p"
        coder.time_base, coder.options = Fraction(1, 1000), {"crf": quality, "preset": "fast"}
        decoder = av.CodecContext.create("h264", "r")
        packets = []
        for _ in range(frames):
            grey = scene.photograph(wide, NOISE, rng)
            packets += coder.encode(
                av.VideoFrame.from_ndarray(np.asarray(grey), "gray").reformat(format="yuv420p")
            )
        packets += coder.encode(None)
        shapes, off, squares = None, [], []
        places = centre + SIDE * np.array([(i, j) for j in range(4) for i in range(4)], float)
        for packet in [*packets, None]:
            for frame in decoder.decode(packet):
                luma = frame.to_ndarray(format="gray")
                if shapes is None:
                    shapes = [
                        locate_mark(Picture(luma, 255.0), pattern, p, SIZE).shape  # type: ignore[arg-type]
                        for p in places
                    ]
                    continue
                fixes = measure_marks(Picture(luma, 255.0), shapes, places)
                shapes = list(fixes.shapes)
                e = (fixes.position - places)[fixes.ok]
                off.append(e)
                squares.append(
                    np.einsum("ni,nij,nj->n", e, np.linalg.inv(fixes.covariance[fixes.ok]), e)
                )
        e = np.concatenate(off)
        rms = np.sqrt(np.mean(e**2))
        mean = np.mean(np.concatenate(squares)) / 2
        name = f"H.264 crf {quality}"
        print(f"{name:16s} {pattern:9s} {1e3 * rms:7.1f} mpx {rms / bound:6.2f} {mean:6.2f}")


def texture(rng: np.random.Generator) -> Array:
    """A smooth random texture, 8 samples a pixel."""
    fine = cv2.GaussianBlur(rng.standard_normal((1600, 1600)), (0, 0), 14)
    return np.asarray(110 + 40 * fine / fine.std())


def patches(frames: int, films: int, rng: np.random.Generator) -> None:
    """Drift of a patch, of flow and of ECC at the end of films of it, and what the noise of the
    first picture alone, the template of all that follow, must give (rms).
    """
    lost: dict[str, list[float]] = {"ours": [], "PyrLK": [], "ECC": []}
    least = []
    for _ in range(films):
        places, grey, clean = turning_patch(frames, rng)
        least.append(drift_bound(clean, places[0]))
        tail = slice(-(frames // 5), None)
        for name, follow in (("ours", followed), ("PyrLK", flowed), ("ECC", correlated)):
            lost[name].append(float(np.hypot(*np.mean((follow(grey, places) - places)[tail], 0))))
    bound = float(np.sqrt(np.mean(np.square(least))))
    print(f"patch, {films} films of {frames} frames; noise of the first picture {bound:.4f} px")
    for name, drift in lost.items():
        rms, most = float(np.sqrt(np.mean(np.square(drift)))), max(drift)
        print(f"{name:6s}: drift rms {rms:.4f}, most {most:.4f} px")


def turning_patch(frames: int, rng: np.random.Generator) -> tuple[Array, list[Array], Array]:
    """Places (frames, 2) and pictures of a texture that turns by 30 degrees and grows by 20 %, and
    the first picture without noise.
    """
    big, side = texture(rng), 160
    off = rng.uniform(-0.5, 0.5, 2)
    places, grey, first = [], [], np.zeros((side, side))
    for i in range(frames):
        t = i / (frames - 1)
        angle, scale = np.radians(30) * t, 1 + 0.2 * t
        centre = np.array([70.0, 75.0]) + off + np.array([18.0, 9.0]) * t
        c, s = np.cos(angle) / scale, np.sin(angle) / scale
        x = (np.arange(side * 4) + 0.5) / 4 - 0.5
        dx, dy = np.meshgrid(x - centre[0], x - centre[1])
        u, v = (c * dx + s * dy) * 8 + 800, (-s * dx + c * dy) * 8 + 800
        fine = cv2.remap(big, u.astype(np.float32), v.astype(np.float32), cv2.INTER_CUBIC)
        clean = fine.reshape(side, 4, side, 4).mean(axis=(1, 3))
        first = clean if i == 0 else first
        places.append(centre)
        grey.append(scene.photograph(clean, NOISE, rng))
    return np.array(places), grey, first


def drift_bound(clean: Array, place: Array) -> float:
    """Rms distance (px) by which the noise of a picture shifts a patch, from its gradients."""
    gy, gx = np.gradient(clean)
    y, x = np.mgrid[: clean.shape[0], : clean.shape[1]]
    inside = np.hypot(x - place[0], y - place[1]) <= PATCH / 2
    d = np.stack([gx[inside], gy[inside]]) / NOISE
    return float(np.sqrt(np.trace(np.linalg.inv(d @ d.T))))


def followed(grey: list[Array], places: Array) -> Array:
    """Our places (frames, 2)."""
    shape = locate_mark(Picture(grey[0], 255.0), "patch", places[0], PATCH).shape
    out, velocity = [places[0]], np.zeros(2)
    for picture in grey[1:]:
        fix = measure_marks(Picture(picture, 255.0), [shape], (out[-1] + velocity)[None])[0]
        velocity = 0.5 * velocity + 0.5 * (fix.position - out[-1])
        shape = fix.shape
        out.append(fix.position)
    return np.array(out)


def flowed(grey: list[Array], places: Array) -> Array:
    """Places (frames, 2) by flow from frame to frame."""
    out = [np.float32(places[0]).reshape(1, 1, 2)]
    for before, picture in pairwise(grey):
        out.append(cv2.calcOpticalFlowPyrLK(before, picture, out[-1], None, winSize=(31, 31))[0])
    return np.array(out)[:, 0, 0]


def correlated(grey: list[Array], places: Array) -> Array:
    """Places (frames, 2) by affine ECC to the first picture."""
    x0 = places[0].round().astype(int)
    part = grey[0][x0[1] - 15 : x0[1] + 16, x0[0] - 15 : x0[0] + 16]
    W = np.eye(2, 3, dtype=np.float32)
    W[:, 2] = x0 - 15
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-7)
    out = [places[0]]
    for picture in grey[1:]:
        _, W = cv2.findTransformECC(part, picture, W, cv2.MOTION_AFFINE, stop, None, 1)
        out.append(W[:, :2] @ (places[0] - x0 + 15) + W[:, 2])
    return np.array(out)


def main() -> None:
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    frames = int(sys.argv[2]) if len(sys.argv) > 2 else 500
    films = int(sys.argv[3]) if len(sys.argv) > 3 else 12
    rng = np.random.default_rng(11)
    print("case             pattern        rms  /bound squares  measured  over 5 sd")
    for name in CASES:
        for pattern in PATTERNS:
            case(name, pattern, draws, rng)
    for pattern in ("quadrant", "disc"):
        compressed(pattern, 60, rng)
    patches(frames, films, rng)


if __name__ == "__main__":
    main()
