"""A patch: any distinct texture, known from a reference picture only."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import map_coordinates, spline_filter

from calibration.arrays import Array
from tracker.marks.options import MARKS
from tracker.marks.packing import TEMPLATE_REACH
from tracker.marks.types import Fix, Picture, Shape

_SPLINE_MARGIN = 12
"""Pixels round a patch that a quintic spline of it needs."""


def learn_patch(picture: Picture, near: Array, size_px: float, noise: float) -> Fix:
    """The texture round a pick as a mark; its place is the pick.

    The template is the picture resampled on a grid centred on the pick (quintic B-spline), kept as
    cubic B-spline coefficients (Unser 1999). Covariance: what the noise of this picture lends to
    every later place, from the template's gradients. Its noise counts twice in later pictures.
    """
    luma = picture.luma
    half = max(round(0.5 * (size_px if np.isfinite(size_px) else MARKS.patch_size)), 3)
    reach = round(half * TEMPLATE_REACH)
    unit = reach / TEMPLATE_REACH
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1].astype(float)
    x0, y0 = (
        max(int(near[0]) - reach - _SPLINE_MARGIN, 0),
        max(int(near[1]) - reach - _SPLINE_MARGIN, 0),
    )
    part = luma[
        y0 : int(near[1]) + reach + _SPLINE_MARGIN + 2,
        x0 : int(near[0]) + reach + _SPLINE_MARGIN + 2,
    ].astype(float)
    empty = Shape("patch", np.eye(2) * unit, 0.0, 0.0, 0.0)
    blank = np.full((2, 2), np.inf)
    rows, columns = luma.shape
    if not (unit <= near[0] <= columns - 1 - unit and unit <= near[1] <= rows - 1 - unit):
        why = "the patch lies partly outside the picture"
        return Fix(near, blank, empty, np.inf, 0.0, 0.0, False, why)
    at = [near[1] - y0 + y, near[0] - x0 + x]
    grey = np.asarray(map_coordinates(part, at, order=5, mode="nearest"))
    inside = np.hypot(x, y) <= unit
    level, spread = float(grey[inside].mean()), float(grey[inside].std())
    gy, gx = np.gradient(grey)
    d = np.stack([gx[inside], gy[inside]])
    # the noise's own gradient: central differences of white noise have half its variance
    F = (d @ d.T - 0.5 * noise**2 * inside.sum() * np.eye(2)) / noise**2
    determined = bool(np.linalg.eigvalsh(F)[0] > MARKS.patch_information)
    covariance = np.linalg.inv(F) if determined else blank
    clipped = float(np.mean(grey[inside] >= picture.white - 0.5))
    tests = (
        (spread < MARKS.patch_spread * noise, "it does not stand out from the noise"),
        (not determined, "its texture does not determine a place in both directions"),
        (clipped > MARKS.patch_clipped, "it is burnt out"),
    )
    why = next((text for bad, text in tests if bad), "")
    scale = max(spread, 1e-6)
    coefficients = spline_filter((grey - level) / scale, order=3).astype(np.float32)
    shape = Shape(
        "patch",
        np.eye(2) * unit,
        0.0,
        level,
        scale,
        template=coefficients,
        noise=max(float(np.sqrt(2.0)) * noise, MARKS.patch_change * spread),
    )
    return Fix(near, covariance, shape, 1.0, scale, 1.0, not why, why)
