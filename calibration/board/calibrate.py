"""A lens from pictures of a calibration board."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike

from calibration.arrays import Array
from calibration.board.detect import Board, Grey, Sighting, check_board, find_board, most_different
from calibration.board.dictionaries import DICTIONARIES
from calibration.board.dots import DotBoard, find_dots, with_true_centres
from calibration.board.options import OPTICS
from calibration.camera import Camera, Lens
from calibration.errors import FILM, RECORD, CalibrationError
from calibration.files import open_regular
from calibration.findings import Diagnostic
from calibration.picture_size import promised_bytes


@dataclass(frozen=True)
class LensCalibration:
    """A lens from pictures of a board, and how well each picture agrees with it."""

    lens: Lens
    rms_px: float  # over the pictures used, of the distance between corner and prediction
    residuals: Mapping[str, float]  # rms of each picture that shows the board, px
    left_out: tuple[str, ...]  # pictures that contradict the others
    corners: Array  # (m, 2) px, of the pictures used
    errors: Array  # (m, 2) px, corner - prediction: for a residual plot
    findings: tuple[Diagnostic, ...]


def lens_from_chessboard(
    pictures: Sequence[Path],
    *,
    inner_corners: tuple[int, int],
    square: float,
    marker: float | None = None,
    dictionary: str = DICTIONARIES[0],
    where: str = "lens",
) -> LensCalibration:
    """`lens_from_board` for picture files; the arguments are those of `Board`.

    Raises CalibrationError for what can't be read as a picture, too.
    """
    board = Board(inner_corners, square, marker, dictionary)
    return lens_from_board(_read(sorted(pictures), where), board, where=where)


def _read(paths: Iterable[Path], where: str) -> Iterator[tuple[str, Grey]]:
    for path in paths:
        try:
            with open_regular(path) as file:
                data = file.read(OPTICS.largest_picture + 1)
            promised = promised_bytes(data)
            is_readable = (
                promised is not None and max(len(data), promised) <= OPTICS.largest_picture
            )
            numbers = np.frombuffer(data, np.uint8)
            grey = cv2.imdecode(numbers, cv2.IMREAD_GRAYSCALE) if is_readable else None
        except (OSError, cv2.error):  # not there, or larger than a picture may be
            grey = None
        if grey is None:
            raise CalibrationError(
                f"{path.name} can't be read as a picture",
                where=where,
                remedy="name the pictures of the board only",
                status=RECORD,
            )
        yield path.name, grey


def lens_from_board(
    pictures: Iterable[tuple[str, Grey]],
    board: Board,
    *,
    most: int | None = None,
    where: str = "lens",
) -> LensCalibration:
    """The lens that sees a board as a plane of equal squares in every picture.

    Parameters
    ----------
    pictures : names and grey pictures (height, width) of one camera at one focus.
    most : of the pictures that show the board, as many as differ most are used; None: all.
    where : the place named in errors.

    Raises
    ------
    CalibrationError : too few pictures show the board, pictures of several sizes, an
        impossible board.

    Source: Zhang's method as in cv2.calibrateCamera. The covariance is the inverse normal matrix
    with the boards' poses eliminated, widened by what the pictures disagree with each other
    beyond their corners' scatter (sandwich estimate with one group a picture).
    """
    check_board(board, where)
    seen, size, findings = _find_boards(pictures, board, where)
    if most is not None:
        seen, findings = (
            most_different(seen, most, size),
            [],
        )  # of a film's frames many don't show it
    return _lens_from_sightings(seen, size, findings)


def lens_from_dots(
    pictures: Iterable[tuple[str, Grey]],
    board: DotBoard,
    *,
    most: int | None = None,
    where: str = "lens",
) -> LensCalibration:
    """`lens_from_board` for a board of discs, which must be in view entirely.

    The centroids of the discs' images are corrected to the images of their centres by the lens
    and the poses that they give, twice.
    """
    dots, blind, sizes = find_dots(pictures, board)
    columns, rows = board.grid
    size = _common_size(sizes, where)
    _require_pictures(
        len(dots),
        len(sizes),
        f"a board of {columns} x {rows} discs",
        "the whole board at different tilts, and check grid: discs in a row, rows",
        where,
    )
    findings = _blind_findings(blind, "board of discs")
    if most is not None:
        named = {s.sighting.name: s for s in dots}
        chosen = most_different([s.sighting for s in dots], most, size)
        dots, findings = [named[s.name] for s in chosen], []
    seen = [s.sighting for s in dots]
    for _ in range(OPTICS.dot_corrections):
        used = _consistent_pictures(seen, size)
        lens, _ = _calibrate([seen[i] for i in used], size)
        seen = with_true_centres(dots, [_pose(lens, s) for s in seen])
    return _lens_from_sightings(seen, size, findings)


def dots_of_pictures(
    pictures: Sequence[Path], board: DotBoard, *, where: str = "lens"
) -> LensCalibration:
    """`lens_from_dots` for picture files. Raises CalibrationError for what can't be read, too."""
    return lens_from_dots(_read(sorted(pictures), where), board, where=where)


