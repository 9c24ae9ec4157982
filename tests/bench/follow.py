"""How fast marks are followed, against a bare read with cv2.VideoCapture. Run by hand.

    python tests/bench/follow.py [FRAMES]

Writes a 1280x1024 H.264 film with 16 marks (12 on a moving body, 4 on the ground) and prints, for
the same file in the same run: seconds of reading with cv2, of reading with PyAV, of following, the
ratio, the cost of a mark and frame, the error against the truth, and the peak memory.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import av
import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tracker"))
from rendered import ground, paint

from tracker.film import open_film
from tracker.follow import follow
from tracker.values import Mark

SIZE = (1280, 1024)
MARK = 24.0


def places(frame: int) -> np.ndarray:
    """(16, 2) px."""
    body = np.array([[x, y] for x in (-150, -50, 50, 150) for y in (-80, 0, 80)], float)
    late = max(frame - 100, 0)
    centre = (300 + 3.0 * min(frame, 100) + 1.0 * late, 500 + 0.1 * late)
    angle = 0.05 + 0.0008 * late
    c, s = np.cos(angle), np.sin(angle)
    corners = np.array([[60, 60], [1210, 70], [80, 960], [1200, 950]], float)
    return np.vstack([body @ np.array([[c, s], [-s, c]]) + centre, corners])


def write(path: Path, frames: int) -> None:
    """The film, with fresh sensor noise in each frame."""
    rng = np.random.default_rng(1)
    scene = ground(SIZE)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=1000, options={"qp": "20", "preset": "fast"})
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.thread_type = "AUTO"
        for i in range(frames):
            picture = scene.copy()
            for place in places(i):
                paint(picture, "quadrant", place, MARK, 0.2)
            soft = cv2.GaussianBlur(picture, (0, 0), 0.7) + rng.normal(0, 3, SIZE[::-1])
            luma = np.clip(np.rint(soft), 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(luma, "gray").reformat(format="yuv420p")
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    names = [f"car.m{i}" for i in range(12)] + [f"survey.g{i}" for i in range(4)]
    marks = [Mark(n, "quadrant", tuple(p), 0, MARK) for n, p in zip(names, places(0), strict=True)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "film.mp4"
        write(path, frames)
        follow(open_film(str(path)), "warm", marks, ruled_out=())
        times: dict[str, float] = {}
        for _ in range(3):
            start = time.perf_counter()
            capture = cv2.VideoCapture(str(path))
            while capture.read()[0]:
                pass
            times["cv2"] = min(times.get("cv2", np.inf), time.perf_counter() - start)
            start = time.perf_counter()
            assert sum(1 for _ in open_film(str(path)).forward()) == frames
            times["pyav"] = min(times.get("pyav", np.inf), time.perf_counter() - start)
            start, cpu = time.perf_counter(), time.thread_time()
            followed = follow(open_film(str(path)), "side", marks)
            took = time.perf_counter() - start
            if took < times.get("follow", np.inf):
                times["follow"], times["thread"] = took, time.thread_time() - cpu
        print(f"{frames} frames, {path.stat().st_size / 1e6:.1f} MB, {len(marks)} marks")
    truth = np.array([places(i) for i in range(frames)])
    off = np.hypot(*np.moveaxis(followed.tracks.position - truth, -1, 0)) / np.sqrt(2)
    print(f"cv2 read {times['cv2']:.2f} s, PyAV read {times['pyav']:.2f} s")
    print(f"follow {times['follow']:.2f} s = {times['follow'] / times['cv2']:.2f} times cv2")
    each = times["thread"] / frames / len(marks) * 1e6
    print(f"following thread {times['thread']:.2f} s = {each:.0f} us a mark and frame")
    print(
        f"measured {followed.tracks.measured.mean():.4f}, rms {np.sqrt(np.nanmean(off**2)):.4f} px"
    )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main()
