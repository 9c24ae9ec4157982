"""How coarsely a film was coded, against the quantiser that the coder was asked for."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from tracker.film import open_film


def _coded(
    path: Path,
    codec: str,
    options: dict[str, str],
    pixels: str = "yuv420p",
    size: tuple[int, int] = (192, 128),
    frames: int = 12,
) -> Path:
    rng = np.random.default_rng(4)
    width, height = size
    wide = rng.uniform(40, 200, (height + frames, width + frames)).astype(np.uint8)
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=Fraction(50))
        stream.width, stream.height, stream.pix_fmt = width, height, pixels
        stream.options = options
        for i in range(frames):
            grey = wide[i : i + height, i // 2 : i // 2 + width]
            picture = np.vstack([grey, np.full((height // 2, width), 128, np.uint8)])
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(picture), format=pixels)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def _steps(path: Path) -> list[float]:
    film = open_film(str(path))
    return [film.coding_step(i) for i, _ in film.forward()]


# ITU-T H.264, table of the step: 0.625 at 0, 1 at 4, 2.5 at 12, 10 at 24, 40 at 36.
@pytest.mark.parametrize(("quantiser", "step"), [(12, 2.5), (24, 10.0), (36, 40.0)])
def test_h264_tells_its_step(tmp_path: Path, quantiser: int, step: float) -> None:
    options = {"qp": str(quantiser), "bf": "0"}
    found = _steps(_coded(tmp_path / "film.mkv", "libx264", options))
    assert found[-1] == pytest.approx(step, rel=0.02)


def test_mpeg2_tells_its_scale(tmp_path: Path) -> None:
    options = {"qmin": "8", "qmax": "8"}
    found = _steps(_coded(tmp_path / "film.mkv", "mpeg2video", options))
    assert found[5] == pytest.approx(16.0, rel=0.02)  # ISO/IEC 13818-2: linear scale 2 x 8


def test_a_film_tells_the_same_steps_each_time_it_is_read(tmp_path: Path) -> None:
    """Blocks of changing steps, frames from both sides: decoders of several threads once handed
    out steps that others were still filling in.
    """
    options = {"crf": "18", "bf": "3", "aq-mode": "1"}
    path = _coded(tmp_path / "film.mkv", "libx264", options, size=(768, 512), frames=40)
    first = _steps(path)
    assert all(_steps(path) == first for _ in range(10))


@pytest.mark.parametrize("codec", ["ffv1", "mjpeg"])
def test_pictures_coded_by_themselves_have_none(tmp_path: Path, codec: str) -> None:
    kind = "yuvj420p" if codec == "mjpeg" else "yuv420p"
    assert _steps(_coded(tmp_path / "film.mkv", codec, {}, kind)) == [0.0] * 12
