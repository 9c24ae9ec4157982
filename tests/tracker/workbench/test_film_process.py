"""A film that takes its decoder down takes nothing else with it."""

import contextlib
import json
import os
import signal
import threading
import time

import numpy as np
import pytest

from calibration.errors import FILM, RECORD, Problem
from tests.support.small_scene import FRAMES, SIZE, write_small_test
from tracker.film import open_film
from tracker.workbench import film_process
from tracker.workbench.film_process import FilmProcess


@pytest.fixture(scope="module")
def path(small_test):
    return str(small_test / "above.mp4")


@pytest.fixture
def far(path):
    with contextlib.closing(FilmProcess(path, where="cameras.above.film")) as film:
        yield film


def test_a_film_apart_is_the_film(far, path):
    near = open_film(path)
    assert (far.frames, far.size, far.bits, far.rate) == (FRAMES, SIZE, 8, near.rate)
    assert far.white == near.white
    for index, luma in far.forward():
        assert np.array_equal(luma, near.frame(index))
    assert np.array_equal(far.frame(5), near.frame(5))


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_a_killed_decoder_is_one_sentence_and_another_takes_its_place(far):
    first = far.pid
    grey = far.frame(3)
    os.kill(first, signal.SIGSTOP)
    killer = threading.Timer(0.2, os.kill, (first, signal.SIGSEGV))
    resume = threading.Timer(0.3, os.kill, (first, signal.SIGCONT))
    killer.start(), resume.start()
    with pytest.raises(Problem, match=f"ended by signal {signal.SIGSEGV:d}") as caught:
        far.frame(9)
    killer.join(), resume.join()
    assert caught.value.status == FILM
    assert "cameras.above.film" in caught.value.where
    assert np.array_equal(far.frame(3), grey)
    assert far.pid != first


def test_what_the_film_lacks_is_reported_as_the_film_tells_it(far, tmp_path):
    with pytest.raises(Problem, match=f"no frame {FRAMES}"):
        far.frame(FRAMES)
    with pytest.raises(Problem, match="no such file"):
        FilmProcess(str(tmp_path / "none.mp4"))


def hangs(line):
    line.recv_bytes()
    time.sleep(60)


def reported(line, *words):
    """A decoder of a film of 4 x 3 px that then says these words, and ends."""
    known = {"frames": 2, "size": [4, 3], "bits": 8, "rate": None, "starts": 1}
    line.recv_bytes()
    line.send_bytes(json.dumps({"film": known}).encode())
    line.recv_bytes()
    for word in words:
        line.send_bytes(word)


def says_nothing(line):
    reported(line)


def says_too_little(line):
    reported(line, b'{"index": 0}', b"short")


def says_too_much(line):
    reported(line, b'{"index": 0}', bytes(10**6))


def test_a_decoder_that_hangs_is_given_up():
    start = time.monotonic()
    with pytest.raises(Problem, match="takes too long"):
        FilmProcess("film.mp4", patience=0.3, program=hangs)
    assert time.monotonic() - start < 10


@pytest.mark.parametrize("program", [says_nothing, says_too_little, says_too_much])
def test_a_decoder_that_breaks_off_is_one_sentence(program):
    with (
        contextlib.closing(FilmProcess("film.mp4", program=program)) as film,
        pytest.raises(Problem, match="decoding this film went wrong"),
    ):
        film.frame(0)


def test_a_record_is_checked_apart(tmp_path):
    write_small_test(tmp_path / "S-1")
    found = film_process.check_in_process(tmp_path / "S-1" / "record.toml")
    assert any(f"{FRAMES} frames of" in check["text"] for check in found)
    with pytest.raises(Problem, match="can't be read") as caught:
        film_process.check_in_process(tmp_path / "none.toml")
    assert caught.value.status == RECORD
