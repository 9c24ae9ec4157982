"""A board of discs, in rows or staggered, found in a picture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.board.detect import Grey, Sighting
from calibration.board.options import OPTICS
from calibration.camera import Camera


@dataclass(frozen=True)
class DotBoard:
    """Equal discs in `grid` columns and rows, `spacing` m apart (the lens doesn't depend on it).

    Staggered: every other row is set off by one spacing, discs of a row lie two spacings apart;
    the arrangement that OpenCV calls asymmetric.
    """

    grid: tuple[int, int]
    spacing: float

    def places(self, staggered: bool) -> Array:
        """The discs' centres (n, 3), row by row, m."""
        columns, rows = self.grid
        out = np.zeros((columns * rows, 3))
        x, y = np.mgrid[:columns, :rows].T.reshape(-1, 2).T
        out[:, 0], out[:, 1] = (2 * x + y % 2 if staggered else x), y
        return self.spacing * out


@dataclass(frozen=True)
class DotSighting:
    """The discs of a board in a picture: centroids of their images, which are not the images of
    their centres; and the discs' radius, m.
    """

    sighting: Sighting
    radius: float


def find_dots(
    pictures: Iterable[tuple[str, Grey]], board: DotBoard
) -> tuple[list[DotSighting], list[str], list[tuple[int, int]]]:
    """The board in each picture that shows it whole; names of the pictures that don't; the size
    of each picture.

    Rows or staggered: the arrangement that more pictures show.
    """
    seen: dict[bool, list[DotSighting]] = {False: [], True: []}
    names, sizes = [], []
    for name, grey in pictures:
        names.append(name)
        sizes.append((grey.shape[1], grey.shape[0]))
        for staggered in seen:
            plain = len(seen[not staggered]) >= OPTICS.fewest_pictures and not seen[staggered]
            found = None if plain else _sighting(name, grey, board, staggered)
            if found is not None:
                seen[staggered].append(found)
    best = max(seen.values(), key=len)
    shown = {s.sighting.name for s in best}
    return best, [name for name in names if name not in shown], sizes


def _sighting(name: str, grey: Grey, board: DotBoard, staggered: bool) -> DotSighting | None:
    eight = np.asarray(grey if grey.dtype == np.uint8 else cv2.convertScaleAbs(grey), np.uint8)
    layout = cv2.CALIB_CB_ASYMMETRIC_GRID if staggered else cv2.CALIB_CB_SYMMETRIC_GRID
    for picture in (eight, np.asarray(255 - eight)):  # dark discs, then light ones
        finder = _blob_detector(board, picture)
        for flags in (layout, layout | cv2.CALIB_CB_CLUSTERING):
            found, rough = cv2.findCirclesGrid(
                picture, board.grid, flags=flags, blobDetector=finder
            )
            centres = np.asarray(rough, np.float64).reshape(-1, 2) if found else None
            if centres is not None and len(centres) == board.grid[0] * board.grid[1]:
                refined = _refine_dots(name, picture, board.places(staggered), centres)
                if refined is not None:  # else what was found are the gaps between light discs
                    return refined
    return None


def _blob_detector(board: DotBoard, picture: Grey) -> cv2.SimpleBlobDetector:
    parameters = cv2.SimpleBlobDetector.Params()
    parameters.minArea = OPTICS.dot_least_area
    parameters.maxArea = picture.size / (board.grid[0] * board.grid[1])
    parameters.minDistBetweenBlobs = OPTICS.dot_least_distance
    return cv2.SimpleBlobDetector.create(parameters)


def _refine_dots(name: str, picture: Grey, places: Array, centres: Array) -> DotSighting | None:
    """Centroids of the discs' images, weighted by how far each pixel is from ground to disc."""
    apart = np.linalg.norm(centres[:, None] - centres, axis=2)
    np.fill_diagonal(apart, np.inf)
    homography, _ = cv2.findHomography(places[:, :2], centres)
    if homography is None:
        return None
    board_to_picture = np.asarray(homography, np.float64)
    out, radii = centres.copy(), []
    for i, centre in enumerate(centres):
        window = _window(picture, centre, OPTICS.dot_window * float(apart[i].min()))
        if window is None:
            return None
        share, u, v = window
        area = float(share.sum())
        out[i] = float((share * u).sum()) / area, float((share * v).sum()) / area
        radii.append(np.sqrt(area / np.pi / _area_scale(board_to_picture, places[i])))
    return DotSighting(Sighting(name, places, out), float(np.median(radii)))


def _window(
    picture: Grey, centre: Array, half: float
) -> tuple[Array, NDArray[np.int64], NDArray[np.int64]] | None:
    """Share (h, w) of each pixel round a dark disc that is disc, and the pixels' places; None
    where the window leaves the picture or shows no disc.
    """
    (x, y), h = np.rint(centre).astype(int), max(int(half), 2)
    rows, columns = picture.shape
    if min(x, y) < h or x + h >= columns or y + h >= rows:
        return None
    part = picture[y - h : y + h + 1, x - h : x + h + 1].astype(np.float64)
    v, u = np.mgrid[y - h : y + h + 1, x - h : x + h + 1]
    edge = np.concatenate([part[0], part[-1], part[1:-1, 0], part[1:-1, -1]])
    ground = float(np.median(edge))
    dark = part < 0.5 * (ground + float(part[h, h]))
    _, labels = cv2.connectedComponents(dark.astype(np.uint8))
    disc = (labels == labels[h, h]) & dark
    if not disc.any() or disc[0].any() or disc[-1].any() or disc[:, 0].any() or disc[:, -1].any():
        return None
    core = cv2.erode(disc.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    ink = float(np.median(part[core if core.any() else disc]))
    near = cv2.dilate(disc.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=2) > 0
    if ground - ink < OPTICS.dot_contrast * max(ground, 1.0):
        return None
    share = np.where(near, (ground - part) / (ground - ink), 0.0)
    return np.where(core, 1.0, share), u, v


def _area_scale(homography: Array, place: Array) -> float:
    """px² in the picture for each m² of the board at a place."""
    x, y, w = homography @ [place[0], place[1], 1.0]
    top = homography[:2, :2] - np.outer([x, y], homography[2, :2]) / w
    return abs(float(np.linalg.det(top / w)))


def with_true_centres(
    sightings: Sequence[DotSighting], cameras: Sequence[Camera]
) -> list[Sighting]:
    """The images of the discs' centres, where these cameras see them: the centroid of a disc's
    image, less the way from the centre's image to it (the perspective and the lens put it off).

    The centroid is that of the disc's points, each weighted by the area that it covers in the
    picture.
    """
    radius = float(np.median([s.radius for s in sightings]))
    step = np.arange(-5, 6) / 5.5 * radius
    x, y = (a.ravel() for a in np.meshgrid(step, step))
    inside = np.hypot(x, y) < radius
    disc = np.column_stack([x[inside], y[inside], np.zeros(int(inside.sum()))])
    out = []
    for seen, camera in zip(sightings, cameras, strict=True):
        points = seen.sighting.points
        every = (points[:, None] + disc).reshape(-1, 3)
        small = OPTICS.dot_step * radius
        image, right, down = (
            camera.project(every + np.array(by)).reshape(len(points), len(disc), 2)
            for by in ((0, 0, 0), (small, 0, 0), (0, small, 0))
        )
        a, b = right - image, down - image
        area = np.abs(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])
        centroid = (area[..., None] * image).sum(axis=1) / area.sum(axis=1)[:, None]
        off = centroid - camera.project(points)
        out.append(replace(seen.sighting, corners=seen.sighting.corners - off))
    return out
