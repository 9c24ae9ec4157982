"""What the results folder holds, that it is complete or absent, and that it reads back."""

import csv
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from importlib.resources import files

import h5py
import jsonschema
import numpy as np
import pytest

from calibration.errors import Problem
from calibration.lens import load_lens
from tests.support.made_results import TIME, made_results
from tracker.accelerometers.iso13499 import read_folder
from tracker.core.types import STATE
from tracker.pipeline import write_results as writer
from tracker.pipeline.write_results import write_results
from tracker.results.csv import motion_csv, number, tracks_csv
from tracker.results.folder import read_results, write_data
from tracker.results.hdf5 import read_h5, write_h5
from tracker.results.json import json_text, read_scalars, results_json
from tracker.results.schema import ConditionsResult, Results, Software
from tracker.storage import atomic_folder

SCHEMA = files("tracker.results") / "results.schema.json"


def rows(path):
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def made():
    return made_results()


@pytest.fixture(scope="module")
def written(tmp_path_factory, made):
    """A results folder without reports."""
    place = tmp_path_factory.mktemp("test") / "results"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(writer, "write_reports", lambda *_: None)
        write_results(made, place, unopened=())
    return place


@pytest.fixture
def no_reports(monkeypatch):
    monkeypatch.setattr(writer, "write_reports", lambda *_: None)


def test_results_json_agrees_with_its_schema(made):
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(results_json(made))


def test_results_of_nothing_agree_with_the_schema():
    empty = Results(ConditionsResult("1"), Software("0"))
    jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text(encoding="utf-8"))).validate(
        results_json(empty)
    )


@pytest.mark.parametrize(
    ("key", "value"),
    [
        (("vehicles", "car", "impact_speed", "unit"), "km/h"),
        (("vehicles", "car", "max_pitch", "value"), "0.1"),
        (("vehicles", "car", "occupant", "film", "oiv_x"), 9.8),
        (("software", "inputs", "record.toml"), "not a digest"),
        (("criteria", 0, "verdict"), "perhaps"),
        (("cameras", "side", "frames"), -1),
    ],
)
def test_the_schema_refuses_what_the_contract_does_not_allow(made, key, value):
    raw = results_json(made)
    place = raw
    for part in key[:-1]:
        place = place[part]
    place[key[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text(encoding="utf-8"))).validate(
            raw
        )


def test_what_could_not_be_determined_is_null(made):
    car = results_json(made)["vehicles"]["car"]
    assert car["max_roll"] is None
    assert car["max_pitch"] == {"value": 0.0, "unit": "rad", "u": 0.0011, "time": 0.0}
    assert "time" not in car["impact_speed"]


def test_json_reads_back_as_it_was(made):
    again = read_scalars(json_text(made), "results.json")
    assert all(again[name] == getattr(made, name) for name in again)


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"schema": 2}', '{"schema": 1, "test": 3}', "[" * 100000]
)
def test_a_file_that_is_no_results_file_is_one_sentence(text):
    with pytest.raises(Problem, match=r"results\.json: this is not a results file"):
        read_scalars(text, "results.json")


def test_motion_has_the_contracts_columns_and_empty_cells(written, made):
    table = rows(written / "motion" / "car.csv")
    assert list(table[0]) == ["time_s", *STATE, *(f"u_{name}" for name in STATE)]
    assert len(table) == len(TIME)
    assert {row["roll_rad"] for row in table} == {row["u_roll_rad"] for row in table} == {""}
    speeds = np.array([float(row["vx_mps"]) for row in table])
    assert np.allclose(speeds, made.motion["car"].state[:, 6], rtol=1e-11, atol=0)


def test_tracks_have_a_row_a_mark_and_frame_and_no_place_for_what_is_hidden(written):
    table = rows(written / "tracks" / "overhead.csv")
    columns = "frame time_s mark u_px v_px var_uu var_uv var_vv status"
    assert list(table[0]) == columns.split()
    assert len(table) == 400 * 3
    assert {row["status"] for row in table} == {"measured", "hidden", "lost"}
    for row in table:
        assert (row["u_px"] == "") == (row["var_vv"] == "") == (row["status"] != "measured")


