"""What each mark looks like from one frame to the next, and the strongest it ever looked."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.film import Luma
from tracker.marks import Shape
from tracker.marks.measure import Appearances, appearances_of
from tracker.marks.packing import AFFINE, MarkRows, unpack_shape
from tracker.marks.parameters import CONTRAST, LEVEL, PATCH, QUADRANT, SECTOR_OFFSET
from tracker.tracking.correlation_search import ReferencePicture, reference_picture
from tracker.tracking.options import TRACKING

Mask = NDArray[np.bool_]

_GREYS = [LEVEL, CONTRAST, SECTOR_OFFSET]


class AppearanceState:
    """How n marks looked when they were last measured clean; written to from frame to frame."""

    def __init__(self, n: int) -> None:
        blank = appearances_of([Shape("disc", np.eye(2), 1.0, 0.0, 1.0)] * n)
        self._kinds, self._p, self._q = blank.rows.kinds, blank.rows.p, blank.rows.q
        self._templates, self._template_at = blank.rows.templates, blank.rows.template_at
        self._noise, self._gradient_u = blank.noise, blank.gradient_u
        self._strongest = np.full((n, len(_GREYS)), np.nan)
        self.size = np.full(n, np.nan)
        """(n,) px."""
        self.pictures: list[ReferencePicture | None] = [None] * n
        self.picture_frame: NDArray[np.int64] = np.full(n, -1, np.int64)
        """(n,) the frame of each picture."""

    @property
    def kinds(self) -> NDArray[np.int64]:
        """(n,) numbers of the marks' kinds of model."""
        return self._kinds

    @property
    def affine(self) -> Array:
        """(n, 4) the marks' inverse affines."""
        return self._p[:, AFFINE]

    @property
    def strongest_contrast(self) -> Array:
        """(n,) grey."""
        return self._strongest[:, 1]

    def learn(self, m: int, shape: Shape) -> None:
        """Mark m looks like this."""
        new = appearances_of([shape])
        self._kinds[m], self._p[m], self._q[m] = new.rows.kinds[0], new.rows.p[0], new.rows.q[0]
        self._template_at[m] = new.rows.template_at[0] + len(self._templates)
        self._templates = np.concatenate([self._templates, new.rows.templates])
        self._noise[m], self._gradient_u[m] = new.noise[0], new.gradient_u[0]
        self.size[m], self._strongest[m] = shape.size, new.rows.p[0, _GREYS]

    def cut_picture(self, m: int, luma: Luma, place: Array, frame: int) -> bool:
        """Keep mark m's picture; False where it isn't wholly inside."""
        picture = reference_picture(luma, place, float(self.size[m]))
        if picture is None:
            return False
        self.pictures[m], self.picture_frame[m] = picture, frame
        return True

    def expected_appearances(
        self, index: NDArray[np.int64], hidden_mask: Mask, turn: Array
    ) -> Appearances:
        """How these marks must look now: as when they were last measured; hidden ones turned
        (k, 2, 2) with their body, and as strong as they ever were: smoke may have dimmed them.
        """
        p = self._p[index]
        if hidden_mask.any():
            W = p[hidden_mask, AFFINE].reshape(-1, 2, 2) @ np.linalg.inv(turn[hidden_mask])
            p[hidden_mask, AFFINE] = W.reshape(-1, 4)
            strongest = self._strongest[index]
            dim = np.flatnonzero(hidden_mask & (np.abs(p[:, CONTRAST]) < np.abs(strongest[:, 1])))
            p[dim, LEVEL], p[dim, CONTRAST] = strongest[dim, 0], strongest[dim, 1]
            dim = dim[self._kinds[index[dim]] == QUADRANT]
            p[dim, SECTOR_OFFSET] = strongest[dim, 2]
        rows = MarkRows(
            self._kinds[index], p, self._q[index], self._templates, self._template_at[index]
        )
        return Appearances(rows, self._noise_of(index), self._gradient_u[index])

    def _noise_of(self, index: NDArray[np.int64]) -> Array:
        """The noise (k,) of these marks, at least a share of what the film's marks usually have:
        where a scratch spoilt the first sight of a mark, too much was left out of its fit.
        """
        known = np.isfinite(self.size) & (self._kinds != PATCH)
        least = TRACKING.usual_noise * np.median(self._noise[known]) if known.any() else 0.0
        return np.where(known[index], np.maximum(self._noise[index], least), self._noise[index])

    def shape(self, m: int, base: Shape) -> Shape:
        """What mark m looks like now; `base` gives what never changes."""
        return unpack_shape(base, self._p[m], float(self._noise[m]), float(self._gradient_u[m]))

    def snapshot(self) -> tuple[Array, Array]:
        """What `update` needs to bring back the present looks."""
        return self._p.copy(), self._gradient_u.copy()

    def update(self, index: Sequence[int] | NDArray[np.int64], p: Array, light_u: Array) -> None:
        """These marks look like this now: rows p, u of the lighting's gradient."""
        self._p[index] = p
        self._gradient_u[index] = light_u

    def update_reference(self, seen_mask: Mask) -> None:
        """Keep how marks looked that show more contrast than they ever did."""
        now = self._p[:, _GREYS]
        more = seen_mask & (np.abs(now[:, 1]) > np.abs(self._strongest[:, 1]))
        self._strongest[more] = now[more]
