"""The whole road on a small demonstration test whose truth is known."""

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from tracker.cli import main
from tracker.demo import DemoTruth, Scenario, load_truth, write_demo
from tracker.results import Results
from tracker.results_files import read_results


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small demonstration test, analysed by the command."""
    place = tmp_path_factory.mktemp("demo")
    write_demo(place, scenario=Scenario.quick())
    run = CliRunner().invoke(main, ["analyse", str(place / "record.toml")])
    assert run.exit_code == 0, run.output
    return place


@pytest.fixture(scope="module")
def results(folder: Path) -> Results:
    return read_results(folder / "results")


@pytest.fixture(scope="module")
def truth(folder: Path) -> DemoTruth:
    return load_truth(folder)


def test_the_impact_speed_is_within_its_uncertainty(results: Results, truth: DemoTruth) -> None:
    speed = results.vehicles["car"].impact_speed

    assert speed is not None
    assert speed.value == pytest.approx(truth.value("vehicles.car.impact_speed"), rel=3e-3)
    assert abs(speed.value - truth.value("vehicles.car.impact_speed")) < 4 * speed.u


def test_the_film_tells_the_occupant_impact_velocity(results: Results, truth: DemoTruth) -> None:
    film = results.vehicles["car"].occupant.film

    assert film is not None
    assert film.oiv_x is not None
    assert film.oiv_x.value == pytest.approx(truth.value("vehicles.car.occupant.oiv_x"), rel=0.02)


def test_a_sound_accelerometer_agrees_with_the_film(results: Results) -> None:
    assert results.cross_check["car"].verdict == "agree"


def test_marks_are_tracked_where_they_are(results: Results, truth: DemoTruth) -> None:
    for camera, tracks in results.tracks.items():
        names, true, _ = truth.tracks(camera)
        order = [names.index(mark) for mark in tracks.marks]
        error = np.where(tracks.measured[..., None], tracks.position - true[:, order], np.nan)

        assert np.sqrt(np.nanmean(error**2)) < 0.1
        assert tracks.measured.mean() > 0.7


def test_a_parked_vehicle_has_no_impact_speed(results: Results) -> None:
    assert results.vehicles["truck"].impact_speed is None


def test_everything_of_the_contract_is_in_the_folder(folder: Path) -> None:
    there = {str(p.relative_to(folder / "results")) for p in (folder / "results").rglob("*")}

    assert {
        "results.json",
        "results.h5",
        "log.jsonl",
        "report.html",
        "report.pdf",
        "motion/car.csv",
        "motion/truck.csv",
        "points/car.csv",
        "tracks/overhead.csv",
        "tracks/side.csv",
    } <= there


def test_the_numbers_can_be_made_again(folder: Path) -> None:
    run = CliRunner().invoke(main, ["report", str(folder / "results"), "--verify"])

    assert run.exit_code == 0, run.output
    assert "gives the same numbers again" in run.stdout
