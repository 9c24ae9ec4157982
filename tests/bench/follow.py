"""How fast marks are followed and a test is analysed, against a bare read. Run by hand.

    python tests/bench/follow.py [FRAMES] [h264 | light | mjpeg | raw]
    python tests/bench/follow.py memory [FRAMES...]

Writes a 1280x1024 film of 1000 frames with 16 marks (12 on a moving body, 4 on the ground) and its
record, and prints for that film in the same run, the best of three: seconds of reading with cv2, of
reading with PyAV, of following, of the whole analysis, by the clock and of processor time (all
threads, user and system); the cost of a mark and frame; the error against the truth. `memory`
prints the peak memory of an analysis of 500 and of 5,000 frames, or of the number given, with
compiled code on disk. The H.264 film keeps the noise, 69 kB a frame; the light one, 3.6 kB,
smoothes it away. Uncompressed film takes 1.3 MB a frame on the disk.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does

import av
import cv2
import numpy as np

from tests.support.rendered_film import ground, paint
from tracker.core.types import Mark
from tracker.film import open_film
from tracker.pipeline.analyse import analyse
from tracker.record.load import load_record
from tracker.tracking import track_marks

SIZE = (1280, 1024)
MARK = 24.0
FOCAL, HEIGHT, ROOF = 1200.0, 12.0, 1.4  # px, m: the camera looks straight down
BODY = np.array([[x, y] for x in (-150, -50, 50, 150) for y in (-80, 0, 80)], float)
CORNERS = np.array([[60, 60], [1210, 70], [80, 960], [1200, 950]], float)
CODECS = {
    "h264": ("libx264", "yuv420p", ".mp4", {"qp": "20", "preset": "fast"}),
    "light": ("libx264", "yuv420p", ".mp4", {"crf": "18", "preset": "fast"}),
    "mjpeg": ("mjpeg", "yuvj420p", ".avi", {"qmin": "2", "qmax": "3"}),
    "raw": ("rawvideo", "gray", ".avi", {}),
}
CONTACT, PULSE, SHORT, LENGTHS = 100, 100, 150, (500, 5000)


def places(frame: int, slow: float = 1.0) -> np.ndarray:
    """(16, 2) px: 26 m/s, then a pulse of 100 ms, up to some 35 g, and on at `slow` px a frame."""
    since = max(frame - CONTACT, 0)
    on = min(since, PULSE)
    slowed = 0.5 * (on - PULSE / np.pi * np.sin(np.pi * on / PULSE)) + since - on
    centre = (180 + 2.9 * frame - (2.9 - slow) * slowed, 500 + 0.1 * slow * slowed)
    angle = 0.05 + 0.0008 * slow * slowed
    c, s = np.cos(angle), np.sin(angle)
    return np.vstack([BODY @ np.array([[c, s], [-s, c]]) + centre, CORNERS])


def write(path: Path, frames: int, codec: str = "h264") -> None:
    """The film, with fresh sensor noise in each frame; long ones go slower, to stay in view."""
    encoder, layout, _, options = CODECS[codec]
    rng = np.random.default_rng(1)
    scene = ground(SIZE)
    slow = min(1.0, 500 / frames)
    with av.open(str(path), "w") as container:
        stream = container.add_stream(encoder, rate=1000, options=options)
        stream.width, stream.height, stream.pix_fmt = *SIZE, layout
        stream.thread_type = "AUTO"
        for i in range(frames):
            picture = scene.copy()
            for place in places(i, slow):
                paint(picture, "quadrant", place, MARK, 0.2)
            soft = cv2.GaussianBlur(picture, (0, 0), 0.7) + rng.normal(0, 3, SIZE[::-1])
            luma = np.clip(np.rint(soft), 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(luma, "gray").reformat(format=layout)
            frame.pts, frame.time_base = i, Fraction(1, 1000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def record_of(film: Path) -> Path:
    """The record of that film: a car seen from above, its marks 1.4 m above the ground."""
    middle = (np.array(SIZE) - 1) / 2
    near, far = FOCAL / (HEIGHT - ROOF), FOCAL / HEIGHT
    lines = [
        'schema = 1\n[test]\nnumber = "BENCH"\ncriteria = "mash2016"\nreport_units = "si"',
        '[test.intended]\nspeed = "100 km/h"\nangle = "0 deg"',
        '[vehicles.car]\nrole = "striking"\nmass = "1100 kg"\ncg = ["0 m", "0 m", "-0.6 m"]',
        "[vehicles.car.markers]",
    ]
    for i, (x, y) in enumerate((BODY / near).tolist()):
        lines.append(
            f'm{i} = {{ at = ["{x!r} m", "{y!r} m", "-{ROOF} m"], pattern = "quadrant", '
            f'size = "{MARK / near!r} m" }}'
        )
    lines += [
        f'[cameras.above]\nfilm = "{film.name}"\nframe_rate = "1000 1/s"\nexposure = "0.1 ms"',
        f'position = ["0 m", "0 m", "-{HEIGHT} m"]',
        f"lens = {{ camera_matrix = [[{FOCAL}, 0, {middle[0]}], [0, {FOCAL}, {middle[1]}], "
        "[0, 0, 1]] }",
        "[cameras.above.survey]",
    ]
    for i, (u, v) in enumerate(CORNERS.tolist()):
        x, y = ((np.array([u, v]) - middle) / far).tolist()
        lines.append(
            f'g{i} = {{ at = ["{x!r} m", "{y!r} m", "0 m"], pixel = [{u}, {v}], '
            f'pattern = "quadrant", size = "{MARK / far!r} m" }}'
        )
    first = places(0)[:12].tolist()
    lines.append("[cameras.above.picks]")
    lines += [f'"car.m{i}" = {{ pixel = [{u}, {v}] }}' for i, (u, v) in enumerate(first)]
    lines.append(f"[cameras.above.time]\nzero = {CONTACT}.0")
    path = film.parent / "record.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def by_cv2(film: Path) -> None:
    capture = cv2.VideoCapture(str(film))
    while capture.read()[0]:
        pass


def by_pyav(film: Path) -> None:
    with av.open(str(film)) as container:
        container.streams.video[0].thread_type = "AUTO"
        for _ in container.decode(video=0):
            pass


def speed(frames: int, codec: str) -> None:
    """Everything but memory."""
    names = [f"car.m{i}" for i in range(12)] + [f"survey.g{i}" for i in range(4)]
    marks = [Mark(n, "quadrant", tuple(p), 0, MARK) for n, p in zip(names, places(0), strict=True)]
    with tempfile.TemporaryDirectory() as folder:
        film = Path(folder) / f"film{CODECS[codec][2]}"
        write(film, frames, codec)
        record = load_record(record_of(film))
        analyse(record)  # compiled code is loaded
        jobs: dict[str, Callable[[], object]] = {
            "cv2": lambda: by_cv2(film),
            "pyav": lambda: by_pyav(film),
            "follow": lambda: track_marks(open_film(str(film)), "above", marks),
            "analysis": lambda: analyse(record),
        }
        wall, spent = dict.fromkeys(jobs, np.inf), dict.fromkeys(jobs, np.inf)
        for _ in range(3):
            for name, job in jobs.items():
                start, cpu = time.perf_counter(), time.process_time()
                job()
                wall[name] = min(wall[name], time.perf_counter() - start)
                spent[name] = min(spent[name], time.process_time() - cpu)
        tracks = track_marks(open_film(str(film)), "above", marks).tracks
        print(f"{codec}, {frames} frames, {film.stat().st_size / 1e6:.1f} MB, {len(marks)} marks")
    slow = min(1.0, 500 / frames)
    truth = np.array([places(i, slow) for i in range(frames)])
    rms = np.sqrt(np.nanmean((tracks.position - truth) ** 2))
    for name in jobs:
        print(
            f"{name:<10}{wall[name]:7.2f} s {spent[name]:7.2f} s of processors"
            f"{frames / wall[name]:8.0f} frames/s"
            f"{wall[name] / wall['cv2']:7.2f} times cv2{wall[name] / wall['pyav']:7.2f} times PyAV"
        )
    each = (spent["follow"] - spent["pyav"]) / frames / len(marks) * 1e6
    print(f"following, less decoding, {each:.0f} us of processors a mark and frame")
    print(f"measured {tracks.measured_mask.mean():.4f}, rms {rms:.4f} px")


def memory(lengths: tuple[int, ...]) -> None:
    """Each length in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        film = Path(folder) / "film.mp4"
        write(film, SHORT)
        peak(film)  # code is compiled
        for frames in lengths:
            write(film, frames)
            print(f"{frames} frames: peak memory of the analysis {peak(film):.0f} MB")


def peak(film: Path) -> float:
    """Peak memory in MB of a process that analyses a film."""
    code = (
        "import sys; from tracker.pipeline.analyse import analyse; from tracker.record import "
        "load_record; analyse(load_record(sys.argv[1])); import resource; "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(record_of(film))],
        capture_output=True,
        text=True,
        check=True,
    )
    return int(done.stdout) / 1024


def main() -> None:
    if sys.argv[1:2] == ["memory"]:
        memory(tuple(int(frames) for frames in sys.argv[2:]) or LENGTHS)
        return
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    speed(frames, sys.argv[2] if len(sys.argv) > 2 else "h264")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory of this process, which also holds cv2's and PyAV's frames, {peak:.0f} MB")


if __name__ == "__main__":
    main()
