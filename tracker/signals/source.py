"""Where the columns of a signal come from: a text file, HDF5, or an ISO/TS 13499 folder."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np

from calibration.camera import Array
from calibration.problem import RECORD, Problem
from tracker.signals.iso13499 import read_folder
from tracker.signals.table import read_columns


@dataclass(frozen=True)
class Source:
    """Columns (n,) by name, as the file has them."""

    values: dict[str, Array]
    si_time: bool  # the time column is already in s
    notes: tuple[str, ...]


def read_source(path: Path, time: str, channels: Sequence[str]) -> Source:
    """The time column and the channels of a file or folder.

    Raises
    ------
    Problem : nothing is there, or a column is missing.
    """
    if path.is_dir() or path.suffix.casefold() == ".mme":
        return _from_folder(path, time, channels)
    if path.suffix.casefold() in (".h5", ".hdf5", ".hdf"):
        return _from_hdf5(path, (time, *channels))
    columns = read_columns(path, (time, *channels))
    notes = tuple(
        f'{count} cells of column "{name}" are no numbers, the first is "{text}" in line {line}'
        for name, (count, line, text) in columns.text_cells.items()
    )
    return Source(columns.values, False, notes)


def _from_hdf5(path: Path, names: Sequence[str]) -> Source:
    try:
        with h5py.File(path, "r") as file:
            missing = next((name for name in names if name not in file), None)
            if missing is None:
                columns = {name: np.asarray(file[name], dtype=float).ravel() for name in names}
    except (OSError, TypeError, ValueError):
        raise Problem(
            "this is no HDF5 file that can be read",
            where=str(path),
            remedy="check its name and its place beside the record",
            status=RECORD,
        ) from None
    if missing is not None:
        raise Problem(
            f'there is no dataset "{missing}"',
            where=str(path),
            remedy="name the datasets by their path in the file",
            status=RECORD,
        )
    if len({len(column) for column in columns.values()}) > 1:
        raise Problem(
            "the datasets differ in length",
            where=str(path),
            remedy="give datasets of one time base",
            status=RECORD,
        )
    return Source(columns, False, ())


def _from_folder(path: Path, time: str, channels: Sequence[str]) -> Source:
    test = read_folder(path)
    chosen = {name: test.channel(name, str(path)) for name in channels}
    first = next(iter(chosen.values()))
    notes = [*test.notes]
    columns = {time: first.time}
    for name, channel in chosen.items():
        notes.extend(channel.notes)
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
    return Source(columns, True, tuple(notes))
