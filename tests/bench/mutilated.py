"""Films made wrong: read whole, and a sample of them analysed.

    python tests/bench/mutilated.py [FILMS] [ANALYSED]

Renders a small demonstration test, keeps its overhead film as H.264 (MP4), MJPEG (AVI) and
numbered PNG pictures, and wounds each: bytes flipped, cut off, taken out, spliced with the other
camera's film; pictures wounded, lost, exchanged. FILMS (300) are read from the first frame to the
last and back by a process that may take 60 s for one; frames of a film that differ from the sound
film's are counted. ANALYSED (24) of them, drawn at random, are analysed together with the sound
film of the other camera; a number that lies off the sound test's by more than 2 u (both tests' u
together) while nothing new is warned of is a silent wrong answer.
"""

import multiprocessing
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from math import hypot
from pathlib import Path

import av
import cv2
import numpy as np

from calibration.errors import Problem
from tests.support.mutate import mutilated
from tracker.demo import Scenario, write_demo
from tracker.film import open_film
from tracker.pipeline.analyse import analyse
from tracker.record.load import load_record

LIMIT = 60.0  # s
FORKED = multiprocessing.get_context("fork")
KINDS = ("mp4", "avi", "png")
WAYS = ("flipped", "cut", "taken out", "spliced", "wounded")
FAR = 2.0  # u
SAME = 2.0  # grey levels rms by which a frame differs in coding alone


def main():
    given = [int(text) for text in sys.argv[1:]]
    count, analysed = [*given, *[300, 24][len(given) :]]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "test"
        write_demo(folder, scenario=Scenario.quick(before=0.03, after=0.09))
        sound = _variants(folder)
        films = _films(sound, folder / "side.mp4", Path(place), count)
        _print("Read", _read_all(films, sound))
        sys.stdout.flush()
        if not analysed:
            return
        sample = random.Random(4).sample(films, analysed)
        _print("Analysed", _analyse_all(sample, folder))


def _variants(folder):
    """The overhead film as a file of each kind; pictures are a folder."""
    film = open_film(str(folder / "overhead.mp4"))
    frames = [luma.copy() for _, luma in film.forward()]
    pictures = folder / "overhead-png"
    pictures.mkdir()
    for index, luma in enumerate(frames):
        cv2.imwrite(str(pictures / f"{index:05d}.png"), luma)
    with av.open(str(folder / "overhead.avi"), "w") as container:
        stream = container.add_stream("mjpeg", rate=500, options={"q": "2"})
        stream.width, stream.height, stream.pix_fmt = *film.size, "yuvj420p"
        for luma in frames:
            frame = av.VideoFrame.from_ndarray(luma, format="gray").reformat(format="yuvj420p")
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return {"mp4": folder / "overhead.mp4", "avi": folder / "overhead.avi", "png": pictures}


