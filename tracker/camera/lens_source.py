"""A camera's lens as the record gives it, and straight lines that test it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.arrays import Array
from calibration.board.calibrate import (
    LensCalibration,
    dots_of_pictures,
    lens_from_board,
    lens_from_chessboard,
    lens_from_dots,
)
from calibration.board.detect import Board, Grey
from calibration.board.dictionaries import DICTIONARIES
from calibration.board.dots import DotBoard
from calibration.camera import Lens
from calibration.errors import FILM, CalibrationError
from calibration.findings import Diagnostic
from calibration.image_motion.stabilise import Stabilisation
from calibration.lens import LensUncertainty, given_lens, load_lens, sagitta
from tracker.camera.options import CAMERA
from tracker.film import MOVIE_SUFFIXES, open_film
from tracker.film.luma import eight_bits
from tracker.record.camera import LensEntry, StraightLine
from tracker.record.schema import Record


@dataclass(frozen=True)
class CameraOptics:
    """A lens, None where it is to be solved with the pose; how the board's corners agree with it,
    where it comes from a board; diagnostics.
    """

    lens: Lens | None
    fit: LensCalibration | None = None
    warnings: tuple[Diagnostic, ...] = ()


def camera_optics(record: Record, name: str, size: tuple[int, int]) -> CameraOptics:
    """The lens that the record gives for a camera."""
    entry = record.cameras[name].lens
    return CameraOptics(None) if entry is None else read_lens(entry, record.folder, size, name)


def lens_of(
    record: Record, name: str, size: tuple[int, int]
) -> tuple[Lens | None, list[Diagnostic]]:
    """The lens of `camera_optics` and its warnings."""
    found = camera_optics(record, name, size)
    return found.lens, list(found.warnings)


def read_lens(
    entry: LensEntry, folder: Path, size: tuple[int, int] | None, camera: str
) -> CameraOptics:
    """The lens in any of its forms. Without the picture's `size`, that of its file or pictures,
    or twice the principal point.
    """
    where = f"cameras.{camera}.lens"
    if entry.file is not None:
        return CameraOptics(load_lens(folder / entry.file, size=size, where=where))
    if entry.board is not None:
        found = (_from_dots if entry.dots else _from_board)(entry, folder, where)
        if size is not None and found.lens.size != tuple(size):
            width, height = found.lens.size
            raise CalibrationError(
                f"the pictures of the board have {width} x {height} px, the film has "
                f"{size[0]} x {size[1]}",
                where=where,
                remedy="take them with the film's camera at the film's setting",
                status=FILM,
            )
        warnings = tuple(f.at(where) for f in found.findings)
        return CameraOptics(found.lens, found, warnings)
    assert entry.camera_matrix is not None
    (_, _, cx), (_, _, cy), _ = entry.camera_matrix
    size = size or (round(2 * cx + 1), round(2 * cy + 1))
    stated = {} if entry.u is None else entry.u.model_dump(exclude_none=True)
    u = LensUncertainty(**stated)
    return CameraOptics(
        given_lens(entry.camera_matrix, entry.distortion or (0.0,) * 5, size, u=u, where=where)
    )


def _from_board(entry: LensEntry, folder: Path, where: str) -> LensCalibration:
    assert entry.chessboard is not None
    assert entry.inner_corners is not None
    assert entry.square is not None
    dictionary = entry.dictionary or DICTIONARIES[0]
    board = Board(entry.inner_corners, entry.square, entry.marker, dictionary)
    if not _is_clip(entry.chessboard):
        return lens_from_chessboard(
            sorted(folder.glob(entry.chessboard)),
            inner_corners=board.inner_corners,
            square=board.square,
            marker=board.marker,
            dictionary=dictionary,
            where=where,
        )
    frames = _board_frames(str(folder / entry.chessboard), where)
    return lens_from_board(frames, board, most=CAMERA.board_frames_used, where=where)


def _from_dots(entry: LensEntry, folder: Path, where: str) -> LensCalibration:
    assert entry.dots is not None
    assert entry.grid is not None
    assert entry.spacing is not None
    board = DotBoard(entry.grid, entry.spacing)
    if not _is_clip(entry.dots):
        return dots_of_pictures(sorted(folder.glob(entry.dots)), board, where=where)
    frames = _board_frames(str(folder / entry.dots), where)
    return lens_from_dots(frames, board, most=CAMERA.board_frames_used, where=where)


def _is_clip(name: str) -> bool:
    return name.lower().endswith(MOVIE_SUFFIXES) and "*" not in name


def _board_frames(path: str, where: str) -> Iterator[tuple[str, Grey]]:
    """Frames of a clip of the board, evenly over its length, as 8-bit grey."""
    film = open_film(path, where=where)
    step = max(1, film.frames // CAMERA.board_frames)
    for index, luma in film.forward():
        if index % step == 0:
            yield f"frame {index}", eight_bits(luma, film.bits)


def check_straight_lines(
    lines: Sequence[StraightLine], lens: Lens, stabilisation: Stabilisation, where: str
) -> Iterator[Diagnostic]:
    """How lines that are straight in the world test the lens: the sagitta of each in the picture,
    and what remains of it once distortion is taken out.
    """
    pinhole = lens.with_values(np.array([*lens.values[:4], 0, 0, 0, 0, 0]))
    for number, line in enumerate(lines, start=1):
        pixels: Array = stabilisation.stabilised_pixels(line.frame, np.array(line.pixels))
        seen, _ = sagitta(pinhole, pixels, CAMERA.line_pick_u)
        remaining, u = sagitta(lens, pixels, CAMERA.line_pick_u)
        place = f"{where}.straight[{number}]"
        if abs(remaining) > CAMERA.line_sigmas * u:
            text = (
                f"the line is still bent by {abs(remaining):.1f} px (u {u:.1f} px) after "
                f"correction, {abs(seen):.1f} px before: the lens' distortion doesn't hold "
                "in this film, or the line isn't straight"
            )
            yield Diagnostic("line_bent", text, place)
        else:
            text = (
                f"the line is bent by {abs(seen):.1f} px in the picture and by "
                f"{abs(remaining):.1f} px (u {u:.1f} px) after correction: "
                "the distortion holds there"
            )
            yield Diagnostic("line_straight", text, place)
