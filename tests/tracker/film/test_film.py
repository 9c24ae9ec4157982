"""Films are read frame for frame: order, number, grey levels and time stamps as they were written.

No published source: the films are written here with a frame's number painted into it.
"""

from __future__ import annotations

import json
import os
import resource
import struct
import zlib
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from calibration.errors import FILM, Problem
from tracker.film import RepeatDetector, open_film
from tracker.film.findings import stamp_gaps
from tracker.film.options import FilmOptions

SIZE = (112, 48)  # not a multiple of 32: lines are padded
BITS = 12


def painted(number: int) -> np.ndarray:
    """A grey picture (48, 112) that shows a number as twelve black or white blocks."""
    rng = np.random.default_rng(number)
    picture = rng.integers(100, 140, SIZE[::-1]).astype(np.uint8)
    for bit in range(BITS):
        picture[8:40, 8 + 8 * bit : 16 + 8 * bit] = 220 if number >> bit & 1 else 30
    return picture


def number_in(luma: np.ndarray, white: int) -> int:
    """The number that a picture shows."""
    blocks = luma[12:36, 8 : 8 + 8 * BITS].reshape(24, BITS, 8).mean(axis=(0, 2))
    return sum(1 << bit for bit in range(BITS) if blocks[bit] > white / 2)


def written(
    path: Path,
    codec: str,
    layout: str,
    numbers: range | list[int],
    *,
    rate: int = 1000,
    options: dict[str, str] | None = None,
    stamps: list[int] | None = None,
) -> Path:
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=rate, options=options or {})
        stream.width, stream.height = SIZE
        stream.pix_fmt = layout
        stream.codec_context.time_base = Fraction(1, rate)
        for at, number in enumerate(numbers):
            frame = av.VideoFrame.from_ndarray(painted(number), format="gray")
            frame = frame.reformat(format=layout)
            frame.pts = at if stamps is None else stamps[at]
            frame.time_base = Fraction(1, rate)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


H264 = {"g": "12", "bf": "3", "x264-params": "scenecut=0", "crf": "16"}
FILMS = {
    "h264.mp4": ("libx264", "yuv420p", H264),
    "h264.mkv": ("libx264", "yuv420p", H264),
    "open.mp4": ("libx264", "yuv420p", H264 | {"x264-params": "scenecut=0:open-gop=1"}),
    "h264.avi": ("libx264", "yuv420p", H264),
    "mpeg4.avi": ("mpeg4", "yuv420p", {"g": "10", "bf": "2", "b": "4000000"}),
    "mjpeg.mov": ("mjpeg", "yuvj420p", {"q": "2"}),
    "raw.avi": ("rawvideo", "yuv420p", {}),
    "ffv1.mkv": ("ffv1", "gray", {}),
    "deep.mkv": ("ffv1", "gray12le", {}),
    "colour.avi": ("ffv1", "bgr0", {}),
    "packed.mov": ("rawvideo", "yuyv422", {}),
    "ten.mkv": ("ffv1", "yuv420p10le", {}),
}


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("films")
    return {
        name: written(folder / name, codec, layout, range(60), options=options)
        for name, (codec, layout, options) in FILMS.items()
    }


@pytest.mark.parametrize("name", FILMS)
def test_each_frame_has_its_number_in_every_way_of_reading(
    films: dict[str, Path], name: str
) -> None:
    film = open_film(str(films[name]))
    assert film.frames == 60
    assert film.size == SIZE
    forward = [(i, number_in(luma, film.white)) for i, luma in film.forward()]
    assert forward == [(i, i) for i in range(60)]
    backward = [(i, number_in(luma, film.white)) for i, luma in film.backward()]
    assert backward == forward[::-1]
    part = [(i, number_in(luma, film.white)) for i, luma in film.forward(29, 41)]
    assert part == forward[29:42]
    back = [(i, number_in(luma, film.white)) for i, luma in film.backward(41, 29)]
    assert back == part[::-1]
    for i in (59, 0, 17, 16, 15, 35, 36, 12, 11, 58):
        assert number_in(film.frame(i), film.white) == i
    assert not [f for f in film.with_faults().findings if f.code == "frame_damaged"]


