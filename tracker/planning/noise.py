"""How well a painted mark's place can be measured, before there is a picture of it.

An edge that moves along its normal carries the Fisher information A^2 / (2 sqrt(pi) s sigma^2) for
each pixel of its length, at contrast A, blur s (Gaussian sd, the pixel's own area included) and
noise sigma; motion of length b across the edge makes of 2 sqrt(pi) s the larger of it and
b |cos t|, t from the motion to the edge's normal. The sum over a mark's edges is the information
about its place (Cramer-Rao). Source: derived; the single edge agrees with the bound for a
discrete-time edge (Gatherer 1993, CSL-TR-93-560).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.arrays import Array

RINGS = (1.0, 0.66, 0.33)
"""Radii of the edges of a ring over its outer radius."""
ROOT = 2 * np.sqrt(np.pi)
FLOOR_PX = 20.0
CROSSING = 2.257
"""Where two edges cross, this many s of each lose their contrast."""
_NORMALS = np.linspace(0.0, 2 * np.pi, 72, endpoint=False)


@dataclass(frozen=True)
class AssumedPicture:
    """What is assumed of the pictures: grey values of 255 at most, px."""

    contrast: float = 110.0  # grey values between the two paints
    noise: float = 2.5  # grey values, sd of a pixel
    blur: float = 0.8  # px, sd of the point spread without motion and without the pixel's area
    # What is not noise in a place (compression, shading, paint, what lies behind), px, sd for a
    # mark of `FLOOR_PX`: from frame to frame, and drifting. Of about the size that the analysis of
    # the demonstration's films finds; for signalised targets 0.01 to 0.03 is commonly quoted for
    # all of it (from memory)
    floor: float = 0.005
    drift: float = 0.0045
    # of the errors but the drift, from frame to frame; the demonstration's films: 0.20 and 0.31
    correlation: float = 0.25
    # grey values, sd of a region's mean from frame to frame; the demonstration's: 0.13 and 0.29
    flicker: float = 0.2

    def floor_of(self, size_px: float) -> float:
        """The floor of a mark of this size, px: it falls with the root of the size, as rounding
        errors of model fits do (1.4, 0.9, 0.6 thousandths at 10, 20, 40 px).
        """
        return float(self.floor * np.sqrt(FLOOR_PX / max(size_px, 1.0)))

    def drift_of(self, size_px: float) -> float:
        """The drifting part of a mark of this size, px, likewise."""
        return float(self.drift * np.sqrt(FLOOR_PX / max(size_px, 1.0)))

    @property
    def s(self) -> float:
        """Blur with the pixel's own area (variance 1/12), px."""
        return float(np.sqrt(self.blur**2 + 1 / 12))


def edge_length(pattern: str, size_px: float, s: float) -> float:
    """Length of full-contrast edge (px) that a mark of this outer size shows; edges of half the
    contrast count a quarter.
    """
    r = size_px / 2
    lines = max(4 * r - 2 * CROSSING * s, 0.0)
    match pattern:
        case "disc":
            return 2 * np.pi * r
        case "ring":
            return 2 * np.pi * r * float(sum(RINGS))
        case "cross":
            return 8 * r
        case "quadrant":
            return lines + 2 * np.pi * r / 4
        case "hourglass":
            return lines
        case _:  # a texture: as much edge as a disc, at half the contrast
            return 2 * np.pi * r / 4


def mark_covariance(pattern: str, size_px: float, motion: Array, picture: AssumedPicture) -> Array:
    """Covariance (2, 2) px^2 of a mark's place, drift left out; `motion` (2,) px during the
    exposure.

    Edges are taken to lie in all directions alike, which is exact for discs and rings and the mean
    over its orientations for the others.
    """
    length = edge_length(pattern, max(size_px, 1.0), picture.s)
    n = np.stack([np.cos(_NORMALS), np.sin(_NORMALS)], axis=1)
    wide = np.maximum(ROOT * picture.s, np.abs(n @ motion))
    each = picture.contrast**2 / (wide * picture.noise**2) * length / len(n)
    information = (n * each[:, None]).T @ n
    return np.asarray(np.linalg.inv(information) + picture.floor_of(size_px) ** 2 * np.eye(2))
