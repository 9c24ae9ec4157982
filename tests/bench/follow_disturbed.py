"""Marks followed through smoke, debris, glare, flicker and look-alike scenery. Run by hand.

    python tests/bench/follow_disturbed.py [FILMS] [FRAMES]

Renders films in memory (640x480, 12 marks on a body that approaches, is stopped and spins, 4 on
the ground) and prints for each disturbance: mark-frames measured, gross errors (over 0.5 px while
measured), the share of measured among plainly visible marks, and positions over 5 claimed standard
deviations: of marks on the body, and of the ground's, whose texture shifts them by the same all the
time.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import cv2
import numpy as np

from tests.support.rendered_film import film_of, finished, ground, paint
from tracker.core.types import Mark
from tracker.tracking import track_marks

SIZE = (640, 480)
MARK = 20.0
PATTERNS = ("quadrant", "disc")
BODY = np.array([[x, y] for x in (-105, -38, 36, 110) for y in (-55, 4, 52)], float)
CORNERS = np.array([[40, 40], [600, 36], [44, 440], [598, 446]], float)
Layers = list[tuple[np.ndarray, float]]
"""(opacity (rows, columns) 0..1, grey) from the back to the front."""
Disturbance = Callable[[np.random.Generator, int], Callable[[int], Layers]]


def body(frame: int, frames: int) -> tuple[np.ndarray, float]:
    """Place and turn of the body: contact after a fifth of the film."""
    hit = frames // 5
    late = 1.0 - np.exp(-max(frame - hit, 0) / 60)
    return np.array([160 + 3.2 * min(frame, hit) + 150 * late, 235 + 25 * late]), 0.05 + 0.5 * late


def places(frame: int, frames: int) -> np.ndarray:
    """(16, 2) px."""
    centre, angle = body(frame, frames)
    c, s = np.cos(angle), np.sin(angle)
    return np.vstack([BODY @ np.array([[c, s], [-s, c]]) + centre, CORNERS])


def cloud(rng: np.random.Generator, scale: float) -> np.ndarray:
    """Smooth random field, mean 0 and standard deviation 1, larger than the picture."""
    small = rng.standard_normal((int(960 / scale) + 8, int(1280 / scale) + 8)).astype(np.float32)
    big = cv2.resize(
        cv2.GaussianBlur(small, (0, 0), 1.5), (1280, 960), interpolation=cv2.INTER_CUBIC
    )
    return np.asarray((big - big.mean()) / big.std())


def smoke(rng: np.random.Generator, frames: int) -> Callable[[int], Layers]:
    """Drifting clouds from the contact on, thin to opaque."""
    fields = [cloud(rng, s) for s in (60.0, 25.0)]
    drift = rng.uniform(0.3, 1.2, 2)

    def layers(frame: int) -> Layers:
        late = np.clip((frame - frames // 5) / 40, 0, 1) * np.clip(
            (frames * 0.8 - frame) / 60, 0, 1
        )
        x, y = (int(d * frame) % 300 for d in drift)
        field = sum(
            f[y : y + SIZE[1], x : x + SIZE[0]] * w for f, w in zip(fields, (1.0, 0.5), strict=True)
        )
        return [(np.clip(field - 0.2, 0, 1.0) * late, 190.0)]

    return layers


def debris(rng: np.random.Generator, frames: int) -> Callable[[int], Layers]:
    """Opaque pieces flying out of the contact, some as large as a mark."""
    n = 60
    begin = frames // 5 + rng.integers(0, frames // 2, n)
    start = np.array([360, 240]) + rng.normal(0, 60, (n, 2))
    speed, spin = rng.normal(0, 5.0, (n, 2)), rng.normal(0, 0.2, n)
    size, grey = rng.uniform(4, 18, n), rng.uniform(10, 240, n)
    angle = np.sort(rng.uniform(0, 2 * np.pi, (n, 5)), axis=1)

    def layers(frame: int) -> Layers:
        found: Layers = []
        for i in np.flatnonzero((begin <= frame) & (frame < begin + 80)).tolist():
            t = frame - begin[i]
            a = angle[i] + spin[i] * t
            corners = start[i] + speed[i] * t + size[i] * np.stack([np.cos(a), np.sin(a)], axis=1)
            alpha = np.zeros(SIZE[::-1], np.float32)
            fixed = np.rint(corners * 16).astype(np.int32)
            cv2.fillConvexPoly(alpha, fixed, 1.0, cv2.LINE_AA, 4)
            found.append((alpha, float(grey[i])))
        return found

    return layers


def glare(rng: np.random.Generator, frames: int) -> Callable[[int], Layers]:
    """Burnt-out spots that wander over the marks."""
    n = 5
    start, speed = rng.uniform((80, 80), (560, 400), (n, 2)), rng.normal(0, 1.5, (n, 2))
    radius = rng.uniform(8, 25, n)
    y, x = np.mgrid[: SIZE[1], : SIZE[0]].astype(np.float32)

    def layers(frame: int) -> Layers:
        found: Layers = []
        for i in range(n):
            u, v = np.mod(start[i] + speed[i] * frame, SIZE)
            d2 = (x - u) ** 2 + (y - v) ** 2
            found.append(
                (np.exp(-d2 / (2 * radius[i] ** 2)) * (0.5 + 0.5 * np.sin(frame / 9 + i)), 300.0)
            )
        return found

    return layers


def clear(rng: np.random.Generator, frames: int) -> Callable[[int], Layers]:
    """Nothing in the way."""
    return lambda frame: []


KINDS: dict[str, tuple[Disturbance, bool, bool]] = {
    # what is in the way, twins of the marks in the scenery, flickering light
    "clear": (clear, False, False),
    "look-alikes": (clear, True, False),
    "flicker": (clear, False, True),
    "smoke": (smoke, False, False),
    "debris": (debris, True, False),
    "glare": (glare, False, True),
}


def film(kind: str, seed: int, frames: int) -> tuple[list[Mark], np.ndarray, np.ndarray, object]:
    """Marks, truth (frames, 16, 2), opacity before each mark (frames, 16), the film."""
    rng = np.random.default_rng([seed, list(KINDS).index(kind)])
    make, twins, flicker = KINDS[kind]
    layers, pattern = make(rng, frames), PATTERNS[seed % 2]
    scene = ground(SIZE, seed)
    if twins:
        for at in rng.uniform((60, 60), (580, 420), (14, 2)):
            paint(scene, pattern, at, MARK, rng.uniform(0, 1.5))
    truth = np.array([places(i, frames) for i in range(frames)])
    opacity = np.zeros((frames, 16))
    reach = int(MARK / 2) + 3

    def picture(frame: int) -> np.ndarray:
        shown = scene.copy()
        centre, angle = body(frame, frames)
        c, s = np.cos(angle), np.sin(angle)
        box = np.array([[-135, -80], [140, -80], [140, 78], [-135, 78]]) @ np.array(
            [[c, s], [-s, c]]
        )
        cv2.fillConvexPoly(
            shown, np.rint((box + centre) * 16).astype(np.int32), 120.0, cv2.LINE_AA, 4
        )
        for at in truth[frame, :12]:
            paint(shown, pattern, at, MARK, angle, 8)
        for at in truth[frame, 12:]:
            paint(shown, pattern, at, MARK, 0.2, 8)
        total = np.zeros(SIZE[::-1])
        for alpha, grey in layers(frame):
            shown = shown * (1 - alpha) + grey * alpha
            total = np.maximum(total, alpha)
        for m, (u, v) in enumerate(np.rint(truth[frame]).astype(int)):
            part = total[max(v - reach, 0) : v + reach, max(u - reach, 0) : u + reach]
            opacity[frame, m] = part.max() if part.size else 1.0
        gain = 1.0 + 0.25 * np.sin(frame * 0.9) if flicker else 1.0
        return finished(shown * gain, frame, noise=3.0)

    names = [f"car.m{i}" for i in range(12)] + [f"survey.g{i}" for i in range(4)]
    picks = truth[0] + rng.uniform(-2, 2, (16, 2))
    marks = [Mark(n, pattern, tuple(p), 0, MARK) for n, p in zip(names, picks, strict=True)]
    return marks, truth, opacity, film_of(picture, frames)


def main() -> None:
    films = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    frames = int(sys.argv[2]) if len(sys.argv) > 2 else 300
    total = gross = 0
    print("disturbance   mark-frames  gross  visible measured   over 5 sd  rms px  largest px")
    print(f"{'':44}body  ground")
    for kind in KINDS:
        off, sd, seen, plain = [], [], [], []
        for seed in range(films):
            marks, truth, opacity, source = film(kind, seed, frames)
            tracks = track_marks(source, "side", marks).tracks  # type: ignore[arg-type]
            error = tracks.position - truth
            off.append(np.hypot(*np.moveaxis(error, -1, 0)))
            with np.errstate(invalid="ignore"):
                z = np.einsum(
                    "fmi,fmij,fmj->fm",
                    error,
                    np.linalg.pinv(np.nan_to_num(tracks.covariance)),
                    error,
                )
            sd.append(np.sqrt(z))
            seen.append(tracks.measured_mask)
            inside = np.all((truth > MARK / 2) & (truth < np.array(SIZE) - MARK / 2), axis=2)
            plain.append((opacity < 0.05) & inside)
            for m in range(16):
                bad = np.flatnonzero(np.nan_to_num(off[-1][:, m]) > 0.5)
                if len(bad):
                    where = f"{kind} {seed} {tracks.marks[m]}"
                    print(f"    {where}: frames {bad[:12]} off {off[-1][bad[0], m]:.2f}")
        o, s, g, v = (np.concatenate(a) for a in (off, sd, seen, plain))
        wrong = int(np.sum(o[g] > 0.5))
        total, gross = total + int(g.sum()), gross + wrong
        over = [int(np.sum((s > 5)[:, part] & g[:, part])) for part in (slice(12), slice(12, None))]
        print(
            f"{kind:12s} {int(g.sum()):12d} {wrong:6d} {np.mean(g[v]):17.4f}"
            f" {over[0]:8d}{over[1]:8d} {np.sqrt(np.mean(o[g] ** 2) / 2):7.4f}"
            f" {np.max(o[g]):11.3f}",
            flush=True,
        )
    print(f"{total} mark-frames, {gross} gross errors")


if __name__ == "__main__":
    main()
