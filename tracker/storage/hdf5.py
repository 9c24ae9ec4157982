"""HDF5 files of others: numbers only, out of this file only, and no more than fit into memory."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import h5py
import numpy as np

from calibration.arrays import Array
from calibration.files import open_regular

LARGEST = 50_000_000
"""Most numbers of one dataset that are read. A file of a few bytes can promise any number."""
FAULTS = (
    OSError, KeyError, RuntimeError, TypeError, ValueError, OverflowError, AttributeError,
    IndexError, RecursionError, MemoryError,
)  # fmt: skip
"""What reading a damaged file may raise."""


def open_hdf5(path: Path) -> Any:
    """The file, open for reading. Raises OSError, also for what is no plain file."""
    with open_regular(path):
        return h5py.File(path, "r")


def numbers(group: Any, name: str) -> Array:
    """The numbers of a dataset, in the shape and type that it has.

    Raises KeyError where it is not there, ValueError where it is no dataset of numbers, too
    large, or lies in another file (external links, external and virtual storage).
    """
    dataset = group[name]
    if not isinstance(dataset, h5py.Dataset):
        raise ValueError(f"{name} is no dataset")
    if dataset.dtype.kind not in "iufb":
        raise ValueError(f"{name} holds no numbers")
    elsewhere = dataset.file.filename != group.file.filename
    if elsewhere or dataset.external or dataset.is_virtual:
        raise ValueError(f"{name} lies in another file")
    if dataset.size is None or dataset.size > LARGEST:
        raise ValueError(f"{name} promises more numbers than are read")
    return np.asarray(dataset[()])


def refuse_links(file: Any) -> None:
    """Raises ValueError where a group of the file holds a link to another file or a place in one.

    A group behind an external link is of that other file: what is read from it would come from
    there.
    """

    def check(group: Any) -> None:
        for name in group:
            if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                raise ValueError(f"{name} is a link, which may lead to another file")

    def visit(_: str, member: Any) -> None:
        if isinstance(member, h5py.Group):
            check(member)

    check(file)
    file.visititems(visit)


def reason(error: BaseException) -> str:
    """A library's message about a damaged file, as a short clause."""
    text = error.strerror if isinstance(error, OSError) and error.strerror else error
    lines = str(text).strip("\"'").splitlines()
    return lines[0][:80] if lines else type(error).__name__