@pytest.mark.parametrize("name", ["h264.mp4", "open.mp4", "mpeg4.avi"])
def test_a_frame_is_the_same_whether_sought_or_streamed(films: dict[str, Path], name: str) -> None:
    streamed = {i: luma.copy() for i, luma in open_film(str(films[name])).forward()}
    for i in (47, 36, 24, 25, 23, 3):
        np.testing.assert_array_equal(open_film(str(films[name])).frame(i), streamed[i])


def test_reading_backwards_holds_a_bounded_number_of_frames(
    films: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    import tracker.film.film as module

    film = open_film(str(films["h264.mp4"]))
    monkeypatch.setattr(module, "FILM", FilmOptions(backward_bytes=5 * film.frame_bytes))
    numbers = [number_in(luma, film.white) for _, luma in film.backward()]
    assert numbers == list(range(59, -1, -1))


@pytest.mark.parametrize(("name", "bits"), [("ffv1.mkv", 8), ("deep.mkv", 12), ("ten.mkv", 10)])
def test_bit_depth_is_kept(films: dict[str, Path], name: str, bits: int) -> None:
    film = open_film(str(films[name]))
    luma = film.frame(5)
    assert film.bits == bits
    assert film.white == 2**bits - 1
    assert luma.dtype == (np.uint8 if bits == 8 else np.uint16)
    assert luma.max() > 2 ** (bits - 1)


def test_a_lossless_grey_film_keeps_every_grey_level(films: dict[str, Path]) -> None:
    film = open_film(str(films["ffv1.mkv"]))
    for i, luma in film.forward():
        np.testing.assert_array_equal(luma, painted(i))


def test_grey_levels_of_a_deep_film_are_not_rounded(tmp_path: Path) -> None:
    levels = np.arange(48 * 112, dtype=np.uint16).reshape(48, 112) % 4096
    path = tmp_path / "levels.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=100)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "gray12le"
        frame = av.VideoFrame(*SIZE, "gray12le")
        line = frame.planes[0].line_size // 2
        padded = np.zeros((48, line), np.uint16)
        padded[:, :112] = levels
        frame.planes[0].update(padded.tobytes())
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    np.testing.assert_array_equal(open_film(str(path)).frame(0), levels)


def test_time_stamps_are_those_of_the_container(films: dict[str, Path]) -> None:
    for name in ("h264.mp4", "mjpeg.mov", "raw.avi", "ffv1.mkv"):
        film = open_film(str(films[name]))
        np.testing.assert_allclose(film.stamps - film.stamps[0], np.arange(60) / 1000, atol=1e-9)
        assert film.rate == pytest.approx(1000)
        assert film.with_faults().findings == ()


def test_dropped_frames_are_noticed_in_the_stamps(tmp_path: Path) -> None:
    stamps = [*range(20), *range(23, 40)]
    path = written(tmp_path / "f.mp4", "libx264", "yuv420p", stamps, options=H264, stamps=stamps)
    film = open_film(str(path))
    assert [f.code for f in film.with_faults().findings] == ["frames_dropped"]
    assert "3 frames are missing, after frames 19" in film.with_faults().findings[0].text
    assert [number_in(luma, film.white) for _, luma in film.forward()] == stamps


@pytest.mark.parametrize("rate", [300, 640, 900, 1000, 1600])
def test_stamps_rounded_to_a_tick_are_no_dropped_frames(rate: int) -> None:
    stamps = np.floor(np.arange(2000) / rate * 1000 + 0.5) / 1000
    assert "frames_dropped" not in [f.code for f in stamp_gaps(stamps, 1e-3, "")]


def test_a_repeated_frame_is_noticed_while_reading(tmp_path: Path) -> None:
    numbers = [0, 1, 2, 3, 3, 4, 5, 6, 6, 6, 7, 8, 9, 10]
    film = open_film(str(written(tmp_path / "f.mkv", "ffv1", "gray", numbers)))
    repeats = RepeatDetector()
    for index, luma in film.forward():
        repeats.add_frame(index, luma)
    assert repeats.frames == [4, 8, 9]
    assert "3 frames repeat the one before: 4, 8, 9" in repeats.findings("")[0].text


def test_pictures_come_in_natural_order_with_their_full_depth(tmp_path: Path) -> None:
    deep = [painted(n).astype(np.uint16) * 16 + n % 16 for n in range(12)]
    for n, picture in enumerate(deep):
        cv2.imwrite(str(tmp_path / f"p{n}.png"), picture)
    (tmp_path / "notes.json").write_text(json.dumps({"bits": 12}))
    for path in (str(tmp_path), str(tmp_path / "p*.png")):
        film = open_film(path, frame_rate=500.0, bits=12)
        assert (film.frames, film.size, film.bits, film.white) == (12, SIZE, 12, 4095)
        assert film.rate == 500.0
        assert np.isnan(film.stamps).all()
        for i, luma in film.forward():
            np.testing.assert_array_equal(luma, deep[i])
        for i, luma in film.backward():
            np.testing.assert_array_equal(luma, deep[i])
        np.testing.assert_array_equal(film.frame(10), deep[10])


@pytest.mark.parametrize("ending", ["png", "tif", "jpg", "pgm", "bmp"])
def test_picture_formats(tmp_path: Path, ending: str) -> None:
    for n in range(3):
        cv2.imwrite(str(tmp_path / f"{n:03d}.{ending}"), painted(n))
    film = open_film(str(tmp_path))
    assert [number_in(luma, film.white) for _, luma in film.forward()] == [0, 1, 2]


def test_coloured_pictures_give_luma(tmp_path: Path) -> None:
    colour = np.zeros((48, 112, 3), np.uint8)
    colour[...] = (40, 120, 200)  # blue, green, red
    cv2.imwrite(str(tmp_path / "0.png"), colour)
    cv2.imwrite(str(tmp_path / "1.png"), np.dstack([colour, np.full((48, 112), 255, np.uint8)]))
    film = open_film(str(tmp_path))
    # Recommendation ITU-R BT.601: Y = 0.299 R + 0.587 G + 0.114 B
    expected = 0.299 * 200 + 0.587 * 120 + 0.114 * 40
    for _, luma in film.forward():
        assert luma == pytest.approx(np.full((48, 112), expected), abs=1)


def test_a_missing_number_and_a_damaged_picture_are_findings(tmp_path: Path) -> None:
    for n in (1, 2, 3, 5, 6):
        cv2.imwrite(str(tmp_path / f"p{n}.png"), painted(n))
    (tmp_path / "p3.png").write_bytes((tmp_path / "p3.png").read_bytes()[:40])
    film = open_film(str(tmp_path))
    assert "after frames 2" in film.with_faults().findings[0].text
    assert [i for i, _ in film.forward()] == [0, 1, 3, 4]
    assert [f.code for f in film.with_faults().findings] == ["frames_dropped", "frame_damaged"]
    with pytest.raises(Problem, match="frame 2 can't be read"):
        film.frame(2)


@pytest.mark.parametrize("content", [b"", b"schema = 1\n", b"\x00" * 4096, b"RIFF\x00\x00AVI LIST"])
def test_what_is_no_film_is_a_problem_in_one_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "film.mp4"
    path.write_bytes(content)
    with pytest.raises(Problem, match="can be read") as caught:
        open_film(str(path), where="cameras.overhead.film")
    assert caught.value.status == FILM
    assert "cameras.overhead.film" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_what_is_not_there_is_a_problem(tmp_path: Path) -> None:
    for path in ("none.mp4", "none*.png", "."):
        with pytest.raises(Problem, match=r"there (is|are) no"):
            open_film(str(tmp_path / path))


def test_a_film_without_pictures_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "sound.wav"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("pcm_s16le", rate=8000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), layout="mono")
        frame.rate = 8000
        container.mux(stream.encode(frame))
    with pytest.raises(Problem, match="can be read"):
        open_film(str(path))


