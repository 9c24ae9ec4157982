"""What `fuzz.py` feeds: for each reader valid files, ways to make them wrong, and how to read."""

from __future__ import annotations

import json
import os
import struct
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import av
import cv2
import h5py
import numpy as np

from calibration.camera import Lens
from calibration.errors import Problem
from calibration.lens import load_lens, save_lens
from tests.support.made_results import made_results
from tests.support.mutate import Random, mutilated, odd_tree, toml
from tracker.accelerometers import read_accelerometer
from tracker.accelerometers.iso13499 import IsoTest, make_channel, write_folder
from tracker.criteria.sets import load_criteria
from tracker.film import open_film
from tracker.film.pictures import read_picture
from tracker.record.load import load_planned, load_record
from tracker.record.manual_edits import ACTIONS, PLACE, actions
from tracker.record.schema import AccelerometerEntry
from tracker.results.folder import read_results, write_data
from tracker.results.json import RESULTS, json_text, read_scalars
from tracker.storage.audit_log import Entry, log_text, read_log
from tracker.storage.inside import read_inside
from tracker.storage.toml_text import plain_tables, toml_tables
from tracker.workbench.history import STEPS, RecordFile, digest
from tracker.workbench.tomledit import Change

Make = Callable[[Random], bytes]
Read = Callable[[bytes], None]
Reader = Callable[[Path], tuple[Make, Read]]

RECORD = (Path(__file__).resolve().parents[1] / "tracker" / "record" / "test_load.py").read_text(
    "utf-8"
)
WHOLE = RECORD.split('WHOLE = """')[1].split('"""')[0]
TIME = np.arange(-0.05, 0.2, 0.001)
AX = -20 * np.sin(np.pi * np.clip(TIME / 0.12, 0, 1))


def from_bytes(*seeds: bytes) -> Make:
    return lambda rng: mutilated(rng.choice(seeds), seeds, rng)


def from_tree(tree: Any, text: Callable[[Any], str], *seeds: bytes) -> Make:
    """Half of the files wounded, half written from a tree with odd entries."""
    wounded = from_bytes(*seeds)

    def make(rng: Random) -> bytes:
        if rng.random() < 0.5:
            return wounded(rng)
        try:
            return text(odd_tree(tree, rng)).encode("utf-8", "surrogatepass")
        except (ValueError, TypeError, RecursionError):  # numbers too long to be written
            return wounded(rng)

    return make


def record(place: Path) -> tuple[Make, Read]:
    for name in ("overhead.mp4", "car.csv", "side/1.png", "lens/1.png"):
        (place / name).parent.mkdir(exist_ok=True)
        (place / name).write_bytes(b"\0")
    path = place / "record.toml"
    turn = [load_record, load_planned]

    def read(data: bytes) -> None:
        path.write_bytes(data)
        turn.reverse()
        turn[0](path)

    return from_tree(tomllib.loads(WHOLE), toml, WHOLE.encode()), read


def criteria(place: Path) -> tuple[Make, Read]:
    import tracker.criteria

    data = Path(str(tracker.criteria.__file__)).parent / "data"
    seeds = [file.read_bytes() for file in sorted(data.glob("*.toml"))]

    def read(data: bytes) -> None:
        (place / "own.toml").write_bytes(data)
        load_criteria("own.toml", place)

    return from_tree(tomllib.loads(seeds[2].decode()), toml, *seeds), read


def _sensor(file: str, time: bool = True, **columns: str) -> AccelerometerEntry:
    unit = {"unit": "g_0"} if time else {}
    return AccelerometerEntry.model_validate(
        {
            "vehicle": "car",
            "at": ["0 m", "0 m", "0 m"],
            "file": file,
            "channels": {name: {"column": column, **unit} for name, column in columns.items()},
            "full_scale": "50 g_0",
        }
        | ({"time": {"column": "time", "unit": "s"}} if time else {})
    )


def _rows(delimiter: str, comma: bool = False) -> str:
    rows = [
        f"{t:.4f}{delimiter}{a:.5g}{delimiter}{-a / 3:.5g}" for t, a in zip(TIME, AX, strict=True)
    ]
    text = "\n".join(rows)
    return text.replace(".", ",") if comma else text


def csv(place: Path) -> tuple[Make, Read]:
    texts = ["time,ax,ay\n" + _rows(","), "Messung\n\ntime;ax;ay\ns;g;g\n" + _rows(";", comma=True)]
    texts += [
        "# made\n# time [s]\tax [g]\tay [g]\n" + _rows("\t"),
        '"time","ax","ay"\n' + _rows(","),
    ]
    seeds = [text.encode(code) for text in texts for code in ("utf-8", "utf-16")]
    table = _sensor("a.csv", ax="ax", ay="ay")

    def read(data: bytes) -> None:
        (place / "a.csv").write_bytes(data)
        read_accelerometer(table, place)

    return from_bytes(*seeds), read


