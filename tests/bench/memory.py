"""Peak memory against the length of a film and the number and size of pictures. Run by hand.

    python tests/bench/memory.py [FRAMES] [PICTURES]

Films of FRAMES (100), ten and a hundred times as many frames, 320 x 256 px, of a moving body with
four marks on noise, followed from end to end in both directions as an analysis does it; 20 and 60
pictures of 3840 x 2160 px with 12 bits, and PICTURES (10,000) pictures against a hundredth of them,
read forwards, backwards and at random. Each in a process of its own: printed are the largest memory
that it took, and how much of that it had before it opened the film or pictures.
"""

import subprocess
import sys
import tempfile
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

SIZE = (320, 256)
MARK = 22.0
BODY = np.array([[-30, -22], [30, -22], [-30, 22], [30, 22]], float)


def main():
    if len(sys.argv) > 1 and sys.argv[1] in CASES:
        case(sys.argv[1], Path(sys.argv[2]))
        return
    given = [int(text) for text in sys.argv[1:]]
    frames, pictures = [*given, *[100, 10_000][len(given) :]]
    print("| what | before opening, MB | largest, MB | reported |")
    print("| --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as place:
        for times in (1, 10, 100):
            path = Path(place) / f"{times}.mp4"
            write_film(path, times * frames)
            shown("follow", path, f"film of {times * frames:,} frames, followed")
        for count in (20, 60):
            folder = Path(place) / f"deep-{count}"
            write_pictures(folder, count, (3840, 2160), deep=True)
            shown("pictures", folder, f"{count} pictures of 3840 x 2160 px, 12 bits")
        for count in (pictures // 100, pictures):
            folder = Path(place) / f"many-{count}"
            write_pictures(folder, count, (160, 120), deep=False)
            shown("pictures", folder, f"{count:,} pictures of 160 x 120 px")


def shown(name, path, what):
    """Print what a case takes in a process of its own."""
    command = [sys.executable, str(Path(__file__).resolve()), name, str(path)]
    reported = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split("|")
    print(f"| {what} | " + " | ".join(part.strip() for part in reported) + " |", flush=True)


def case(name, path):
    run = CASES[name]()
    before = peak()
    reported = run(path)
    print(f"{before:.0f} | {peak():.0f} | {reported}")


def peak():
    """Largest memory of this process so far, MB (Linux; getrusage counts the parent's in)."""
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def follow_case():
    """Follows a film; a film of a few frames is followed first, so that all is loaded."""
    from tracker.core.types import Mark
    from tracker.film import open_film
    from tracker.tracking import track_marks

    def run(path):
        film = open_film(str(path), frame_rate=1000.0)
        pixels = places(0)
        marks = [Mark(f"car.m{i}", "quadrant", tuple(p), 0, MARK) for i, p in enumerate(pixels)]
        tracks = track_marks(film, "above", marks).tracks
        truth = np.array([places(i) for i in range(film.frames)])
        seen = tracks.measured_mask
        error = np.sqrt(np.mean((tracks.position - truth)[seen] ** 2))
        return f"{100 * seen.mean():.1f} % measured, {error:.3f} px rms"

    with tempfile.TemporaryDirectory() as place:
        short = Path(place) / "short.mp4"
        write_film(short, 12)
        run(short)
    return run


def pictures_case():
    from tracker.film import open_film

    def run(path):
        film = open_film(str(path), frame_rate=500.0)
        forward = sum(1 for _ in film.forward())
        backward = sum(1 for _ in film.backward())
        for index in np.random.default_rng(1).integers(0, film.frames, 40):
            film.frame(int(index))
        return f"{forward:,} and {backward:,} frames read"

    return run


def places(frame):
    """(4, 2) px of the marks: a body that wanders round the picture."""
    phase = 2 * np.pi * frame / 1000
    turn = 0.1 * np.sin(phase)
    c, s = np.cos(turn), np.sin(turn)
    centre = np.array([160 + 60 * np.sin(phase), 128 + 40 * np.sin(2 * phase)])
    return BODY @ np.array([[c, s], [-s, c]]) + centre


def write_film(path, frames):
    from tests.support.rendered_film import ground, paint

    rng = np.random.default_rng(1)
    scene = ground(SIZE)
    noise = rng.normal(0, 2, (16, *SIZE[::-1]))
    with av.open(str(path), "w") as container:
        stream = container.add_stream(
            "libx264", rate=1000, options={"crf": "18", "preset": "veryfast"}
        )
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        for i in range(frames):
            picture = scene.copy()
            for place in places(i):
                paint(picture, "quadrant", place, MARK, 0.1)
            grey = cv2.GaussianBlur(picture, (0, 0), 0.7) + noise[rng.integers(16)]
            luma = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
            frame = av.VideoFrame.from_ndarray(luma, "gray").reformat(format="yuv420p")
            frame.pts, frame.time_base = i, Fraction(1, 1000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def write_pictures(folder, count, size, deep):
    folder.mkdir()
    rng = np.random.default_rng(2)
    grey = rng.integers(0, 4096 if deep else 256, size[::-1])
    some = [np.roll(grey, 7 * k, axis=1).astype(np.uint16 if deep else np.uint8) for k in range(4)]
    coded = [cv2.imencode(".png", s, [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes() for s in some]
    for n in range(count):
        (folder / f"{n}.png").write_bytes(coded[n % 4])


CASES = {"follow": follow_case, "pictures": pictures_case}

if __name__ == "__main__":
    main()
