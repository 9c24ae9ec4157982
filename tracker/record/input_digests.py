"""Which files an analysis was made from: name in the record to SHA-256."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from calibration.errors import RECORD, RecordError
from calibration.files import open_regular
from tracker.record.load import Record


def digests(record: Record) -> dict[str, str]:
    """SHA-256 of the record and of every local file it names, by the name it gives.

    A folder or a glob of pictures has one digest over its files' names and contents, in order.
    Films at an address are not read again for it and are left out.
    """
    found = {record.path.name: _digest([record.path])}
    for name in _names(record):
        if "://" in name:
            continue
        files = _files(record.folder, name)
        found[name] = _digest(files)
    return found


def _names(record: Record) -> Iterator[str]:
    for camera in record.cameras.values():
        yield camera.film
        if camera.lens is not None:
            yield from (n for n in (camera.lens.board, camera.lens.file) if n)
    for accelerometer in record.accelerometers:
        yield from accelerometer.files
    if record.test.criteria.endswith(".toml"):
        yield record.test.criteria


def _files(folder: Path, name: str) -> list[Path]:
    place = folder / name
    if place.is_file():
        return [place]
    if place.is_dir():
        return sorted(p for p in place.rglob("*") if p.is_file())
    return sorted(folder.glob(name))


def _digest(files: list[Path]) -> str:
    if len(files) == 1:
        return _sha256(files[0]).hexdigest()
    whole = hashlib.sha256()
    for file in files:
        whole.update(file.name.encode() + b"\0" + _sha256(file).digest())
    return whole.hexdigest()


def _sha256(file: Path) -> hashlib._Hash:
    try:
        with open_regular(file) as stream:
            return hashlib.file_digest(stream, "sha256")
    except OSError as error:
        raise RecordError(
            f"the file can't be read ({error.strerror})",
            where=str(file),
            remedy="check that it is there and may be read",
            status=RECORD,
        ) from error
