"""The grey levels of a decoded frame, without conversion wherever the format has a luma plane."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Luma = NDArray[np.uint8] | NDArray[np.uint16]


def bits_of(layout: Any) -> int:
    """Significant bits of a grey level in frames of this pixel format."""
    if layout.is_rgb or layout.has_palette:
        return 16 if any(part.bits > 8 for part in layout.components) else 8
    return max(8, int(layout.components[0].bits))


def luma_of(frame: Any) -> Luma:
    """Luma (height, width) of a decoded frame: a view of its plane, or a conversion to grey.

    Only frames without a luma plane (colour channels, palettes, single bits) are converted.
    """
    layout = frame.format
    first = layout.components[0]
    if layout.is_rgb or layout.has_palette or first.bits < 8:
        wide = any(part.bits > 8 for part in layout.components)
        return luma_of(frame.reformat(format="gray16le" if wide else "gray"))
    kind = np.dtype(np.uint8) if first.bits == 8 else _word(layout)
    plane = frame.planes[0]
    rows: NDArray[Any] = np.frombuffer(plane, kind).reshape(-1, plane.line_size // kind.itemsize)
    luma = rows[: frame.height, _offset(layout) :: _step(layout)][:, : frame.width]
    if not luma.dtype.isnative:
        luma = luma.astype(np.uint16)
    if _is_high_aligned(layout.name):
        luma = luma >> (16 - first.bits)
    return luma


def eight_bits(luma: Luma, bits: int) -> NDArray[np.uint8]:
    """The upper eight of a frame's significant `bits`, for methods that take no more."""
    grey = luma if luma.dtype == np.uint8 else luma >> max(0, bits - 8)
    return np.ascontiguousarray(grey.astype(np.uint8))


def _word(layout: Any) -> np.dtype[np.uint16]:
    return np.dtype(np.uint16).newbyteorder(">" if layout.is_big_endian else "<")


def _step(layout: Any) -> int:
    """Samples from one luma to the next in its plane: packed formats mix in other parts."""
    packed = sum(part.plane == 0 for part in layout.components)
    if packed == 1:
        return 1
    return 2 if len(layout.components) <= 3 else 4


def _offset(layout: Any) -> int:
    return 1 if layout.name == "uyvy422" else 0


def _is_high_aligned(name: str) -> bool:
    """Whether the format keeps its bits at the high end of a 16-bit word."""
    return name.startswith(("p010", "p012", "p210", "p212", "p410", "p412", "y210", "y212"))
