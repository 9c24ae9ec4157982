"""Films that are folders or globs of numbered pictures."""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.errors import FilmError
from calibration.findings import Diagnostic
from calibration.picture_size import promised_bytes
from tracker.core.units import brief
from tracker.film.findings import FaultLog, number_gaps
from tracker.film.luma import Luma
from tracker.film.opened import Frames, OpenedFilm
from tracker.film.options import FILM
from tracker.film.places import open_bytes, picture_files


class PictureSequence:
    """Pictures one after the other; those that can't be read are left out and noted."""

    def __init__(self, names: list[str], size: tuple[int, int], where: str) -> None:
        self.names = names
        self.size = size
        self.where = where
        self.faults = FaultLog()
        self.faulty: set[int] = set()
        self.starts = range(len(names))

    def read(self, first: int) -> Frames:
        """(index, luma) from `first` to the last picture."""
        for index in range(first, len(self.names)):
            luma = read_picture(self.names[index], self.where)
            if luma is not None and (luma.shape[1], luma.shape[0]) == self.size:
                yield index, luma
                continue
            self._note(
                index, "can't be read" if luma is None else "has another size than the first"
            )

    def _note(self, index: int, fault: str) -> None:
        """Note what is wrong with the first few pictures, and how many there are besides."""
        if index in self.faulty:
            return
        self.faulty.add(index)
        more = len(self.faulty) - FILM.frames_named
        name = PurePosixPath(self.names[index]).name
        text = f"the picture {brief(name)} (frame {index}) {fault}"
        if more > 0:
            text = f"{more} more pictures can't be used"
        fault_met = Diagnostic("frame_damaged", text, self.where)
        self.faults.note(fault_met, key="more pictures" if more > 0 else None)


def read_picture(name: str, where: str) -> Luma | None:
    """Luma (height, width) of a picture file with its full bit depth; None if it can't be read or
    is larger than a picture may be.

    Colours are weighed to luma as in Recommendation ITU-R BT.601.
    """
    try:
        with open_bytes(name, where) as file:
            data = file.read(FILM.largest_picture + 1)
        promised = promised_bytes(data)
        if promised is None or max(len(data), promised) > FILM.largest_picture:
            return None
        found = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    except (OSError, ValueError, cv2.error):
        return None
    if found is None or found.dtype not in (np.uint8, np.uint16):
        return None
    return _grey(found)


def _grey(found: NDArray[Any]) -> Luma:
    channels = found.shape[2] if found.ndim == 3 else 0
    if channels >= 3:
        found = cv2.cvtColor(found, cv2.COLOR_BGR2GRAY if channels == 3 else cv2.COLOR_BGRA2GRAY)
    elif channels:
        found = np.ascontiguousarray(found[:, :, 0])
    if found.dtype == np.uint8:
        return found.astype(np.uint8, copy=False)
    return found.astype(np.uint16, copy=False)


def open_pictures(path: str, where: str) -> OpenedFilm:
    """Open a folder or glob of pictures. Raises `FilmError` if none of them can be read."""
    names = picture_files(path, where)
    first = next(
        (luma for luma in (read_picture(n, where) for n in names[:3]) if luma is not None), None
    )
    if first is None:
        raise FilmError(
            "the first pictures can't be read",
            where=where,
            remedy="give 8 to 16-bit PNG, TIFF or JPEG pictures, decoded of "
            f"{FILM.largest_picture >> 20} MiB at most",
        )
    size = (first.shape[1], first.shape[0])
    return OpenedFilm(
        source=PictureSequence(names, size, where),
        size=size,
        bits=first.dtype.itemsize * 8,
        stamps=np.full(len(names), np.nan),
        rate=float("nan"),
        findings=tuple(number_gaps([_number(name) for name in names], where)),
    )


def _number(name: str) -> int | None:
    numbers = re.findall(r"\d+", PurePosixPath(name).stem)
    return int(numbers[-1]) if numbers else None
