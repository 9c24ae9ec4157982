"""Numbers that steer how films are opened and read."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option

_MEMORY = "chosen for machines of 8 GB that analyse several films at once"
_VIDEO = "common practice of interlace detection, no source; tried on rendered films"


@dataclass(frozen=True)
class FilmOptions:
    """Memory, sampling and limits of reading films."""

    backward_bytes: int = option(
        128_000_000,
        "byte",
        (1e6, 1e10),
        "more luma is kept while a film is read backwards",
        _MEMORY,
    )
    cache_bytes: int = option(
        48_000_000, "byte", (1e6, 1e10), "more frames are kept for random access", _MEMORY
    )
    cache_frames: int = option(
        64, "1", (2, 1000), "most frames kept for random access, whatever their size", _MEMORY
    )
    threads: int = option(8, "1", (1, 64), "most decoding threads of one film", _MEMORY)
    largest_pixels: int = option(
        2**27,
        "px",
        (2**20, 2**31),
        "larger pictures are read; a file of a few bytes can promise any number",
        "8 times 4k",
    )
    largest_picture: int = option(
        2**28,
        "byte",
        (2**20, 2**34),
        "larger picture files are read, and pictures that promise to be larger once decoded",
        "15 times 4k in grey levels of 16 bits; a quarter of what a batch plans for a test",
    )
    frames_named: int = option(
        8, "1", (1, 100), "more frame numbers and picture names are spelled out in a diagnostic"
    )
    gap_steps: float = option(
        1.5, "usual step", (1.1, 1.9), "a step of the time stamps must be longer to be a gap"
    )
    tick_tolerance: float = option(
        0.01,
        "tick",
        (0.0, 0.1),
        "the usual step counts as whole ticks though farther from them, so that rounding is none",
    )
    interlaced_places: int = option(4, "1", (1, 20), "more places of a film are tried", _VIDEO)
    interlaced_frames: int = option(6, "1", (2, 50), "more frames are read at each place", _VIDEO)
    moving_grey: float = option(
        14.0, "grey level of 8 bits", (2, 60), "a pixel must change more to count as moving", _VIDEO
    )
    comb_block: int = option(16, "px", (8, 64), "larger blocks are judged as one", _VIDEO)
    comb_filled: float = option(
        0.1, "1", (0.01, 0.9), "more of a block must move for it to be judged", _VIDEO
    )
    comb_blocks: int = option(5, "1", (1, 100), "more blocks must be judged", _VIDEO)
    comb_share: float = option(0.6, "1", (0.5, 1), "more of those blocks must be combs", _VIDEO)
    comb_grey: float = option(
        5.0, "grey level of 8 bits", (1, 50), "lines of a comb must differ more", _VIDEO
    )
    comb_ratio: float = option(
        1.4,
        "1",
        (1, 5),
        "neighbouring lines must differ more in proportion to lines of the same field",
        _VIDEO,
    )


FILM = FilmOptions()
