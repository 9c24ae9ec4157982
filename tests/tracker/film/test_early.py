"""Films opened before the record is validated are those that opening gives; nothing else is."""

import os
import time
from pathlib import Path

import numpy as np
import pytest

from calibration.errors import Problem
from tests.support.small_scene import write_small_test
from tracker.camera import stage
from tracker.core.types import silent
from tracker.film import early, open_film
from tracker.film.early import EarlyFilms
from tracker.record.load import load_record

WHERE = "cameras.above"


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_small_test(tmp_path_factory.mktemp("small"))


def test_an_early_film_is_the_film(small: Path) -> None:
    path = str(small.parent / "above.mp4")
    ours = EarlyFilms(small).open(path, frame_rate=987.0, bits=None, where=WHERE)
    theirs = open_film(path, frame_rate=987.0, where=WHERE)
    assert (ours.rate, ours.frames, ours.size, ours.where) == (
        *(987.0, theirs.frames, theirs.size, theirs.where),
    )
    assert np.array_equal(ours.frame(3), theirs.frame(3))


def test_calibrating_opens_no_film_a_second_time(
    small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    films, record = EarlyFilms(small), load_record(small)
    asked = []

    def opening(path, *, frame_rate, bits, where):
        asked.append(path)
        film = films.open(path, frame_rate=frame_rate, bits=bits, where=where)
        raise StopIteration(film)

    def again(*_, **__):
        raise AssertionError("opened a second time")

    entry = record.cameras["above"]
    early_film = films.open(record.place(entry.film), frame_rate=1.0, bits=None, where=WHERE)
    assert early_film.rate == 1.0
    monkeypatch.setattr(early, "open_film", again)
    with pytest.raises(StopIteration):
        stage.calibrate_camera(record, "above", silent, opening=opening)
    assert asked == [record.place(entry.film)]


def test_a_film_that_is_none_is_reported_where_it_is_needed(tmp_path: Path) -> None:
    (tmp_path / "a.mp4").write_text("no film")
    (tmp_path / "record.toml").write_text('[cameras.above]\nfilm = "a.mp4"\n')
    films = EarlyFilms(tmp_path / "record.toml")
    with pytest.raises(Problem, match=r"cameras\.above"):
        films.open(str(tmp_path / "a.mp4"), frame_rate=None, bits=None, where=WHERE)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[[[",
        "cameras = 3",
        "[cameras]\na = 1",
        '[cameras.a]\nfilm = "../b.mp4"',
        "a = " + "[" * 100_000,
    ],
)
def test_whatever_is_wrong_with_a_record_is_left_to_its_check(
    tmp_path: Path, small: Path, text: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "test" / "record.toml"
    place.parent.mkdir()
    place.write_text(text)
    (tmp_path / "b.mp4").write_bytes((small.parent / "above.mp4").read_bytes())

    def outside(*_, **__):
        raise AssertionError("a film outside the test's folder was opened")

    monkeypatch.setattr(early, "open_film", outside)
    films = EarlyFilms(place)
    assert films._opened == {}
    assert EarlyFilms(tmp_path / "none.toml")._opened == {}


def test_keys_without_a_bound_are_not_parsed(tmp_path: Path) -> None:
    """A parser takes a second and 60 MB for 5,000 parts, and both grow with their square."""
    (tmp_path / "record.toml").write_text(".".join('"a"' for _ in range(30_000)) + " = 1")
    began = time.monotonic()
    assert EarlyFilms(tmp_path / "record.toml")._opened == {}
    assert time.monotonic() - began < 1.0


@pytest.mark.skipif(os.name != "posix", reason="pipes")
def test_a_record_that_is_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "record.toml")
    assert EarlyFilms(tmp_path / "record.toml")._opened == {}


def test_of_very_many_films_a_few_are_opened_early(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a.mp4").write_text("no film")
    names = (f'[cameras.c{k}]\nfilm = "a.mp4"\n' for k in range(1000))
    (tmp_path / "record.toml").write_text("".join(names))
    monkeypatch.setattr(early, "_open", lambda _, __, found: found.set_result(None))
    assert len(EarlyFilms(tmp_path / "record.toml")._opened) <= 16
