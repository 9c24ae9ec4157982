"""A lens from pictures of a chessboard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.camera import Array, Camera, Lens
from calibration.finding import Finding
from calibration.problem import FILM, RECORD, Problem

_WORSE = 3.0  # a picture whose rms is this many times the median is left out
_FEWEST = 4  # pictures
_REFINE = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)


@dataclass(frozen=True)
class LensCalibration:
    """A lens from chessboard pictures, and how well each picture agrees with it."""

    lens: Lens
    rms_px: float  # over the pictures used, of the distance between corner and prediction
    residuals: dict[str, float]  # rms of each picture that shows the board, px
    left_out: tuple[str, ...]  # pictures that contradict the others
    corners: Array  # (m, 2) px, of the pictures used
    errors: Array  # (m, 2) px, corner - prediction: for a residual plot
    findings: tuple[Finding, ...]


def lens_from_chessboard(
    pictures: Sequence[Path],
    *,
    inner_corners: tuple[int, int],
    square: float,
    where: str = "lens",
) -> LensCalibration:
    """The lens that sees a chessboard as a plane of equal squares in every picture.

    Parameters
    ----------
    pictures : picture files of one camera at one focus.
    inner_corners : corners where four squares meet, along the rows and the columns.
    square : side of a square, m. (The lens doesn't depend on it.)
    where : the place named in problems.

    Raises
    ------
    Problem : too few pictures show the board, unreadable pictures, pictures of several sizes.

    Source: Zhang's method as in cv2.calibrateCamera. The covariance is the inverse normal matrix
    with the boards' poses eliminated, widened by what the pictures disagree with each other
    beyond their corners' scatter (sandwich estimate with one group a picture).
    """
    names, corners, size, findings = _found(pictures, inner_corners, where)
    grid = np.zeros((inner_corners[0] * inner_corners[1], 3))
    grid[:, :2] = square * np.mgrid[: inner_corners[0], : inner_corners[1]].T.reshape(-1, 2)
    used = _consistent(grid, corners, size)
    lens, cameras = _calibrated(grid, [corners[i] for i in used], size)
    errors = [corners[i] - camera.project(grid) for i, camera in zip(used, cameras, strict=True)]
    residuals = {
        name: _rms(errors[used.index(i)] if i in used else _error_outside(lens, grid, corners[i]))
        for i, name in enumerate(names)
    }
    left_out = tuple(name for i, name in enumerate(names) if i not in used)
    lens = lens.with_values(lens.values, _covariance(cameras, grid, errors))
    findings += _findings(lens, np.concatenate([corners[i] for i in used]), residuals, left_out)
    together = np.concatenate(errors)
    return LensCalibration(
        lens,
        _rms(together),
        residuals,
        left_out,
        np.concatenate([corners[i] for i in used]),
        together,
        tuple(findings),
    )


def _found(
    pictures: Sequence[Path], inner_corners: tuple[int, int], where: str
) -> tuple[list[str], list[Array], tuple[int, int], list[Finding]]:
    """Names and corners (k, 2) of the pictures that show the board, and the pictures' size."""
    names, corners, sizes, blind = [], [], set(), []
    for path in sorted(pictures):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        if grey is None:
            raise Problem(
                f"{path.name} can't be read as a picture",
                where=where,
                remedy="name the chessboard pictures only",
                status=RECORD,
            )
        sizes.add((grey.shape[1], grey.shape[0]))
        board = _corners(grey, inner_corners)
        if board is None:
            blind.append(path.name)
        else:
            names.append(path.name)
            corners.append(board)
    if len(sizes) > 1:
        listed = " and ".join(f"{w}x{h}" for w, h in sorted(sizes))
        raise Problem(
            f"the chessboard pictures have different sizes ({listed})",
            where=where,
            remedy="use pictures of one camera at one setting",
            status=RECORD,
        )
    if len(names) < _FEWEST:
        raise Problem(
            f"a chessboard with {inner_corners[0]} x {inner_corners[1]} inner corners is found in "
            f"{len(names)} of {len(pictures)} pictures",
            where=where,
            remedy=f"give {_FEWEST} or more pictures, better 12, that show the whole board at "
            "different tilts, and check inner_corners",
            status=FILM,
        )
    findings = []
    if blind:
        text = f"no chessboard was found in {', '.join(blind)}"
        findings.append(Finding("lens_picture_blind", text))
    return names, corners, sizes.pop(), findings


def _corners(grey: NDArray[Any], inner_corners: tuple[int, int]) -> Array | None:
    """Sub-pixel corners (k, 2) of the board, row by row; None where it isn't seen whole."""
    found, rough = cv2.findChessboardCorners(
        grey, inner_corners, flags=cv2.CALIB_CB_ADAPTIVE_THRESH + cv2.CALIB_CB_NORMALIZE_IMAGE
    )
    if not found:
        found, exact = cv2.findChessboardCornersSB(
            grey, inner_corners, flags=cv2.CALIB_CB_NORMALIZE_IMAGE + cv2.CALIB_CB_ACCURACY
        )
        return np.asarray(exact, dtype=np.float64).reshape(-1, 2) if found else None
    rows = np.asarray(rough, dtype=np.float64).reshape(inner_corners[1], inner_corners[0], 2)
    closest = min(float(np.linalg.norm(np.diff(rows, axis=axis), axis=2).min()) for axis in (0, 1))
    reach = int(np.clip(closest / 2 - 1, 2, 11))  # the window must not hold a second corner
    exact = cv2.cornerSubPix(grey, rough, (reach, reach), (-1, -1), _REFINE)
    return np.asarray(exact, dtype=np.float64).reshape(-1, 2)


def _consistent(grid: Array, corners: Sequence[Array], size: tuple[int, int]) -> list[int]:
    """The pictures that agree with each other: the worst is left out as long as the others by
    themselves see it far worse than they see each other.
    """
    used = list(range(len(corners)))
    while len(used) > _FEWEST:
        lens, cameras = _calibrated(grid, [corners[i] for i in used], size)
        rms = [
            _rms(corners[i] - camera.project(grid)) for i, camera in zip(used, cameras, strict=True)
        ]
        worst = used[int(np.argmax(rms))]
        others = [i for i in used if i != worst]
        lens, cameras = _calibrated(grid, [corners[i] for i in others], size)
        typical = np.median(
            [
                _rms(corners[i] - camera.project(grid))
                for i, camera in zip(others, cameras, strict=True)
            ]
        )
        if _rms(_error_outside(lens, grid, corners[worst])) < _WORSE * typical:
            break
        used = others
    return used


def _calibrated(
    grid: Array, corners: Sequence[Array], size: tuple[int, int]
) -> tuple[Lens, list[Camera]]:
    _, matrix, distortion, turns, shifts = cv2.calibrateCamera(
        [grid.astype(np.float32)] * len(corners),
        [c.astype(np.float32).reshape(-1, 1, 2) for c in corners],
        size,
        np.eye(3),
        np.zeros(5),
    )
    lens = Lens(np.asarray(matrix, np.float64), np.asarray(distortion, np.float64).ravel(), size)
    return lens, [_camera(lens, turn, shift) for turn, shift in zip(turns, shifts, strict=True)]


def _camera(lens: Lens, turn: ArrayLike, shift: ArrayLike) -> Camera:
    rotation = np.asarray(cv2.Rodrigues(np.asarray(turn, np.float64))[0], dtype=np.float64)
    return Camera(lens, rotation, -rotation.T @ np.asarray(shift, np.float64).ravel())


def _error_outside(lens: Lens, grid: Array, corners: Array) -> Array:
    """Corner - prediction (k, 2) of a picture that took no part in the calibration."""
    _, turn, shift = cv2.solvePnP(grid, corners, lens.matrix, lens.distortion)
    return corners - _camera(lens, turn, shift).project(grid)


def _rms(error: Array) -> float:
    return float(np.sqrt(np.mean(np.sum(error**2, axis=1))))


def _covariance(cameras: Sequence[Camera], grid: Array, errors: Sequence[Array]) -> Array:
    """Covariance (9, 9) of the lens values with every board's pose eliminated."""
    information = np.zeros((9, 9))
    scores = []
    for camera, error in zip(cameras, errors, strict=True):
        _, _, by_camera = camera.project_with_derivatives(grid)
        j = by_camera.reshape(-1, 15)
        pose, lens = j[:, :6], j[:, 6:]
        reduced = lens - pose @ np.linalg.lstsq(pose, lens, rcond=None)[0]
        information += reduced.T @ reduced
        scores.append(reduced.T @ error.ravel())
    count = sum(error.size for error in errors)
    variance = sum(float(np.sum(e**2)) for e in errors) / (count - 6 * len(errors) - 9)
    scale = 1 / np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information * np.outer(scale, scale)) * np.outer(scale, scale)
    spread = np.array(scores)
    sandwich = inverse @ (spread.T @ spread) @ inverse * len(spread) / (len(spread) - 1)
    excess = float(np.mean(np.diag(sandwich) / np.diag(inverse))) / variance
    return np.asarray(inverse * variance * max(1.0, excess))


def _findings(
    lens: Lens, corners: Array, residuals: dict[str, float], left_out: tuple[str, ...]
) -> list[Finding]:
    findings = [
        Finding(
            "lens_picture_left_out",
            f"{name} disagrees with the other chessboard pictures ({residuals[name]:.2f} px rms) "
            "and was left out: blurred, or the board bent",
        )
        for name in left_out
    ]
    # share of the picture whose distortion is seen, not extrapolated
    hull = cv2.contourArea(cv2.convexHull(corners.astype(np.float32)))
    covered = hull / (lens.size[0] * lens.size[1])
    if covered < 0.6:
        findings.append(
            Finding(
                "lens_coverage",
                f"the chessboard covers {100 * covered:.0f} % of the picture; distortion outside "
                "is extrapolated; take pictures with the board in the corners",
            )
        )
    return findings
