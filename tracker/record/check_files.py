"""The files that a record names: inside its folder, and there.

Works on the table as TOML gave it, so that a missing film is reported together with every other
error of the record; what has the wrong type is skipped here and reported by the schema.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from tracker.core.units import brief
from tracker.record.types import nearest

Key = tuple[str | int, ...]
Complaint = tuple[Key, str, str]
"""Key path, what is wrong, what to do."""

PICTURES = (".png", ".tif", ".tiff", ".jpg", ".jpeg")
HDF5 = (".h5", ".hdf5", ".hdf")
REMOTE = (
    "http", "https", "ftp", "sftp", "ssh", "smb", "s3", "s3a", "gs", "gcs", "az", "abfs", "abfss",
    "adl", "oss", "hdfs", "webhdfs",
)  # fmt: skip
"""Kinds of address at which films may lie; none of them reaches this machine's own files."""
WRITE_INSIDE = "keep the file in the record's folder and write its path relative to it"


def tables(raw: object, *path: str) -> Iterator[tuple[Key, dict[str, Any]]]:
    """Key path and content of every table below `path`, in a table or a list of tables."""
    for key in path:
        raw = raw.get(key) if isinstance(raw, dict) else None
    entries: Any = raw.items() if isinstance(raw, dict) else ()
    entries = enumerate(raw) if isinstance(raw, list) else entries
    for key, table in entries:
        if isinstance(table, dict):
            yield (*path, key), table


def is_url(name: str) -> bool:
    """Whether the name is an fsspec URL; those are not looked up in the record's folder."""
    return "://" in name


def is_pattern(name: str) -> bool:
    """Whether the name holds wildcards."""
    return any(c in name for c in "*?[")


def matches(folder: Path, name: str) -> list[Path]:
    """What a path or pattern stands for, sorted by name; a literal name wins over a pattern."""
    if is_pattern(name) and not (folder / name).exists():
        return sorted(folder.glob(name), key=str)
    return [folder / name] if (folder / name).exists() else []


def is_inside(folder: Path, name: str) -> bool:
    """Whether a path or pattern leads to what lies in the folder, not through a link or out."""
    if is_url(name) or not name.strip() or _outside(name):
        return False
    try:
        return not _is_escaping(folder, matches(folder, name))
    except (OSError, ValueError):
        return False


def check_files(raw: dict[str, Any], folder: Path) -> Iterator[Complaint]:
    """Every complaint about files that the record names."""
    for key, camera in tables(raw, "cameras"):
        film = camera.get("film")
        if isinstance(film, str):
            yield from _check(folder, film, (*key, "film"), "film")
            yield from _check_pictures(folder, film, camera, key)
        lens = camera.get("lens")
        if isinstance(lens, dict):
            for entry in ("chessboard", "dots", "file"):
                if isinstance(lens.get(entry), str):
                    yield from _check(folder, lens[entry], (*key, "lens", entry), entry)
    for key, sensor in tables(raw, "accelerometers"):
        file = sensor.get("file")
        if isinstance(file, str):
            yield from _check(folder, file, (*key, "file"), "accelerometer file")
            yield from _check_columns(folder, file, sensor, key)
        for place, channel in tables(sensor, "channels"):
            own = channel.get("file")
            if isinstance(own, str):
                yield from _check(folder, own, (*key, *place, "file"), "accelerometer file")
    test = raw.get("test")
    criteria = test.get("criteria") if isinstance(test, dict) else None
    if isinstance(criteria, str) and criteria.endswith(".toml"):
        yield from _check(folder, criteria, ("test", "criteria"), "criteria file")


def _check(folder: Path, name: str, key: Key, what: str) -> Iterator[Complaint]:
    if not name.strip():
        return
    if is_url(name):
        yield from _check_address(name, key, what)
        return
    outside = _outside(name)
    if outside:
        yield key, f"the {what} {brief(name)} {outside}", WRITE_INSIDE
        return
    try:
        found = matches(folder, name)
        escaped = _is_escaping(folder, found)
        special = None if escaped else next(filter(_is_special, _whole(found)), None)
        unreadable = not escaped and not all(os.access(path, os.R_OK) for path in found[:1])
    except OSError as error:
        yield key, f"the {what} {brief(name)} can't be looked up ({error.strerror})", WRITE_INSIDE
        return
    if escaped:
        yield key, f"the {what} {brief(name)} is a link that leads out of the folder", WRITE_INSIDE
    elif special is not None:
        at = "" if special == folder / name else f" holds {brief(special.name)}, which"
        wrong = f"the {what} {brief(name)}{at} is no file but a pipe or a device"
        yield key, wrong, "put the file itself there"
    elif not found:
        yield key, f"the {what} {brief(name)} is not there", _alternative(folder, name)
    elif unreadable:
        yield key, f"the {what} {brief(name)} can't be read", "give yourself read permission"