def _films(sound, other, place, count):
    """(kind, way, path) of the first `count` wounded films."""
    rng = random.Random(9)
    other = other.read_bytes()
    made = []
    for n in range(count):
        kind, way = KINDS[n % 3], WAYS[n // 3 % len(WAYS)]
        if kind == "png":
            path = place / f"{n}"
            shutil.copytree(sound["png"], path)
            _wound_pictures(path, way, rng)
        else:
            path = place / f"{n}.{kind}"
            path.write_bytes(_wounded(sound[kind].read_bytes(), way, other, rng))
        made.append((kind, way, path))
    return made


def _wounded(data, way, other, rng):
    data = bytearray(data)
    size = rng.choice((1, 30, 1000, 30_000))
    at = rng.randrange(len(data))
    if way == "flipped":
        for _ in range(rng.choice((1, 3, 20, 300))):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif way == "cut":
        del data[at:]
    elif way == "taken out":
        del data[at : at + size]
    elif way == "spliced":
        start = rng.randrange(len(other))
        data[at : at + size] = other[start : start + size]
    else:
        data = bytearray(mutilated(bytes(data), (other,), rng))
    return bytes(data)


def _wound_pictures(path, way, rng):
    pictures = sorted(path.iterdir())
    for _ in range(rng.choice((1, 2, 8))):
        one, two = rng.sample(pictures, 2)
        if way == "taken out":
            one.unlink(missing_ok=True)
        elif way == "spliced" and one.exists() and two.exists():
            shutil.copy(two, one)
        elif one.exists():
            one.write_bytes(_wounded(one.read_bytes(), way, b"", rng))


def _read_all(films, sound):
    whole = {kind: _frames(path) for kind, path in sound.items()}
    found = {}
    for kind, way, path in films:
        start = time.monotonic()
        what = _apart(path)
        if isinstance(what, dict):
            what = _judged(what, whole[kind])
        counts = found.setdefault((kind, way), Counter())
        counts[what] += 1
        counts["s, slowest"] = max(counts["s, slowest"], round(time.monotonic() - start, 1))
    return found


def _frames(path):
    return {index: _sampled(luma) for index, luma in open_film(str(path)).forward()}


def _sampled(luma):
    return luma[3::11, 4::13].astype(float)


def _apart(path):
    """What a process of its own reads, or what became of it."""
    near, far = FORKED.Pipe(duplex=False)
    child = FORKED.Process(target=_read, args=(path, far))
    child.start()
    far.close()
    try:
        return near.recv() if near.poll(LIMIT) else "hung"
    except EOFError:
        child.join()
        return f"crashed ({child.exitcode})"
    finally:
        child.kill()
        child.join()
        near.close()


def _read(path, line):
    """What reading the film forwards and backwards gives: findings, samples of its frames."""
    try:
        film = open_film(str(path), frame_rate=500.0)
        frames = _frames_of(film)
        for _ in film.backward():
            pass
    except Problem as problem:
        line.send("refused" if "\n" not in str(problem) else f"unclear: {problem}")
        return
    stamps = film.stamps
    if np.isfinite(stamps).all():
        frames = {round(500 * float(stamps[i] - stamps[0])): luma for i, luma in frames.items()}
    line.send({"reported": sorted({f.code for f in film.with_faults().findings}), "frames": frames})


def _frames_of(film):
    return {index: _sampled(luma) for index, luma in film.forward()}


def _judged(read, whole):
    """What became of a film that was read."""
    differ = sum(not _alike(f, whole.get(i)) for i, f in read["frames"].items())
    lacking = len(whole) - len(read["frames"])
    if not differ and not lacking:
        return "read, all frames as they were"
    reported = "reported" if read["reported"] else "not reported"
    return f"read, some frames lost or other, {reported}"


def _alike(frame, sound):
    if sound is None or frame.shape != sound.shape:
        return False
    return float(np.sqrt(np.mean((frame - sound) ** 2))) < SAME


def _analyse_all(sample, folder):
    record = load_record(folder / "record.toml")
    reference = analyse(record)
    text = (folder / "record.toml").read_text("utf-8")
    found = {}
    for kind, way, path in sample:
        target = folder / path.name
        path.rename(target)
        (folder / "other.toml").write_text(text.replace('"overhead.mp4"', f'"{target.name}"'))
        counts = found.setdefault((kind, way), Counter())
        start = time.monotonic()
        try:
            what = _compared(analyse(load_record(folder / "other.toml")), reference)
        except Problem:
            what = "refused"
        counts[what] += 1
        counts["s, slowest"] = max(counts["s, slowest"], round(time.monotonic() - start, 1))
        if what.startswith("SILENT"):
            print(kind, way, what)
    return found


def _compared(results, reference):
    new = {w.code for w in results.warnings} - {w.code for w in reference.warnings}
    far = []
    known = _numbers(reference)
    for name, found in _numbers(results).items():
        if found is None or known[name] is None:
            continue
        u = hypot(found.u, known[name].u)
        if abs(found.value - known[name].value) > FAR * u:
            far.append(f"{name} {(found.value - known[name].value) / u:+.1f} u")
    lost = [n for n, v in _numbers(results).items() if v is None and known[n] is not None]
    if not far:
        return (
            "same numbers, reported" if new else ("numbers left open" if lost else "same numbers")
        )
    return "other numbers, reported" if new else f"SILENT {', '.join(far)}"


def _numbers(results):
    car, truck = results.vehicles["car"], results.vehicles.get("truck")
    film = car.occupant.film
    return {
        "speed": car.impact_speed,
        "angle": car.impact_angle,
        "pitch": car.min_pitch,
        "roll": car.max_roll,
        "travel": car.travel_x,
        "velocity change": car.velocity_change,
        "oiv": film and film.oiv_x,
        "ridedown": film and film.ridedown_x,
        "truck's travel": truck and truck.travel_x,
        "crush": results.crush and results.crush.max_dynamic,
    }


def _print(title, found):
    print(f"| {title} | what became of them | slowest, s |")
    print("| --- | --- | --- |")
    whole = Counter()
    for (kind, way), counts in sorted(found.items()):
        slowest = counts.pop("s, slowest")
        whole.update(
            {what.split(" ")[0] if what[0] == "S" else what: n for what, n in counts.items()}
        )
        listed = ", ".join(f"{n} {what}" for what, n in sorted(counts.items()))
        print(f"| {kind}, {way} | {listed} | {slowest} |")
    print(
        f"| all {sum(whole.values())} | {', '.join(f'{n} {w}' for w, n in whole.most_common())} | |"
    )


if __name__ == "__main__":
    main()
