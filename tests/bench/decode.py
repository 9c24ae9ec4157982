"""How fast films are read, against cv2.VideoCapture on the same file. Run by hand.

    python tests/bench/decode.py [FRAMES]

Writes a noisy 1280x1024 film to a temporary folder and prints frames per second of: cv2 reading
(decode and conversion to colour), our `forward` (luma views), and our `backward`.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import av
import cv2
import numpy as np

from tracker.film import open_film

SIZE = (1280, 1024)


def write(path: Path, frames: int, codec: str, layout: str, options: dict[str, str]) -> None:
    """A textured scene that moves a little, with fresh noise in each frame."""
    rng = np.random.default_rng(1)
    scene = cv2.GaussianBlur(rng.normal(128, 400, (1104, 1360)), (0, 0), 6)
    scene = np.clip(scene, 20, 230).astype(np.float32)
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=1000, options=options)
        stream.width, stream.height, stream.pix_fmt = *SIZE, layout
        stream.thread_type = "AUTO"
        for i in range(frames):
            left = i % 80
            luma = scene[40:1064, left : left + 1280] + rng.normal(0, 3, SIZE[::-1])
            frame = av.VideoFrame.from_ndarray(np.clip(luma, 0, 255).astype(np.uint8), "gray")
            container.mux(stream.encode(frame.reformat(format=layout)))
        container.mux(stream.encode(None))


def by_cv2(path: Path) -> int:
    capture = cv2.VideoCapture(str(path))
    count = 0
    while capture.read()[0]:
        count += 1
    return count


def by_forward(path: Path) -> int:
    return sum(1 for _ in open_film(str(path)).forward())


def by_backward(path: Path) -> int:
    return sum(1 for _ in open_film(str(path)).backward())


def main() -> None:
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    kinds = {
        "h264.mp4": ("libx264", "yuv420p", {"qp": "20", "preset": "fast"}),
        "mjpeg.avi": ("mjpeg", "yuvj420p", {"q": "3"}),
        "raw.avi": ("rawvideo", "yuv420p", {}),
    }
    print(
        f"{'film':10} {'MB':>6} {'cv2':>8} {'forward':>8} {'backward':>8} {'ratio':>7}  (frames/s)"
    )
    with tempfile.TemporaryDirectory() as folder:
        for name, (codec, layout, options) in kinds.items():
            path = Path(folder) / name
            write(path, frames, codec, layout, options)
            best = {}
            for _ in range(3):
                for way in (by_cv2, by_forward, by_backward):
                    start = time.perf_counter()
                    assert way(path) == frames
                    took = time.perf_counter() - start
                    best[way.__name__] = min(took, best.get(way.__name__, np.inf))
            rates = [frames / best[way] for way in ("by_cv2", "by_forward", "by_backward")]
            print(
                f"{name:10} {path.stat().st_size / 1e6:6.1f} "
                + " ".join(f"{rate:8.0f}" for rate in rates)
                + f" {rates[1] / rates[0]:7.2f}"
            )


if __name__ == "__main__":
    main()