def iso13499(place: Path) -> tuple[Make, Read]:
    codes = {"ax": "11CARS000000ACXP", "ay": "11CARS000000ACYP"}
    channels = tuple(make_channel(c, TIME, AX, "m/s^2") for c in codes.values())
    write_folder(IsoTest("T1", (("Title", "a test"),), (), channels), place / "T1")
    files = sorted(p for p in (place / "T1").rglob("*") if p.is_file())
    whole = {p: p.read_bytes() for p in files}
    table = _sensor("T1", time=False, **codes)
    heads = tuple(whole.values())

    def make(rng: Random) -> bytes:
        which = rng.randrange(len(files))
        return bytes([which]) + mutilated(whole[files[which]], heads, rng)

    def read(data: bytes) -> None:
        changed = files[data[0]]
        changed.write_bytes(data[1:])
        try:
            read_accelerometer(table, place)
        finally:
            changed.write_bytes(whole[changed])

    return make, read


def hdf5(place: Path) -> tuple[Make, Read]:
    with h5py.File(place / "whole.h5", "w") as file:
        for name, values in {"time": TIME, "ax": AX, "ay": -AX}.items():
            file.create_dataset(name, data=values, compression="gzip", chunks=(100,))
            file[name].attrs["unit"] = "s" if name == "time" else "g"
    table = _sensor("a.h5", ax="ax", ay="ay")

    def read(data: bytes) -> None:
        (place / "a.h5").write_bytes(data)
        read_accelerometer(table, place)

    return from_bytes((place / "whole.h5").read_bytes()), read


def lens(place: Path) -> tuple[Make, Read]:
    matrix = np.array([[1500.0, 0, 640], [0, 1500, 512], [0, 0, 1]])
    save_lens(place / "lens.json", Lens(matrix, np.zeros(5), (1280, 1024), np.eye(9)), source="x")
    seed = (place / "lens.json").read_bytes()

    def read(data: bytes) -> None:
        (place / "lens.json").write_bytes(data)
        found = load_lens(place / "lens.json")
        assert np.isfinite(found.matrix).all()

    return from_tree(json.loads(seed), json.dumps, seed), read


def results_json(place: Path) -> tuple[Make, Read]:
    seed = json_text(made_results()).encode()

    def read(data: bytes) -> None:
        try:
            text = data.decode()
        except UnicodeDecodeError:
            return
        read_scalars(text, RESULTS)

    return from_tree(json.loads(seed), json.dumps, seed), read


def results_folder(place: Path) -> tuple[Make, Read]:
    """The arrays of a results folder, and its log."""
    write_data(made_results(), place)
    files = [place / "results.h5", place / "log.jsonl", place / RESULTS]
    whole = {file: file.read_bytes() for file in files}

    def make(rng: Random) -> bytes:
        which = rng.choice((0, 0, 0, 0, 1, 2))
        return bytes([which]) + mutilated(whole[files[which]], (), rng)

    def read(data: bytes) -> None:
        changed = files[data[0]]
        changed.write_bytes(data[1:])
        try:
            read_results(place)
        finally:
            changed.write_bytes(whole[changed])

    return make, read


def log(place: Path) -> tuple[Make, Read]:
    write_data(made_results(), place)
    seed = (place / "log.jsonl").read_bytes()

    def read(data: bytes) -> None:
        read_log(data.decode("utf-8", "replace"), "log.jsonl")

    return from_bytes(seed), read


def steps(place: Path) -> tuple[Make, Read]:
    """The list of a record's changes: it is opened, undone, redone; it leads nowhere else."""
    path = place / "record.toml"
    path.write_bytes(b"schema = 1\n[test]\nnumber = 'A'\n")
    history = RecordFile(path)
    for number in range(3):
        change = Change(("test", "title"), f"title {number}")
        history.change(digest(history.text), "a title", [change])
    history.undo(digest(history.text))
    whole, listed = path.read_bytes(), place / STEPS
    seed = listed.read_bytes()
    texts = {digest(file.read_text("utf-8")) for file in listed.parent.glob("*.toml")}

    def read(data: bytes) -> None:
        path.write_bytes(whole)
        listed.write_bytes(data)
        file = RecordFile(path)
        for way in (file.undo, file.redo):
            way(digest(file.text))
            assert digest(file.text) in texts

    return from_tree(json.loads(seed), json.dumps, seed), read


def actions_of_a_person(place: Path) -> tuple[Make, Read]:
    """What the workbench noted, as an analysis takes it into its log, which can be read again."""
    entry = Entry("edit", "placed", "record.toml", {"changes": [1, "a"]}, "2026-01-01T00:00:00Z")
    seed = log_text([entry] * 4).encode()

    def read(data: bytes) -> None:
        (place / PLACE).mkdir(exist_ok=True)
        (place / PLACE / ACTIONS).write_bytes(data)
        read_log(
            log_text(actions(place)).encode().decode(), ACTIONS
        )  # what is taken over can be read again

    return from_bytes(seed), read