@pytest.mark.parametrize("name", ["h264.mkv", "mjpeg.mov", "ffv1.mkv", "mpeg4.avi", "raw.avi"])
@pytest.mark.parametrize("kept", [0.3, 0.7, 0.97])
def test_a_film_cut_short_gives_the_frames_it_holds_or_a_problem(
    films: dict[str, Path], tmp_path: Path, name: str, kept: float
) -> None:
    data = films[name].read_bytes()
    path = tmp_path / name
    path.write_bytes(data[: int(len(data) * kept)])
    try:
        film = open_film(str(path))
    except Problem:
        return
    numbers = [(i, number_in(luma, film.white)) for i, luma in film.forward()]
    # the last one may be torn
    assert numbers[:-1] == [(i, i) for i in range(len(numbers) - 1)]
    assert len(numbers) <= film.frames <= 60


def test_frames_lost_to_damage_are_reported_and_the_others_keep_their_stamps(
    films: dict[str, Path], tmp_path: Path
) -> None:
    data = bytearray(films["ffv1.mkv"].read_bytes())
    middle = len(data) // 2
    data[middle : middle + 3000] = bytes(3000)
    path = tmp_path / "damaged.mkv"
    path.write_bytes(bytes(data))
    film = open_film(str(path))
    assert film.frames < 60
    assert [f.code for f in film.with_faults().findings] == ["frames_dropped"]
    numbers = np.rint(film.stamps * 1000).astype(int)
    whole = [np.array_equal(luma, painted(numbers[index])) for index, luma in film.forward()]
    assert whole.count(False) <= 1  # the one that is torn


