"""How much memory a picture file asks for, from its own header, before anything decodes it.

A file of a few bytes can promise any number of pixels. Formats: PNG (ISO/IEC 15948, 11.2.2), JPEG
(ITU-T T.81, B.2.2), TIFF (revision 6.0, section 2; BigTIFF by its common description), BMP, PNM,
WebP (RFC 9649), JPEG 2000 (ITU-T T.800, A.5.1). A file of any other kind is no picture here.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator

_WIDTH, _HEIGHT, _BITS, _SAMPLES, _TILE_WIDTH, _TILE_HEIGHT = 256, 257, 258, 277, 322, 323
_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
"""JPEG's markers that begin a frame."""


def promised_bytes(data: bytes) -> int | None:
    """Bytes of the decoded picture: pixels, samples of each and bytes of a sample.

    Samples that a decoder adds (a palette's colours, an alpha plane) are counted. None for what is
    no picture of these formats.
    """
    try:
        if data[:8] == b"\x89PNG\r\n\x1a\n":
            return _png(data)
        if data[:2] == b"\xff\xd8":
            return max(_jpeg(data), default=None)
        if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
            return _tiff(data)
        if data[:2] == b"BM":
            return _bmp(data)
        if data[:1] == b"P" and data[1:2] in b"123456":
            return _pnm(data)
        if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
            return _webp(data)
        if data[4:8] == b"jP  " or data[:4] == b"\xff\x4f\xff\x51":
            return _jpeg_2000(data)
    except (struct.error, ValueError):
        pass
    return None


def _png(data: bytes) -> int:
    width, height, bits, colour = struct.unpack_from(">IIBB", data, 16)
    samples = 1 if colour == 0 and b"tRNS" not in data else 4
    return int(width * height * samples * (2 if bits > 8 else 1))


def _jpeg(data: bytes) -> Iterator[int]:
    at = 2
    while at + 9 < len(data):
        marker, length = struct.unpack_from(">xBH", data, at)
        if data[at] != 0xFF or marker == 0xDA:  # the picture itself begins
            return
        if marker == 0xFF:
            at += 1
            continue
        if marker in _FRAMES:
            bits, height, width, count = struct.unpack_from(">BHHB", data, at + 4)
            yield width * height * max(count, 3) * (2 if bits > 8 else 1)
        at += 2 + length


def _tiff(data: bytes) -> int:
    end = "<" if data[:1] == b"I" else ">"
    if data[2:4] in (b"+\0", b"\0+"):
        entry, (place,), count_form, first = "HHQQ", struct.unpack_from(end + "Q", data, 8), "Q", 8
    else:
        entry, (place,), count_form, first = "HHII", struct.unpack_from(end + "I", data, 4), "H", 2
    (count,) = struct.unpack_from(end + count_form, data, place)
    size = struct.calcsize(end + entry)
    most: dict[int, int] = {}
    for number in range(min(count, len(data) // size)):
        at = place + first + number * size
        tag, kind, values, _ = struct.unpack_from(end + entry, data, at)
        form = {1: "B", 3: "H", 4: "I", 16: "Q"}.get(kind)
        if form is None:
            continue
        room = struct.calcsize(end + entry[-1])
        if values * struct.calcsize(end + form) > room:  # they stand elsewhere
            (at_values,) = struct.unpack_from(end + entry[-1], data, at + size - room)
        else:
            at_values = at + size - room
        (value,) = struct.unpack_from(end + form, data, at_values)
        most[tag] = max(most.get(tag, 0), value)
    width = max(most.get(_WIDTH, 0), most.get(_TILE_WIDTH, 0))
    height = max(most.get(_HEIGHT, 0), most.get(_TILE_HEIGHT, 0))
    samples = max(most.get(_SAMPLES, 1), 4 if most.get(_BITS, 1) <= 8 else 1)
    return int(width * height * samples * -(-most.get(_BITS, 1) // 8))


def _bmp(data: bytes) -> int:
    (size,) = struct.unpack_from("<I", data, 14)
    width, height = struct.unpack_from("<HH" if size == 12 else "<ii", data, 18)
    return int(abs(width) * abs(height) * 4)


def _pnm(data: bytes) -> int | None:
    found = re.match(rb"P([1-6])(?:\s|#[^\n]*\n)+(\d+)(?:\s|#[^\n]*\n)+(\d+)", data[:4096])
    if found is None:
        return None
    kind, width, height = (int(text) for text in found.groups())
    return width * height * (6 if kind in (3, 6) else 2)


def _webp(data: bytes) -> int | None:
    kind = data[12:16]
    if kind == b"VP8X":
        width = 1 + int.from_bytes(data[24:27], "little")
        height = 1 + int.from_bytes(data[27:30], "little")
    elif kind == b"VP8L":
        both = int.from_bytes(data[21:25], "little")
        width, height = 1 + (both & 0x3FFF), 1 + (both >> 14 & 0x3FFF)
    elif kind == b"VP8 ":
        width, height = (size & 0x3FFF for size in struct.unpack_from("<HH", data, 26))
    else:
        return None
    return width * height * 4


def _jpeg_2000(data: bytes) -> int | None:
    at = data.find(b"\xff\x4f\xff\x51")
    if at < 0:
        return None
    width, height, left, top = struct.unpack_from(">IIII", data, at + 8)
    (count,) = struct.unpack_from(">H", data, at + 40)
    planes = 4  # bytes of a sample while it is decoded, by the common library
    return int(max(width - left, 0) * max(height - top, 0) * count * planes)