def test_points_follow_their_vehicle(written, made):
    table = rows(written / "points" / "car.csv")
    front = [row for row in table if row["point"] == "front"]
    assert len(front) == len(TIME)
    ahead = float(front[70]["x_m"]) - made.motion["car"].state[70, 0]
    assert ahead == pytest.approx(2.05, abs=1e-9)


@pytest.mark.parametrize("value", [np.pi, -1 / 3, 1e-9 / 7, 123456789.123, 0.0, 0.001])
def test_numbers_carry_nine_digits_or_more(value):
    assert float(number(value)) == pytest.approx(value, rel=1e-10, abs=0)


def test_numbers_that_are_none_are_empty():
    assert number(np.nan) == number(np.inf) == ""


def test_hdf5_holds_the_same_numbers_with_unit_uncertainty_and_provenance(written, made):
    with h5py.File(written / "results.h5") as file:
        speed = file["motion/car/vx_mps"]
        assert speed.attrs["unit"] == "m/s"
        assert speed.attrs["provenance"]
        u = file["motion/car"][speed.attrs["uncertainty"]]
        assert np.array_equal(speed[()], made.motion["car"].state[:, 6])
        assert np.array_equal(u[()], made.motion["car"].u[:, 6])
        assert file["tracks/side/position"].attrs["unit"] == "px"


def test_the_lens_of_each_camera_serves_later_records(tmp_path, made):
    camera = made.views["side"].camera
    known = replace(camera, covariance=np.diag([0.0] * 6 + [0.8**2, 0.8**2] + [0.0] * 7))
    vague = replace(camera, covariance=np.diag([0.0] * 6 + [300.0**2, 300.0**2] + [0.0] * 7))
    for name, one, kept in (("a", known, True), ("b", vague, False)):
        (tmp_path / name).mkdir()
        views = {"side": replace(made.views["side"], camera=one)}
        write_data(replace(made, views=views), tmp_path / name)
        assert (tmp_path / name / "lenses" / "side.json").exists() == kept
    lens = load_lens(tmp_path / "a" / "lenses" / "side.json", size=camera.lens.size)
    assert (lens.values == camera.lens.values).all()
    assert lens.covariance[0, 0] == pytest.approx(0.8**2)


def test_the_exchange_folder_holds_the_films_motion(written, made):
    test = read_folder(written / "iso13499")
    speed = test.channel("10VEHCCG0000VEX0", "test")
    assert speed.unit == "m/s"
    assert np.allclose(speed.time, TIME, atol=1e-9)
    assert np.allclose(speed.values, made.motion["car"].state[:, 6], rtol=1e-12)
    assert test.channel("20VEHCCG0000DSX0", "test").name == "truck x from film"
    assert "10VEHCCG0000ANX0" not in {channel.code for channel in test.channels}  # roll: not seen


def test_hdf5_reads_back_as_it_was(tmp_path, made):
    write_h5(made, tmp_path / "a.h5")
    again = read_h5(tmp_path / "a.h5")
    assert list(again["points"]["car"]) == list(made.points["car"])
    assert tracks_csv(again["tracks"]["side"], None) == tracks_csv(made.tracks["side"], None)
    assert motion_csv(again["motion"]["car"]) == motion_csv(made.motion["car"])
    assert again["curves"][0].of == "car"
    assert np.array_equal(again["curves"][1].value, made.curves[1].value)
    assert np.array_equal(
        again["views"]["side"].camera.position, made.views["side"].camera.position
    )


def test_the_log_only_grows(tmp_path, written, no_reports):
    shutil.copytree(written, tmp_path / "results")
    before = (written / "log.jsonl").read_text(encoding="utf-8")
    write_results(read_results(tmp_path / "results"), tmp_path / "results", unopened=())
    after = (tmp_path / "results" / "log.jsonl").read_text(encoding="utf-8")
    assert after.startswith(before)
    assert len(after.splitlines()) == len(before.splitlines()) + 1
    assert all(json.loads(line)["kind"] for line in after.splitlines())


