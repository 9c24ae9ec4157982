"""The place at rest by picks in a later photograph, on the whole road."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.support.small_scene import CAR, ROOF, pixel
from tracker.pipeline.analyse import analyse
from tracker.record.load import load_record

X, Y, HEADING = 3.0, -1.2, 0.7


def picks() -> str:
    """Three of the car's marks as the camera sees them where it came to rest, to whole pixels."""
    c, s = np.cos(HEADING), np.sin(HEADING)
    at = {}
    for name in ("roof1", "roof2", "roof4"):
        a, b = CAR[name]
        at[name] = pixel(X + c * a - s * b, Y + s * a + c * b, ROOF)
    return ", ".join(f"{name} = [{round(u)}, {round(v)}]" for name, (u, v) in at.items())


def test_picks_in_a_photograph_taken_later_give_the_place_at_rest(small_copy: Path) -> None:
    """The film ends while the car moves; the camera has not been moved since."""
    path = small_copy / "record.toml"
    rest = f'rest = {{ camera = "above", picks = {{ {picks()} }} }}\n'
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[vehicles.car.markers]", f"{rest}[vehicles.car.markers]"))

    final = analyse(load_record(path)).vehicles["car"].final

    assert final is not None
    assert final.source == "photograph"
    for found, true in ((final.x, X), (final.y, Y), (final.heading, HEADING)):
        assert found is not None
        assert abs(found.value - true) < 3 * found.u
    assert final.x is not None
    assert 0.005 < final.x.u < 0.05  # a pixel is 24 mm there
