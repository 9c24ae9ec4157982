"""Films that are folders or globs of numbered pictures."""

from __future__ import annotations

import re
from pathlib import PurePosixPath
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.errors import FILM, FilmError
from calibration.findings import Diagnostic
from tracker.core.units import brief
from tracker.film.findings import skipped
from tracker.film.luma import Luma
from tracker.film.opened import Frames, Opened
from tracker.film.places import listed, opened

SHOWN = 8  # pictures that can't be used, each of which is named
LARGEST = 2**30
"""Bytes of the largest picture file that is read."""


class Pictures:
    """Pictures one after the other; those that can't be read are left out and noted."""

    def __init__(
        self, names: list[str], size: tuple[int, int], where: str, findings: list[Diagnostic]
    ) -> None:
        self.names = names
        self.size = size
        self.where = where
        self.findings = findings
        self.faulty: set[int] = set()
        self.more = Diagnostic("frame_damaged", "", where)
        self.starts = range(len(names))

    def read(self, first: int) -> Frames:
        """(index, luma) from `first` to the last picture."""
        for index in range(first, len(self.names)):
            luma = picture(self.names[index], self.where)
            if luma is not None and (luma.shape[1], luma.shape[0]) == self.size:
                yield index, luma
                continue
            self._note(
                index, "can't be read" if luma is None else "has another size than the first"
            )

    def _note(self, index: int, fault: str) -> None:
        """Say what is wrong with the first few pictures, and how many there are besides."""
        if index in self.faulty:
            return
        self.faulty.add(index)
        more = len(self.faulty) - SHOWN
        name = PurePosixPath(self.names[index]).name
        text = f"the picture {brief(name)} (frame {index}) {fault}"
        if more > 0:
            text = f"{more} more pictures can't be used"
        if more > 1:
            self.findings.remove(self.more)
        self.more = Diagnostic("frame_damaged", text, self.where)
        self.findings.append(self.more)


def picture(name: str, where: str) -> Luma | None:
    """Luma (height, width) of a picture file with its full bit depth; None if it can't be read or
    is larger than a picture may be.

    Colours are weighed to luma as in Recommendation ITU-R BT.601.
    """
    try:
        with opened(name, where) as file:
            data = np.frombuffer(file.read(LARGEST + 1), np.uint8)
        readable = 0 < data.size <= LARGEST
        found = cv2.imdecode(data, cv2.IMREAD_UNCHANGED) if readable else None
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


def open_pictures(path: str, where: str) -> Opened:
    """Open a folder or glob of pictures. Raises `Problem` if none of them can be read."""
    names = listed(path, where)
    first = next(
        (luma for luma in (picture(n, where) for n in names[:3]) if luma is not None), None
    )
    if first is None:
        raise FilmError(
            "the first pictures can't be read",
            where=where,
            remedy="give 8 to 16-bit PNG, TIFF or JPEG pictures",
            status=FILM,
        )
    size = (first.shape[1], first.shape[0])
    findings = skipped([_number(name) for name in names], where)
    return Opened(
        source=Pictures(names, size, where, findings),
        size=size,
        bits=first.dtype.itemsize * 8,
        stamps=np.full(len(names), np.nan),
        rate=float("nan"),
        findings=findings,
    )


def _number(name: str) -> int | None:
    numbers = re.findall(r"\d+", PurePosixPath(name).stem)
    return int(numbers[-1]) if numbers else None