def test_what_people_put_into_the_folder_stays(tmp_path, written, no_reports):
    shutil.copytree(written, tmp_path / "results")
    (tmp_path / "results" / "notes.txt").write_text("mine")
    (tmp_path / "results" / "motion" / "bus.csv").write_text("ours")
    write_results(read_results(tmp_path / "results"), tmp_path / "results", unopened=())
    assert (tmp_path / "results" / "notes.txt").read_text() == "mine"
    assert not (tmp_path / "results" / "motion" / "bus.csv").exists()


class Crashed(BaseException):
    """The process dies here."""


def half_replaced(place, dies):
    with atomic_folder.replacing(place, "results.json") as new:
        (new / "results.json").write_text("new")
        if dies:
            raise Crashed


@pytest.mark.parametrize("step", range(3))
def test_a_crash_leaves_the_old_folder_or_the_new_one(tmp_path, monkeypatch, step):
    place = tmp_path / "results"
    with atomic_folder.replacing(place, "results.json") as new:
        (new / "results.json").write_text("old")
    renames = 0
    rename = atomic_folder.Path.rename

    def dying(self, target):
        nonlocal renames
        renames += 1
        if renames == step:
            raise Crashed
        return rename(self, target)

    monkeypatch.setattr(atomic_folder.Path, "rename", dying)
    monkeypatch.setattr(
        atomic_folder.shutil, "rmtree", lambda *_, **__: None
    )  # the dead clean nothing
    with pytest.raises(Crashed):
        half_replaced(place, dies=step == 0)
    monkeypatch.undo()

    atomic_folder.clear_leftovers(place)
    assert [entry.name for entry in tmp_path.iterdir()] == ["results"]
    assert (place / "results.json").read_text() == "old"


def test_a_run_that_is_still_alive_is_left_alone(tmp_path):
    place = tmp_path / "results"
    with atomic_folder.replacing(place, "results.json") as first:
        (first / "results.json").write_text("first")
        with atomic_folder.replacing(place, "results.json") as second:
            (second / "results.json").write_text("second")
        assert (place / "results.json").read_text() == "second"
        assert first.exists()
    assert (place / "results.json").read_text() == "first"
    assert [entry.name for entry in tmp_path.iterdir()] == ["results"]


def test_a_folder_with_other_things_is_never_replaced(tmp_path):
    (tmp_path / "thesis.txt").write_text("years of work")
    with pytest.raises(Problem, match=r"holds other things and no results\.json") as caught:
        write_results(made_results(), tmp_path, unopened=())
    assert caught.value.status == 2
    assert (tmp_path / "thesis.txt").read_text() == "years of work"


def test_a_full_disk_is_one_sentence_and_leaves_nothing(tmp_path):
    with (
        pytest.raises(Problem, match="can't be written \\(No space left on device\\)"),
        atomic_folder.replacing(tmp_path / "results", "results.json"),
    ):
        raise OSError(28, "No space left on device")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="limits of a process")
@pytest.mark.parametrize("room", [60_000])
def test_no_room_for_a_file_is_one_sentence_and_nothing_else(tmp_path, room):
    """In a process of its own: what a library says on its way out would stand beside it."""
    program = f"""
import resource, signal, sys
from pathlib import Path
from tests.support.made_results import made_results
from calibration.errors import Problem
from tracker.storage import atomic_folder
from tracker.results.folder import write_data
results = made_results()
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, ({room}, {room}))
try:
    with atomic_folder.replacing(Path({str(tmp_path / "results")!r}), "results.json") as new:
        write_data(results, new)
except Problem as problem:
    print(problem)
"""
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert run.stdout.count("\n") == 1
    assert "the results can't be written (File too large)" in run.stdout
    assert run.stderr == ""
    assert list(tmp_path.iterdir()) == []


def test_a_folder_without_results_is_one_sentence(tmp_path):
    with pytest.raises(Problem, match=r"there is no results\.json here"):
        read_results(tmp_path)