def _lens_from_sightings(
    seen: list[Sighting], size: tuple[int, int], findings: list[Diagnostic]
) -> LensCalibration:
    used = _consistent_pictures(seen, size)
    seen, slipped = _reject_slips(seen, used, size)
    lens, cameras = _calibrate([seen[i] for i in used], size)
    errors = [_error(seen[i], camera) for i, camera in zip(used, cameras, strict=True)]
    residuals = {
        s.name: _rms(errors[used.index(i)] if i in used else _error_outside(lens, s))
        for i, s in enumerate(seen)
    }
    left_out = tuple(s.name for i, s in enumerate(seen) if i not in used)
    points = [seen[i].points for i in used]
    lens = lens.with_values(lens.values, _covariance(cameras, points, errors))
    corners = np.concatenate([seen[i].corners for i in used])
    findings += slipped + _findings(lens, corners, residuals, left_out)
    together = np.concatenate(errors)
    return LensCalibration(
        lens, _rms(together), residuals, left_out, corners, together, tuple(findings)
    )


def _find_boards(
    pictures: Iterable[tuple[str, Grey]], board: Board, where: str
) -> tuple[list[Sighting], tuple[int, int], list[Diagnostic]]:
    """The pictures that show the board, and the pictures' size."""
    seen, sizes, blind = [], set(), []
    for name, grey in pictures:
        sizes.add((grey.shape[1], grey.shape[0]))
        sighting = find_board(name, grey, board)
        if sighting is None:
            blind.append(name)
        else:
            seen.append(sighting)
    size = _common_size(sizes, where)
    columns, rows = board.inner_corners
    whole = "the whole board" if board.marker is None else "the board"
    _require_pictures(
        len(seen),
        len(seen) + len(blind),
        f"a chessboard with {columns} x {rows} inner corners",
        f"{whole} at different tilts, and check inner_corners",
        where,
    )
    return seen, size, _blind_findings(blind, "chessboard")


def _common_size(sizes: Iterable[tuple[int, int]], where: str) -> tuple[int, int]:
    """Width and height of all pictures; raises CalibrationError where they differ."""
    sizes = set(sizes)
    if len(sizes) > 1:
        listed = " and ".join(f"{w}x{h}" for w, h in sorted(sizes))
        raise CalibrationError(
            f"the pictures of the board have different sizes ({listed})",
            where=where,
            remedy="use pictures of one camera at one setting",
            status=RECORD,
        )
    return sizes.pop() if sizes else (0, 0)


def _require_pictures(seen: int, given: int, board: str, shown: str, where: str) -> None:
    """Raises CalibrationError where too few pictures show the board."""
    if seen < OPTICS.fewest_pictures:
        raise CalibrationError(
            f"{board} is found in {seen} of {given} pictures",
            where=where,
            remedy=f"give {OPTICS.fewest_pictures} or more pictures, better 12, that show {shown}",
            status=FILM,
        )


def _blind_findings(blind: Sequence[str], board: str) -> list[Diagnostic]:
    if not blind:
        return []
    return [Diagnostic("lens_picture_blind", f"no {board} was found in {', '.join(blind)}")]


def _consistent_pictures(seen: Sequence[Sighting], size: tuple[int, int]) -> list[int]:
    """The pictures that agree with each other: the worst is left out as long as the others alone
    see it far worse than they see each other.
    """
    used = list(range(len(seen)))
    while len(used) > OPTICS.fewest_pictures:
        _, cameras = _calibrate([seen[i] for i in used], size)
        rms = [_rms(_error(seen[i], camera)) for i, camera in zip(used, cameras, strict=True)]
        worst = used[int(np.argmax(rms))]
        others = [i for i in used if i != worst]
        lens, cameras = _calibrate([seen[i] for i in others], size)
        typical = np.median(
            [_rms(_error(seen[i], camera)) for i, camera in zip(others, cameras, strict=True)]
        )
        if _rms(_error_outside(lens, seen[worst])) < OPTICS.picture_outlier * typical:
            break
        used = others
    return used


