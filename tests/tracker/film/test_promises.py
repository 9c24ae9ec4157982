"""Files that promise more than a batch plans for a test are refused before they are decoded.

What a picture takes once decoded is checked against the library that decodes it.
"""

from __future__ import annotations

import struct
import zlib

import cv2
import h5py
import numpy as np
import pytest

from calibration.board.calibrate import _read
from calibration.errors import CalibrationError, FilmError, Problem
from calibration.picture_size import promised_bytes
from tests.support.made_results import made_results
from tracker.accelerometers.file_formats import read_source
from tracker.accelerometers.options import ACCELEROMETERS
from tracker.batch.run import NEED
from tracker.film.options import FILM
from tracker.film.pictures import open_pictures, read_picture
from tracker.results.hdf5 import read_h5, write_h5
from tracker.storage.hdf5 import LARGEST

KINDS = [
    (ending, number, channels)
    for ending in (".png", ".jpg", ".tif", ".bmp", ".webp", ".jp2")
    for number in (np.uint8, np.uint16)
    for channels in (1, 3, 4)
    if number == np.uint8 or ending in (".png", ".tif", ".jp2")
    if (ending, channels) != (".jp2", 4)
] + [(".pgm", np.uint8, 1), (".pgm", np.uint16, 1), (".ppm", np.uint8, 3), (".ppm", np.uint16, 3)]


@pytest.mark.parametrize(("ending", "number", "channels"), KINDS)
def test_a_header_promises_at_least_what_the_decoder_makes(ending, number, channels):
    picture = np.full((150, 130, channels), 7, number)
    done, data = cv2.imencode(ending, picture)
    assert done
    decoded = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
    promised = promised_bytes(data.tobytes())
    assert decoded.nbytes <= promised <= 12 * decoded.nbytes


@pytest.mark.parametrize(
    "data", [b"", b"\x89PNG\r\n\x1a\n", b"II*\0\xff\xff\xff\xff", b"P5 9", b"x"]
)
def test_what_is_no_picture_promises_nothing(data):
    assert promised_bytes(data) is None


def png(width, height, bits, colour):
    """A PNG file that holds nothing but its header (ISO/IEC 15948)."""
    head = b"IHDR" + struct.pack(">IIBBBBB", width, height, bits, colour, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + head + struct.pack(">I", zlib.crc32(head))


def tiff(width, height, bits):
    """A little-endian TIFF file that holds nothing but sizes (TIFF 6.0)."""
    tags = [(256, width), (257, height), (258, bits)]
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags)
    return b"II*\0" + struct.pack("<IH", 8, len(tags)) + entries + bytes(4)


def jpeg(width, height):
    """The start of a JPEG file up to its frame's header (ITU-T T.81)."""
    return b"\xff\xd8\xff\xc0" + struct.pack(">HBHHB", 17, 8, height, width, 3) + bytes(30)


BOMBS = {
    "png": png(11_000, 11_000, 16, 6),
    "tif": tiff(20_000, 20_000, 16),
    "jpg": jpeg(60_000, 60_000),
    "pgm": b"P5\n# no end\n40000 40000\n65535\n",
    "bmp": b"BM" + bytes(12) + struct.pack("<Iii", 40, 30_000, -30_000),
}


@pytest.mark.parametrize("ending", BOMBS)
def test_a_picture_that_promises_too_much_is_not_decoded(tmp_path, monkeypatch, ending):
    (tmp_path / f"a1.{ending}").write_bytes(BOMBS[ending])
    assert promised_bytes(BOMBS[ending]) > FILM.largest_picture

    def decoded(*_):
        raise AssertionError("it was decoded")

    monkeypatch.setattr(cv2, "imdecode", decoded)
    assert read_picture(str(tmp_path / f"a1.{ending}"), "x") is None
    with pytest.raises(FilmError, match="256 MiB at most"):
        open_pictures(str(tmp_path), "x")
    with pytest.raises(CalibrationError):
        list(_read([tmp_path / f"a1.{ending}"], "x"))


def test_limits_of_one_file_are_a_fraction_of_what_a_batch_plans():
    numbers = 8 * ACCELEROMETERS.most_numbers
    assert max(FILM.largest_picture, numbers, 8 * LARGEST) * 4 < 1.2 * NEED


def promise(file, name, size):
    """A dataset without content: nothing of it lies in the file."""
    file.create_dataset(name, (size,), "f8", chunks=(2**16,), compression="gzip")


@pytest.mark.parametrize("channels", [1, 6])
def test_an_hdf5_file_is_read_up_to_a_number_of_numbers_in_all(tmp_path, channels):
    names = ["time", *(f"a{i}" for i in range(channels))]
    with h5py.File(tmp_path / "a.h5", "w") as file:
        for name in names:
            promise(file, name, ACCELEROMETERS.most_numbers // len(names) + 1)
        promise(file, "another", 10**12)  # nobody asks for it
    with pytest.raises(Problem, match="more numbers than are read"):
        read_source(tmp_path / "a.h5", "time", names[1:])
    assert (tmp_path / "a.h5").stat().st_size < 20_000


@pytest.mark.parametrize("wound", ["large", "twice"])
def test_results_are_read_up_to_a_number_of_numbers_in_all(tmp_path, wound):
    write_h5(made_results(), tmp_path / "results.h5")
    with h5py.File(tmp_path / "results.h5", "r+") as file:
        if wound == "large":
            for name in ("a", "b", "c"):
                promise(file.require_group("times").create_group(name), "time_s", LARGEST // 3 + 1)
        else:
            file["tracks/again"] = file[f"tracks/{next(iter(file['tracks']))}"]
    with pytest.raises(Problem, match=r"more numbers|several names"):
        read_h5(tmp_path / "results.h5")
