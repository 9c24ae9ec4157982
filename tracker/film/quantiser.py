"""How coarsely a film was coded, as its stream states: the step to which transforms were rounded.

H.264 names a quantiser for each block, of which the step follows (ITU-T H.264, 8.5.9 and its usual
table: 1 at 4, twice as much for every 6 more). MPEG-2's scale is the step at its flat matrix
(ISO/IEC 13818-2, 7.4.2.2); libav brings MPEG-1 and MPEG-4 to the same scale. Only frames that are
predicted from others count: what a picture coded by itself lost shows as noise.
"""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
from av.video.frame import PictureType

_HEAD = struct.Struct("@IxxxxQQii")
"""Of libav's AVVideoEncParams: blocks, offset of the first one, size of one, kind, quantiser."""
_H264, _MPEG2 = 1, 2
_DELTA_AT = 16
"""Bytes from a block's beginning to its quantiser less the picture's."""
EXPORT = {"export_side_data": "venc_params"}
"""What a decoder must be asked for."""
STEPPED = frozenset({"h264", "mpeg1video", "mpeg2video", "mpeg4"})
"""Decoders that answer."""


def frame_step(frame: Any) -> float:
    """Mean step (grey) to which a predicted frame's transforms were rounded; NaN for others.

    `frame` is PyAV's, of a decoder opened with `EXPORT`.
    """
    if frame.pict_type == PictureType.I:
        return float("nan")
    # By index: PyAV up to 18 iterates over side data themselves, from 19 on over their types.
    for k in range(len(frame.side_data)):
        side = frame.side_data[k]
        if side.type.name == "VIDEO_ENC_PARAMS":
            return _step_of_params(memoryview(side))
    return float("nan")


def _step_of_params(params: memoryview) -> float:
    if params.nbytes < _HEAD.size:
        return float("nan")
    count, first, size, kind, quantiser = _HEAD.unpack_from(params)
    delta = np.zeros(1)
    if count and size >= _DELTA_AT + 4 and first + count * size <= params.nbytes:
        raw = np.frombuffer(params, np.uint8, count * size, first).reshape(count, size)
        delta = raw[:, _DELTA_AT : _DELTA_AT + 4].copy().view(np.int32)[:, 0].astype(float)
    if kind == _H264:
        return float(np.mean(2.0 ** ((quantiser + delta - 4.0) / 6.0)))
    return float(np.mean(quantiser + delta)) if kind == _MPEG2 else float("nan")
