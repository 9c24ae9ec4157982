"""Where the columns of a signal come from: a text file, HDF5, or an ISO/TS 13499 folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.arrays import Array
from calibration.errors import RECORD, RecordError
from tracker.accelerometers.iso13499 import read_folder
from tracker.accelerometers.options import ACCELEROMETERS
from tracker.accelerometers.text_table import read_columns
from tracker.core.units import brief
from tracker.storage.hdf5 import FAULTS, check_promise, numbers, open_hdf5, reason


@dataclass(frozen=True)
class Source:
    """Columns (n,) by name, as the file has them."""

    time: Array  # (n,) in the file's unit; s from an ISO/TS 13499 folder
    values: dict[str, Array]
    units: dict[str, str]  # of the columns, where the file states them
    notes: tuple[str, ...]


def read_source(path: Path, time: str | None, channels: Sequence[str]) -> Source:
    """The time column and the channels of a file or folder.

    Raises
    ------
    Problem : nothing is there, a column is missing, or a file of columns has no time column.
    """
    if path.is_dir() or path.suffix.casefold() == ".mme":
        return _from_folder(path, channels)
    if time is None:
        raise RecordError(
            "the record does not say which column holds the time",
            where=str(path),
            remedy='add time = { column = "...", unit = "s" } to the accelerometer',
            status=RECORD,
        )
    if path.suffix.casefold() in (".h5", ".hdf5", ".hdf"):
        return _from_hdf5(path, (time, *channels))
    columns = read_columns(path, (time, *channels))
    unread = tuple(
        f"{count} cells of column {brief(name)} are no numbers, the first is {brief(text)} in line "
        f"{line}"
        for name, (count, line, text) in columns.text_cells.items()
    )
    values = dict(columns.values)
    stamps = values[time] if time in channels else values.pop(time)
    return Source(stamps, values, columns.units, (*columns.notes, *unread))


def _from_hdf5(path: Path, names: Sequence[str]) -> Source:
    try:
        with open_hdf5(path) as file:
            missing = next((name for name in names if name not in file), None)
            if missing is None:
                check_promise([file[n] for n in names], ACCELEROMETERS.most_numbers)
                columns = {n: numbers(file, n).astype(float).ravel() for n in names}
                units = {name: unit for name in names if (unit := _unit_of(file[name])) is not None}
    except FAULTS as error:
        raise RecordError(
            f"this is no HDF5 file that can be read ({reason(error)})",
            where=str(path),
            remedy="check its name and its place beside the record",
            status=RECORD,
        ) from None
    if missing is not None:
        raise RecordError(
            f"there is no dataset {brief(missing)}",
            where=str(path),
            remedy="name the datasets by their path in the file",
            status=RECORD,
        )
    if len({len(column) for column in columns.values()}) > 1:
        raise RecordError(
            "the datasets differ in length",
            where=str(path),
            remedy="give datasets of one time base",
            status=RECORD,
        )
    return Source(columns[names[0]], columns, units, ())


def _unit_of(dataset: Any) -> str | None:
    """The unit that a dataset states in its attribute `unit` or `units`."""
    for key in ("unit", "units"):
        text = dataset.attrs.get(key)
        if isinstance(text, bytes):
            text = text.decode("utf-8", errors="replace")
        if isinstance(text, str) and text.strip():
            return text.strip()
    return None


def _from_folder(path: Path, channels: Sequence[str]) -> Source:
    test = read_folder(path)
    chosen = {name: test.channel(name, str(path)) for name in channels}
    first = next(iter(chosen.values()))
    notes = [*test.notes]
    columns, units = {}, {}
    for name, channel in chosen.items():
        notes.extend(channel.notes)
        if channel.unit is not None:
            units[name] = channel.unit
        same = len(channel.time) == len(first.time) and np.allclose(
            channel.time, first.time, rtol=0.0, atol=1e-9
        )
        columns[name] = (
            channel.values
            if same
            else np.interp(first.time, channel.time, channel.values, np.nan, np.nan)
        )
        if not same:
            notes.append(f"{name} was resampled to the time steps of {first.code}")
    return Source(first.time, columns, units, tuple(notes))