@pytest.mark.parametrize("seed", range(12))
def test_a_frame_whose_picture_is_damaged_is_left_out_and_reported(
    films: dict[str, Path], tmp_path: Path, seed: int
) -> None:
    """Motion JPEG: a decoder that hides the damage would show another picture."""
    sound = {i: luma.copy() for i, luma in open_film(str(films["mjpeg.mov"])).forward()}
    data = bytearray(films["mjpeg.mov"].read_bytes())
    rng = np.random.default_rng(seed)
    at = int(rng.integers(2000, len(data) // 2))
    data[at : at + 60] = rng.bytes(60)
    path = tmp_path / "damaged.mov"
    path.write_bytes(bytes(data))
    film = open_film(str(path))
    other = [i for i, luma in film.forward() if not np.array_equal(luma, sound[i])]
    assert len(other) <= 1
    assert film.with_faults().findings or not other


def test_what_a_decoder_makes_up_for_damaged_parts_is_reported(tmp_path: Path) -> None:
    """H.264 of a textured scene: of twenty wounds that show, few go unsaid (two; by slices 17)."""
    rng = np.random.default_rng(0)
    scene = cv2.GaussianBlur(rng.uniform(0, 255, (400, 480)).astype(np.float32), (0, 0), 1.5)
    path = tmp_path / "film.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=500, options={"crf": "18"})
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for n in range(40):
            luma = np.clip((scene[2 * n : 2 * n + 240, n : n + 320] - 90) * 2, 0, 255)
            frame = av.VideoFrame.from_ndarray(luma.astype(np.uint8), format="gray")
            container.mux(stream.encode(frame.reformat(format="yuv420p")))
        container.mux(stream.encode(None))
    sound = {i: luma.copy() for i, luma in open_film(str(path)).forward()}
    whole = path.read_bytes()
    begin = whole.index(b"mdat") + 2000
    shown = unsaid = 0
    for n in range(20):
        data = bytearray(whole)
        at = int(rng.integers(begin, begin + (len(whole) - begin) * 3 // 4))
        data[at : at + 300] = rng.bytes(300)
        wounded = tmp_path / f"{n}.mp4"
        wounded.write_bytes(bytes(data))
        film = open_film(str(wounded))
        read = {i: luma.copy() for i, luma in film.forward()}
        other = [i for i in sound if i not in read or not np.array_equal(read[i], sound[i])]
        shown += bool(other)
        unsaid += bool(other) and not film.with_faults().findings
    assert shown >= 15
    assert unsaid <= 3


@pytest.mark.parametrize("name", ["h264.mkv", "ffv1.mkv"])
def test_a_film_cut_while_it_is_read_is_reported(
    films: dict[str, Path], tmp_path: Path, name: str
) -> None:
    path = tmp_path / name
    path.write_bytes(films[name].read_bytes())
    film = open_film(str(path))
    assert film.with_faults().findings == ()
    os.truncate(path, path.stat().st_size // 2)
    read = [number_in(luma, film.white) for _, luma in film.forward()]
    assert 0 < len(read) < 60
    assert "film_cut_short" in [f.code for f in film.with_faults().findings]


def test_pictures_lost_while_they_are_read_are_reported(tmp_path: Path) -> None:
    for n in range(6):
        cv2.imwrite(str(tmp_path / f"{n}.png"), painted(n))
    film = open_film(str(tmp_path))
    for n in (3, 5):
        (tmp_path / f"{n}.png").unlink()
    assert [number_in(luma, film.white) for _, luma in film.forward()] == [0, 1, 2, 4]
    assert {f.code for f in film.with_faults().findings} == {"frame_damaged", "film_cut_short"}


def test_many_lost_pictures_are_reported_in_a_few_sentences(tmp_path: Path) -> None:
    for n in range(30):
        cv2.imwrite(str(tmp_path / f"{n}.png"), painted(n))
    film = open_film(str(tmp_path))
    for n in range(2, 29):
        (tmp_path / f"{n}.png").write_bytes(b"no picture")
    for _ in range(2):
        assert [i for i, _ in film.forward()] == [0, 1, 29]
    assert len(film.with_faults().findings) < 12
    assert "19 more pictures can't be used" in film.with_faults().findings[-1].text


def test_playlists_and_text_are_no_films(films: dict[str, Path], tmp_path: Path) -> None:
    name = films["h264.mp4"]
    for ending, text in (
        ("m3u8", f"#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nfile://{name}\n"),
        ("mp4", f"ffconcat version 1.0\nfile '{name}'\n"),
        ("txt", "\x1b[31mtext\n" * 100),
    ):
        path = tmp_path / f"film.{ending}"
        path.write_text(text)
        with pytest.raises(Problem, match="not a film that can be read"):
            open_film(str(path))


def test_a_picture_that_promises_too_many_pixels_takes_no_memory(tmp_path: Path) -> None:
    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", 30_000, 30_000, 16, 2, 0, 0, 0)  # 5.4 GB, in 100 bytes
    bomb = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head)
    bomb += chunk(b"IDAT", zlib.compress(bytes(1000))) + chunk(b"IEND", b"")
    (tmp_path / "1.png").write_bytes(bomb)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(Problem, match="the first pictures can't be read"):
        open_film(str(tmp_path))
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 200_000


def test_too_many_bits_are_a_problem(films: dict[str, Path]) -> None:
    with pytest.raises(Problem, match="8 bits a grey level, not 12"):
        open_film(str(films["ffv1.mkv"]), bits=12)


def test_a_frame_beyond_the_film_is_a_problem(films: dict[str, Path]) -> None:
    with pytest.raises(Problem, match="no frame 60"):
        open_film(str(films["ffv1.mkv"])).frame(60)


def test_films_are_read_from_addresses_with_a_scheme(films: dict[str, Path]) -> None:
    fsspec = pytest.importorskip("fsspec")
    memory = fsspec.filesystem("memory")
    memory.pipe("/films/a.mp4", films["h264.mp4"].read_bytes())
    for n in (2, 10, 9):
        data = cv2.imencode(".png", painted(n))[1].tobytes()
        memory.pipe(f"/films/pictures/p{n}.png", data)
    film = open_film("memory://films/a.mp4")
    assert [number_in(luma, 255) for _, luma in film.forward(10, 14)] == list(range(10, 15))
    for path in ("memory://films/pictures", "memory://films/pictures/p*.png"):
        assert [number_in(luma, 255) for _, luma in open_film(path).forward()] == [2, 9, 10]
    with pytest.raises(Problem, match="no such file"):
        open_film("memory://films/b.mp4")
