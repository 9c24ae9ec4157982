"""What is kept on the disk comes back as it was, and reading it runs nothing."""

import io
import os
import pickle
from dataclasses import dataclass, field

import numpy as np
import pytest

from calibration.arrays import Array
from tracker.core.types import MarkId
from tracker.storage.npz_values import classes_of, read_values, write_values
from tracker.storage.private_folder import private_folder


@dataclass(frozen=True)
class Leaf:
    name: str
    values: Array


@dataclass(frozen=True)
class Tree:
    leaves: dict[MarkId, tuple[Leaf, ...]]
    rate: float
    first: Leaf | None
    numbers: list[int] = field(default_factory=list)


MARK = MarkId("car", "roof1")
LEAF = Leaf("a", np.arange(6.0).reshape(2, 3)[:, ::2])
CLASSES = classes_of(Tree)


def read_back(value, classes=CLASSES):
    file = io.BytesIO()
    write_values(file, value)
    file.seek(0)
    return read_values(file, classes)


def test_values_come_back_bit_by_bit():
    made = read_back(Tree({MARK: (LEAF, LEAF)}, float("inf"), LEAF, [1, 2]))
    assert np.array_equal(made.first.values, LEAF.values)
    assert made.leaves[MARK][0] is made.first  # what was one is one
    assert type(next(iter(made.leaves))) is MarkId
    assert (made.rate, made.numbers) == (float("inf"), [1, 2])
    third = read_back((1 / 3, np.float32(1 / 3), True, None, {1: "one", (2, 3): b"".decode()}))
    assert third == (1 / 3, np.float32(1 / 3), True, None, {1: "one", (2, 3): ""})
    assert type(third[1]) is np.float32
    assert np.isnan(read_back(float("nan")))


@pytest.mark.parametrize("value", [lambda: 0, {1, 2}, np.array([object()]), b"bytes"])
def test_what_is_neither_number_nor_text_is_not_written(value):
    with pytest.raises(TypeError):
        write_values(io.BytesIO(), value)


def test_only_classes_that_are_asked_for_are_built():
    with pytest.raises(KeyError):
        read_back(LEAF, {})


class Bomb:
    """Makes a file when it is unpickled."""

    def __init__(self, place):
        self.place = place

    def __reduce__(self):
        return (os.mkdir, (self.place,))


def test_reading_a_planted_file_runs_nothing(tmp_path):
    place = tmp_path / "ran"
    planted = np.empty(1, dtype=object)
    planted[0] = Bomb(str(place))
    archive = io.BytesIO()
    np.savez(archive, text=planted)
    for data in (pickle.dumps(Bomb(str(place))), archive.getvalue()):
        with pytest.raises((ValueError, TypeError)):
            read_values(io.BytesIO(data), CLASSES)
    assert not place.exists()


@pytest.mark.skipif(os.name != "posix", reason="owners and modes")
def test_a_private_folder_is_closed_at_every_level_under_any_mask(tmp_path):
    mask = os.umask(0)
    try:
        folder = private_folder(tmp_path / "base", "program", "kept")
    finally:
        os.umask(mask)
    assert folder == tmp_path / "base" / "program" / "kept"
    for level in (folder, folder.parent):
        assert level.stat().st_mode & 0o777 == 0o700
    folder.parent.chmod(0o777)
    private_folder(tmp_path / "base", "program", "kept")
    assert folder.parent.stat().st_mode & 0o777 == 0o700


@pytest.mark.skipif(os.name != "posix", reason="links")
def test_a_link_is_no_private_folder(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "program").symlink_to(tmp_path / "elsewhere")
    assert private_folder(tmp_path, "program", "kept") is None
    (tmp_path / "file").write_text("")
    assert private_folder(tmp_path, "file", "kept") is None
