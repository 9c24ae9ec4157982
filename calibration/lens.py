"""Lenses: from chessboard pictures, from given coefficients, and files of them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.arrays import Array
from calibration.board.calibrate import LensCalibration, lens_from_board, lens_from_chessboard
from calibration.board.detect import Board
from calibration.board.options import OPTICS
from calibration.camera import Lens
from calibration.errors import RECORD, CalibrationError
from calibration.files import read_bounded, write_text

__all__ = [
    "Board",
    "LensCalibration",
    "LensUncertainty",
    "given_lens",
    "lens_from_board",
    "lens_from_chessboard",
    "load_lens",
    "sagitta",
    "save_lens",
    "straightness",
]

_SCHEMA = 1


@dataclass(frozen=True)
class LensUncertainty:
    """Standard uncertainties of a given lens. The defaults fit an ordinary calibration: a board
    seen in a dozen pictures, the lens refocused a little since.
    """

    focal: float = OPTICS.given_focal_u  # relative, common to both axes
    centre: float = OPTICS.given_centre_u  # px, of each coordinate of the principal point
    distortion: tuple[float, float, float, float, float] = (
        OPTICS.given_k1_u,
        OPTICS.given_k2_u,
        OPTICS.given_decentring_u,
        OPTICS.given_decentring_u,
        OPTICS.given_k3_u,
    )


def given_lens(
    camera_matrix: Sequence[Sequence[float]],
    distortion: Sequence[float],
    size: tuple[int, int],
    *,
    u: LensUncertainty = LensUncertainty(),
    where: str = "lens",
) -> Lens:
    """The lens of these coefficients (OpenCV's matrix and order k1 k2 p1 p2 k3), px.

    Every value has its standard uncertainty `u`, independent of the others': none is exact, and
    surveyed points and marks correct it within that.

    Raises `CalibrationError` for a matrix or coefficients of the wrong shape, skew, focal
    lengths that aren't positive, or a principal point outside the picture.
    """
    matrix = np.asarray(camera_matrix, dtype=np.float64)
    values = np.asarray(distortion, dtype=np.float64).ravel()
    width, height = size

    def wrong(what: str, remedy: str) -> CalibrationError:
        return CalibrationError(what, where=where, remedy=remedy, status=RECORD)

    form = "give [[fx, 0, cx], [0, fy, cy], [0, 0, 1]] in px"
    if matrix.shape != (3, 3) or not np.isfinite(matrix).all():
        raise wrong("the camera matrix isn't 3 x 3", form)
    if (
        matrix[0, 1]
        or matrix[1, 0]
        or (matrix[2] != [0, 0, 1]).any()
        or matrix[0, 0] <= 0
        or (matrix[1, 1] <= 0)
    ):
        raise wrong("the camera matrix has another form than a camera's", form)
    if not (0 < matrix[0, 2] < width and 0 < matrix[1, 2] < height):
        raise wrong(
            f"the principal point ({matrix[0, 2]:g}, {matrix[1, 2]:g}) lies outside the picture of "
            f"{width} x {height} px",
            "check that the lens was calibrated with pictures of this size",
        )
    if len(values) > 5 and values[5:].any():
        raise wrong(
            f"{len(values)} distortion coefficients are given",
            "calibrate with the five coefficients k1 k2 p1 p2 k3",
        )
    padded = np.zeros(5)
    padded[: min(5, len(values))] = values[:5]
    focal = np.diag(matrix)[:2]
    spread = np.zeros((9, 9))
    spread[:2, 0] = u.focal * focal
    spread[:2, 1] = OPTICS.given_aspect_u * focal * [0.5, -0.5]
    spread[2:, 2:] = np.diag([u.centre, u.centre, *u.distortion])
    return Lens(matrix, padded, size, spread @ spread.T)


def save_lens(path: Path, lens: Lens, *, source: str) -> None:
    """Write a lens as JSON, with its covariance and where it came from."""
    content = {
        "schema": _SCHEMA,
        "kind": "lens",
        "source": source,
        "size": list(lens.size),
        "camera_matrix": lens.matrix.tolist(),
        "distortion": lens.distortion.tolist(),
        "covariance_of": ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"],
        "covariance": lens.covariance.tolist(),
    }
    write_text(path, json.dumps(content, indent=1) + "\n")


def load_lens(path: Path, *, size: tuple[int, int] | None = None, where: str = "lens") -> Lens:
    """The lens of a file that `save_lens` wrote.

    Raises `CalibrationError` for a file that can't be read, isn't a lens, or belongs to pictures of
    another size than `size`.
    """
    remedy = "give a lens file that this program saved"
    data = read_bounded(path, OPTICS.largest_file, where=f"{where} ({path.name})", remedy=remedy)
    try:
        content: dict[str, Any] = json.loads(data)
        if content["schema"] != _SCHEMA or content["kind"] != "lens":
            raise ValueError
        width, height = (int(n) for n in content["size"])
        matrix = np.array(content["camera_matrix"], dtype=np.float64).reshape(3, 3)
        distortion = np.array(content["distortion"], dtype=np.float64).reshape(5)
        covariance = np.array(content["covariance"], dtype=np.float64).reshape(9, 9)
        if not all(np.isfinite(part).all() for part in (matrix, distortion, covariance)):
            raise ValueError
        if np.diag(matrix).min() <= 0 or np.diag(covariance).min() < 0 or min(width, height) < 1:
            raise ValueError
    except (KeyError, TypeError, ValueError, OverflowError, RecursionError) as error:
        raise CalibrationError(
            f"{path.name} isn't a lens file of schema {_SCHEMA}",
            where=where,
            remedy=remedy,
            status=RECORD,
        ) from error
    if size is not None and (width, height) != tuple(size):
        raise CalibrationError(
            f"{path.name} holds for pictures of {width} x {height} px, the film has "
            f"{size[0]} x {size[1]}",
            where=where,
            remedy="calibrate the lens at the film's setting",
            status=RECORD,
        )
    return Lens(matrix, distortion, (width, height), covariance)


def straightness(lens: Lens, pixels: Array) -> Array:
    """How far (n,) px each of n pixels on a line that is straight in the world lies off a
    straight line once distortion is taken out; a good lens model leaves the picks' noise.

    Source: plumb-line method (Brown 1971): distortion bends straight lines, perspective doesn't.
    """
    normal = lens.undistort_pixels(np.asarray(pixels, dtype=np.float64))
    plane = normal - normal.mean(axis=0)
    _, _, axes = np.linalg.svd(plane, full_matrices=False)
    return np.asarray(plane @ axes[1] * np.sqrt(lens.matrix[0, 0] * lens.matrix[1, 1]))


def sagitta(lens: Lens, pixels: Array, pick_u: float) -> tuple[float, float]:
    """The sagitta of n >= 3 pixels on a line that is straight in the world, once distortion is
    taken out, and its standard uncertainty by the picks' `pick_u` across the line, px: the height
    of the parabola through them over their extent. Infinite u where all lie in two places.
    """
    off = straightness(lens, pixels)
    normal = lens.undistort_pixels(np.asarray(pixels, dtype=np.float64))
    _, _, axes = np.linalg.svd(normal - normal.mean(axis=0), full_matrices=False)
    along = (normal - normal.mean(axis=0)) @ axes[0]
    t = 2 * (along - along.min()) / max(float(np.ptp(along)), 1e-12) - 1
    basis = np.column_stack([np.ones_like(t), t, t * t])
    information = basis.T @ basis
    if np.linalg.cond(information) > 1e8:
        return 0.0, float("inf")
    fitted = np.linalg.solve(information, basis.T @ off)
    return float(fitted[2]), float(pick_u * np.sqrt(np.linalg.inv(information)[2, 2]))