def opener(place: Path) -> tuple[Make, Read]:
    """Names below a test's folder, among links, pipes and folders: none leads out of it."""
    outside = place / "outside"
    outside.mkdir()
    (outside / "secret").write_bytes(b"secret")
    home = place / "home"
    (home / "a").mkdir(parents=True)
    (home / "a" / "file").write_bytes(b"own")
    (home / "link").symlink_to(outside)
    (home / "a" / "link").symlink_to(outside / "secret")
    os.mkfifo(home / "a" / "pipe")
    names = [
        "a",
        "file",
        "link",
        "pipe",
        "..",
        ".",
        "",
        "secret",
        "outside",
        str(outside),
        "\0",
        "~",
    ]

    def make(rng: Random) -> bytes:
        name = "/".join(rng.choice(names) for _ in range(rng.randrange(1, 6)))
        data = name.encode()
        return mutilated(data, (b"a/file",), rng) if rng.random() < 0.5 else data

    def read(data: bytes) -> None:
        try:
            found = read_inside(home, os.fsdecode(data), 100)
        except (OSError, ValueError):
            raise Problem("no plain file", where="home", remedy="leave it out") from None
        assert found == b"own"

    return make, read


def toml_pass(place: Path) -> tuple[Make, Read]:
    """What passes the bounds is read by both parsers in a bounded time."""
    letters = [*"ab.[]{}=,\"'#\n\\ 10", '"""', "'''", "[[", "]]", "a.b", "x = "]

    def make(rng: Random) -> bytes:
        part = "".join(rng.choice(letters) for _ in range(rng.randrange(1, 30)))
        return (part * rng.choice((1, 1, 3, 200))).encode()

    def read(data: bytes) -> None:
        try:
            plain_tables(toml_tables(data.decode()))
        except ValueError:  # no TOML, or out of bounds
            raise Problem("no TOML", where="text", remedy="correct it") from None

    return make, read


def small_film(path: Path, codec: str, layout: str, frames: int = 12) -> bytes:
    """A film of a moving blob on noise."""
    rng = np.random.default_rng(2)
    ground = rng.integers(80, 160, (48, 64)).astype(np.uint8)
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=500, options={"g": "6", "bf": "0"})
        stream.width, stream.height, stream.pix_fmt = 64, 48, layout
        for n in range(frames):
            grey = ground.copy()
            grey[10:20, 2 * n : 2 * n + 10] = 250
            frame = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format=layout)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path.read_bytes()


def films(ending: str, codec: str, layout: str) -> Reader:
    def reader(place: Path) -> tuple[Make, Read]:
        seed = small_film(place / f"whole.{ending}", codec, layout)
        path = place / f"a.{ending}"

        def read(data: bytes) -> None:
            path.write_bytes(data)
            film = open_film(str(path))
            seen = sum(1 for _ in film.forward())
            assert seen <= film.frames
            for _ in film.backward(min(film.frames - 1, 8)):
                pass
            film.frame(film.frames // 2)

        return from_bytes(seed), read

    return reader


def pictures(place: Path) -> tuple[Make, Read]:
    rng = np.random.default_rng(1)
    deep = rng.integers(0, 4096, (48, 64)).astype(np.uint16)
    grey = (deep >> 4).astype(np.uint8)
    colour = np.dstack([grey, grey, deep.astype(np.uint8)])
    seeds = []
    for ending in ("png", "tif", "jpg", "bmp", "pgm", "webp", "jp2"):
        for image in (deep, grey, colour):
            if image is deep and ending not in ("png", "tif", "pgm", "jp2"):
                continue
            if (image is colour and ending == "pgm") or (image is not colour and ending == "webp"):
                continue
            seeds.append(cv2.imencode(f".{ending}", image)[1].tobytes())
    path = place / "1.png"

    def read(data: bytes) -> None:
        path.write_bytes(data)
        if read_picture(str(path), "film") is None:
            raise Problem("the picture can't be read", where="film", remedy="leave it out")

    def make(rng: Random) -> bytes:
        data = bytearray(mutilated(rng.choice(seeds), tuple(seeds), rng))
        if rng.random() < 0.1 and data[:4] == b"\x89PNG"[:4]:  # width and height of a PNG
            data[16:24] = struct.pack(">II", rng.choice((1, 2**20, 2**31 - 1)), 2**20)
        return bytes(data)

    return make, read


READERS: dict[str, Reader] = {
    "record": record,
    "criteria": criteria,
    "csv": csv,
    "iso13499": iso13499,
    "hdf5": hdf5,
    "lens": lens,
    "results.json": results_json,
    "results folder": results_folder,
    "log": log,
    "steps.json": steps,
    "actions.jsonl": actions_of_a_person,
    "opener": opener,
    "toml": toml_pass,
    "h264 mp4": films("mp4", "libx264", "yuv420p"),
    "mjpeg avi": films("avi", "mjpeg", "yuvj420p"),
    "ffv1 mkv": films("mkv", "ffv1", "gray"),
    "pictures": pictures,
}