def _check_address(name: str, key: Key, what: str) -> Iterator[Complaint]:
    """Films only, and only where no file of this machine can be reached."""
    scheme = name.split("://", 1)[0].lower()
    if what != "film":
        yield key, f"the {what} {brief(name)} is an address, which only a film may be", WRITE_INSIDE
    elif scheme not in REMOTE or "::" in name or not name.isprintable():
        remedy = f"{WRITE_INSIDE}, or use an address of {', '.join(REMOTE[:3])}, s3, gs, az, sftp"
        yield key, f"films at an address such as {brief(name)} are not opened", remedy


def _outside(name: str) -> str | None:
    """Why a path as written is refused, None if it stays inside."""
    if not name.isprintable() or len(name) > 500:
        return "is not a path"
    windows = PureWindowsPath(name)
    if windows.drive or windows.root or PurePosixPath(name).is_absolute():
        return "is an absolute path"
    if ".." in windows.parts or ".." in PurePosixPath(name).parts:
        return "climbs out of the record's folder"
    if ":" in name:
        return "holds a colon, with which some programs begin an address"
    if "**" in name:
        return "searches folders in any depth"
    return None


def _is_escaping(folder: Path, found: list[Path]) -> bool:
    """Whether a path, or a link anywhere in a folder it names, leads out of `folder`."""
    home = folder.resolve()
    targets = {path.parent for path in found} | {path for path in found if path.is_symlink()}
    for path in found if len(found) == 1 else ():
        targets |= set(_links(path)) if path.is_dir() else set()
    return not all(target.resolve().is_relative_to(home) for target in targets)


def _links(folder: str | Path) -> Iterator[Path]:
    """The symbolic links in a folder and the folders in it."""
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_symlink():
                yield Path(entry.path)
            elif entry.is_dir():
                yield from _links(entry.path)


def _whole(found: list[Path]) -> Iterator[Path]:
    """What was found and, where that is one folder, all that lies in it."""
    yield from found
    if len(found) == 1 and found[0].is_dir():
        yield from found[0].rglob("*")


def _is_special(path: Path) -> bool:
    """Whether this is there and neither a file nor a folder: opening it might wait for ever."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return False
    return not stat.S_ISREG(mode) and not stat.S_ISDIR(mode)


def _alternative(folder: Path, name: str) -> str:
    """A file that is there and is called much the same."""
    parent = (folder / name).parent
    try:
        there = [entry.name for entry in os.scandir(parent)][:10_000]
    except OSError:
        return "put it there, or correct the path"
    close = nearest(Path(name).name, there)
    return f"did you mean {brief(close)}; correct it" if close else "put it there, or correct it"


def _check_pictures(
    folder: Path, film: str, camera: dict[str, Any], key: Key
) -> Iterator[Complaint]:
    """A folder or pattern must hold pictures, and pictures have no time of their own."""
    if is_url(film) or _outside(film):
        return
    try:
        found = matches(folder, film)
        is_folder = len(found) == 1 and found[0].is_dir()
        inside = [e.name for e in os.scandir(found[0])] if is_folder else [p.name for p in found]
    except OSError:
        return
    pictures = any(name.lower().endswith(PICTURES) for name in inside)
    if is_folder and not pictures:
        yield (
            (*key, "film"),
            f"the folder {brief(film)} holds no pictures",
            "put numbered PNG, TIFF or JPEG files in it, or correct the path",
        )
    elif pictures and "frame_rate" not in camera:
        yield (
            (*key, "frame_rate"),
            "the frame rate is missing, and pictures have no time of their own",
            'add it, as frame_rate = "1000 1/s"',
        )


def _check_columns(
    folder: Path, file: str, sensor: dict[str, Any], key: Key
) -> Iterator[Complaint]:
    """A table needs a time column, a CSV file also units; an ISO/TS 13499 folder brings both."""
    ending = PurePosixPath(file).suffix.lower()
    if is_url(file) or _outside(file) or ending == ".mme" or (folder / file).is_dir():
        return
    if "time" not in sensor:
        yield (
            (*key, "time"),
            "the time column is missing, which only an ISO/TS 13499 folder can do without",
            'add it, as time = { column = "time", unit = "s" }',
        )
    for channel, table in tables(sensor, "channels"):
        if "unit" not in table and ending not in HDF5:
            yield (
                (*key, *channel, "unit"),
                "the unit is missing, which a CSV file needs",
                'add it, as unit = "g_0"',
            )
