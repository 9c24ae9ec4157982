"""Numbers that steer how the demonstration's films are drawn and written."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option

CHOSEN = "chosen for this demonstration; no source"


@dataclass(frozen=True)
class DrawingOptions:
    """How the invented scene becomes grey values."""

    white_grey: float = option(
        290.0, "grey value", (100.0, 1000.0), "brighter vehicles, boards and ground", CHOSEN
    )
    ambient: float = option(0.42, "1", (0.0, 1.0), "lighter faces that turn from the sun", CHOSEN)
    direct: float = option(0.62, "1", (0.0, 1.0), "lighter faces that turn to the sun", CHOSEN)
    margin: int = option(4, "px", (1, 32), "more pixels drawn around what moves", CHOSEN)
    flash_size: float = option(
        0.10, "m", (0.01, 1.0), "a wider glow of the flash (standard deviation of its core)", CHOSEN
    )
    flash_time: float = option(0.055, "s", (1e-3, 1.0), "a flash that burns longer", CHOSEN)
    light_side: int = option(
        40, "px of a picture 1280 px wide", (8, 200), "a larger timing light", CHOSEN
    )
    light_phase: float = option(
        0.37, "periods", (0.0, 1.0), "a timing light whose clock is later at time zero", CHOSEN
    )
    pieces: int = option(34, "1", (0, 1000), "more flying pieces", CHOSEN)
    clouds: int = option(24, "1", (0, 1000), "more clouds of dust", CHOSEN)
    restitution: float = option(0.3, "1", (0.0, 1.0), "pieces that bounce higher", CHOSEN)
    grazing: float = option(
        0.34,
        "1",
        (0.0, 1.0),
        "fewer targets count as visible (cosine between line of sight and normal)",
        CHOSEN,
    )
    key_interval: int = option(
        40, "frames", (1, 1000), "a smaller movie whose single frames are slower to reach", CHOSEN
    )


DRAWING = DrawingOptions()
"""The options in use."""
