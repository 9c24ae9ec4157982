"""Which marks a vehicle's own body hides, judged by the convex hull of its surveyed marks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from calibration.arrays import Array
from tracker.detection.options import DETECTION

_HULL_MARKS = 5
"""Marks that a hull with an inside needs, and one more."""
_EDGE_ON = 1e-6
"""Cosine at which a face is seen edge on."""


def visible_mask(at: Array, towards: Array) -> NDArray[np.bool_]:
    """Whether each of n marks (n, 3) may be seen along directions (n, 3) from them to the camera.

    A body fills the hull of its marks, more or less: a mark on the hull is seen only if one of the
    faces it lies on is turned to the camera, one well inside only if little of the hull is in the
    way. Everything may be seen where the marks span no volume.
    """
    return np.asarray(view_cosine(at, towards) > DETECTION.grazing)


def view_cosine(at: Array, towards: Array) -> Array:
    """How squarely each of n marks (n, 3) is seen along directions (n, 3): the greatest cosine of
    the hull's faces it lies on; 1/2 for a mark just under the hull, -1 for one deep under it, and 1
    for all where the marks span no volume.
    """
    everything = np.ones(len(at))
    if len(at) < _HULL_MARKS or np.linalg.svd(at - at.mean(axis=0))[1][
        -1
    ] < DETECTION.thin * np.sqrt(len(at)):
        return everything
    try:
        planes = ConvexHull(at).equations  # outward normals, offsets
    except QhullError:
        return everything
    normal, offset = planes[:, :3], planes[:, 3]
    depth = -(at @ normal.T + offset)  # (n, faces), positive inside
    turned = towards @ normal.T
    on = depth < DETECTION.skin
    leaving = np.where(turned > _EDGE_ON, depth / np.maximum(turned, _EDGE_ON), np.inf).min(axis=1)
    inner = np.where(leaving < DETECTION.buried, 0.5, -1.0)
    return np.where(on.any(axis=1), np.where(on, turned, -1.0).max(axis=1), inner)