def _reject_slips(
    seen: Sequence[Sighting], used: Sequence[int], size: tuple[int, int]
) -> tuple[list[Sighting], list[Diagnostic]]:
    """The sightings without single corners far off the others: slips of the corner finder on a
    reflection or at the picture's edge.
    """
    _, cameras = _calibrate([seen[i] for i in used], size)
    off = [np.linalg.norm(_error(seen[i], c), axis=1) for i, c in zip(used, cameras, strict=True)]
    limit = OPTICS.corner_outlier * float(np.median(np.concatenate(off)))
    sightings, slips = list(seen), 0
    for i, distance in zip(used, off, strict=True):
        near = distance < limit
        if near.sum() >= max(OPTICS.fewest_corners, OPTICS.corners_share * len(near)):
            slips += int(np.sum(~near))
            sightings[i] = Sighting(seen[i].name, seen[i].points[near], seen[i].corners[near])
    if not slips:
        return sightings, []
    text = f"{slips} single corners lay more than {limit:.2f} px off and were left out"
    return sightings, [Diagnostic("lens_corners_left_out", text)]


def _calibrate(seen: Sequence[Sighting], size: tuple[int, int]) -> tuple[Lens, list[Camera]]:
    _, matrix, distortion, turns, shifts = cv2.calibrateCamera(
        [s.points.astype(np.float32) for s in seen],
        [s.corners.astype(np.float32).reshape(-1, 1, 2) for s in seen],
        size,
        np.eye(3),
        np.zeros(5),
    )
    lens = Lens(np.asarray(matrix, np.float64), np.asarray(distortion, np.float64).ravel(), size)
    return lens, [_camera(lens, turn, shift) for turn, shift in zip(turns, shifts, strict=True)]


def _error(sighting: Sighting, camera: Camera) -> Array:
    """Corner - prediction (k, 2), px."""
    return sighting.corners - camera.project(sighting.points)


def _camera(lens: Lens, turn: ArrayLike, shift: ArrayLike) -> Camera:
    rotation = np.asarray(cv2.Rodrigues(np.asarray(turn, np.float64))[0], dtype=np.float64)
    return Camera(lens, rotation, -rotation.T @ np.asarray(shift, np.float64).ravel())


def _error_outside(lens: Lens, sighting: Sighting) -> Array:
    """Corner - prediction (k, 2) of a picture that took no part in the calibration."""
    return _error(sighting, _pose(lens, sighting))


def _pose(lens: Lens, sighting: Sighting) -> Camera:
    """The camera as this lens sees the board from."""
    pair = sighting.points, sighting.corners
    _, turn, shift = cv2.solvePnP(*pair, lens.matrix, lens.distortion)
    return _camera(lens, turn, shift)


def _rms(error: Array) -> float:
    return float(np.sqrt(np.mean(np.sum(error**2, axis=1))))


def _covariance(
    cameras: Sequence[Camera], points: Sequence[Array], errors: Sequence[Array]
) -> Array:
    """Covariance (9, 9) of the lens values with every board's pose eliminated."""
    information = np.zeros((9, 9))
    scores = []
    for camera, seen, error in zip(cameras, points, errors, strict=True):
        _, _, by_camera = camera.project_with_derivatives(seen)
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
) -> list[Diagnostic]:
    findings = [
        Diagnostic(
            "lens_picture_left_out",
            f"{name} disagrees with the other pictures of the board ({residuals[name]:.2f} px rms) "
            "and was left out: blurred, or the board bent",
        )
        for name in left_out
    ]
    # share of the picture whose distortion is seen, not extrapolated
    hull = cv2.contourArea(cv2.convexHull(corners.astype(np.float32)))
    covered = hull / (lens.size[0] * lens.size[1])
    if covered < OPTICS.coverage:
        findings.append(
            Diagnostic(
                "lens_coverage",
                f"the board covers {100 * covered:.0f} % of the picture; distortion outside "
                "is extrapolated; take pictures with the board in the corners",
            )
        )
    return findings
