"""HDF5 files of others: numbers only, out of this file only, and no more than fit into memory."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from calibration.arrays import Array
from calibration.files import open_regular

LARGEST = 25_000_000
"""Most numbers that are read of a file. A file of a few bytes can promise any number."""
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
    check_promise([dataset])
    return np.asarray(dataset[()])


def check_promise(members: Iterable[Any], most: int = LARGEST) -> None:
    """Raises ValueError where datasets among these promise more than `most` numbers together."""
    sizes = [m.size for m in members if isinstance(m, h5py.Dataset)]
    if None in sizes or sum(sizes) > most:
        raise ValueError("it promises more numbers than are read")


def check_own(file: Any) -> None:
    """Raises ValueError unless the file holds all that it names, once, and no more than is read.

    A group behind an external link is of another file: what is read from it would come from there.
    What has several names would be read, and take memory, as often.
    """
    datasets: list[Any] = []

    def check(group: Any) -> None:
        for name in group:
            if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                raise ValueError(f"{name} is a link, which may lead to another file")

    def visit(name: str, member: Any) -> None:
        if h5py.h5o.get_info(member.id).rc > 1:
            raise ValueError(f"{name} has several names")
        if isinstance(member, h5py.Group):
            check(member)
        else:
            datasets.append(member)

    check(file)
    file.visititems(visit)
    check_promise(datasets)


def reason(error: BaseException) -> str:
    """A library's message about a damaged file, as a short clause."""
    text = error.strerror if isinstance(error, OSError) and error.strerror else error
    lines = str(text).strip("\"'").splitlines()
    return lines[0][:80] if lines else type(error).__name__
