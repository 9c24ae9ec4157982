"""Several tests beside each other."""

import csv
import io
import json
import shutil
import subprocess
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from rich.console import Console

from calibration.errors import Problem
from tests.support.made_results import PULSE, made_results
from tracker.cli.main import main
from tracker.cli.series import show_series, stacked_text
from tracker.core.types import STATE, Quantity
from tracker.report.digits import in_report
from tracker.report.series import headline, write_series
from tracker.results.balances import Energy, Mechanics, Momentum
from tracker.results.folder import write_data
from tracker.results.schema import IntendedResult
from tracker.results.series import (
    crush_curve,
    overall,
    repeat_groups,
    row_of,
    series_csv,
    statistic,
)

PLAN = IntendedResult(27.7165, 0.0, 0.0)


def made(number="K-1", mass=1100.0, speed=27.5, intended=PLAN):
    """Results of a test that differ from the made ones in these."""
    results = made_results()
    car = replace(results.vehicles["car"], mass=mass, impact_speed=Quantity(speed, "m/s", 0.02))
    return replace(
        results,
        test=replace(results.test, number=number, intended=intended),
        vehicles=dict(results.vehicles) | {"car": car},
    )


def row(**kind):
    return row_of(made(**kind), Path("results"))


# NIST/SEMATECH e-Handbook has the data set "Lew" and others with certified values; this small one
# is NumAcc1 of the NIST Statistical Reference Datasets: 10000001, 10000003, 10000002; certified
# mean 10000002, standard deviation 1 (from memory).
def test_mean_and_deviation_of_a_certified_data_set():
    found = statistic([Quantity(v, "m", 0.0) for v in (10000001.0, 10000003.0, 10000002.0)])

    assert (found.count, found.mean) == (3, 10000002.0)
    assert found.deviation == pytest.approx(1.0, rel=1e-12)
    assert found.u_mean == pytest.approx(1 / np.sqrt(3), rel=1e-12)  # JCGM 100:2008, 4.2.3


def test_scatter_of_tests_is_reported_from_scatter_of_the_measurement():
    rng = np.random.default_rng(4)
    true = 10.0 + 0.3 * rng.normal(size=4000)

    only_measured = statistic([Quantity(10 + 0.4 * e, "m/s", 0.4) for e in rng.normal(size=4000)])
    both = statistic([Quantity(t + 0.4 * rng.normal(), "m/s", 0.4) for t in true])

    assert only_measured.between < 0.1
    assert both.between == pytest.approx(0.3, rel=0.1)


def test_equal_numbers_do_not_scatter():
    assert statistic([Quantity(0.1 * 3, "m", 0.01), Quantity(0.3, "m", 0.01)]).deviation == 0


# MASH 2016, small car: 2420 lb within 55 lb either way (published tolerance, from memory).
def test_the_tolerance_of_a_vehicle_class_holds_its_tests_together():
    pound = 0.45359237
    rows = [row(mass=m * pound) for m in (2365, 2475, 5000)]

    (group,) = repeat_groups(rows)

    assert [r.mass for r in group.rows] == [2365 * pound, 2475 * pound]


def test_other_intended_conditions_are_no_repetition():
    other = IntendedResult(27.7165, np.radians(25), 0.0)
    assert repeat_groups([row(), row(intended=other), row(intended=IntendedResult())]) == ()


def test_the_order_of_tests_changes_no_statistic():
    rows = [row(number=str(i), speed=27 + 0.2 * i, mass=1100 + i) for i in range(5)]

    forward, back = repeat_groups(rows)[0], repeat_groups(rows[::-1])[0]

    assert forward.statistics == back.statistics
    assert [r.number for r in back.rows] == ["4", "3", "2", "1", "0"]


def test_occupant_numbers_come_from_both_instruments_where_there_are_both():
    results = made()
    car = results.vehicles["car"]
    film = replace(car, occupant=replace(car.occupant, fused=None))

    assert row_of(results, Path()).values["oiv_x"] == car.occupant.fused.oiv_x
    found = row_of(replace(results, vehicles={"car": film}), Path())
    assert (found.source, found.values["oiv_x"]) == ("film", car.occupant.film.oiv_x)
    assert found.values["roll_ahead"] is None  # no struck vehicle


def test_the_extreme_of_pitch_is_the_larger_with_its_sign():
    assert row().values["pitch"].value == -0.09


@pytest.mark.parametrize(
    ("verdicts", "reported"),
    [
        (("pass", "fail (preferred)"), "pass"),
        (("pass", "undetermined", "fail"), "fail"),
        (("pass", "undetermined"), "undetermined"),
        ((), "none"),
    ],
)
def test_preferred_limits_decide_nothing(verdicts, reported):
    results = made_results()
    one = results.criteria[-1]
    criteria = tuple(
        replace(one, verdict=v.split()[0], preferred="(preferred)" in v) for v in verdicts
    )
    assert overall(replace(results, criteria=criteria)) == reported


def test_the_force_does_the_work_that_the_vehicle_loses():
    """Against a wall that stands still, force over crush is the loss of kinetic energy."""
    results = made_results()
    car, wall = results.motion["car"], results.motion["truck"]
    x, v, a = (STATE.index(name) for name in ("x_m", "vx_mps", "ax_mps2"))
    t = np.clip(car.time, 0.0, PULSE)
    turn = np.pi * t / PULSE
    state = np.zeros_like(car.state)  # half a sine of deceleration takes 24 of 27.5 m/s
    state[:, v] = 27.5 - 12 * (1 - np.cos(turn))
    state[:, a] = -12 * np.pi / PULSE * np.sin(turn)
    state[:, x] = 27.5 * t - 12 * (t - PULSE / np.pi * np.sin(turn)) + 3.5 * (car.time - t) - 1.4
    still = replace(wall, state=np.zeros_like(wall.state))

    curve = crush_curve(replace(results, motion={"car": replace(car, state=state), "truck": still}))

    work = np.trapezoid(curve.force, curve.crush)
    assert work == pytest.approx(0.5 * 1098.0 * (27.5**2 - 3.5**2), rel=2e-4)
    assert curve.crush[0] == pytest.approx(0.0, abs=1e-9)
    assert curve.crush[-1] == pytest.approx(state[-1, x] + 1.4)


def test_without_mass_or_a_second_vehicle_there_is_no_force():
    results = made_results()
    bare = replace(results.vehicles["car"], mass=None)
    assert crush_curve(replace(results, vehicles=dict(results.vehicles) | {"car": bare})) is None
    alone = {"car": results.vehicles["car"]}
    assert crush_curve(replace(results, vehicles=alone)) is None


def test_the_terminal_gives_the_uncertainty_below_its_number():
    assert stacked_text(Quantity(100.02147, "m", 0.00035), "length", "si") == "100.02147\n0.00035"
    assert stacked_text(None, "length", "si") == "–"


def crushing(stroke):
    """Mechanics of a test whose cushion gave this share of its length."""
    momentum = Momentum(*[Quantity(1.0, "N s", 0.1)] * len(fields(Momentum)))
    energy = Energy(*[Quantity(1.0, "J", 0.1)] * len(fields(Energy)))
    named = {"striking": "car", "struck": "truck", "at": 0.2, "contact_ended": True}
    others = [f.name for f in fields(Mechanics) if f.type == "Quantity"]
    numbers = {name: Quantity(1.0, "1", 0.1) for name in others}
    return Mechanics(
        **named,
        **numbers,
        friction_source="assumed",
        momentum=momentum,
        energy=energy,
        peak_at=1.0,
        stroke_used=Quantity(stroke, "1", 0.001),
    )


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Three results folders: two alike, one of a heavier vehicle with little determined."""
    place = tmp_path_factory.mktemp("tests")
    heavy = replace(made("L,1 $x$", 2270.0), crush=None, criteria=(), motion={}, curves=())
    first = replace(made("K-1", speed=27.4), mechanics=crushing(0.751234))
    tests = {"a": first, "b": made("K-2", speed=27.8), "c": heavy}
    for name, results in tests.items():
        (place / name).mkdir()
        write_data(results, place / name)
    return place


@pytest.fixture(scope="module")
def written(folders):
    out = folders / "series"
    run = CliRunner().invoke(
        main, ["series", *(str(folders / n) for n in "abca"), "--out", str(out)]
    )
    assert run.exit_code == 0, run.output
    assert "K-2" in run.stdout
    return out


def test_the_table_holds_what_the_results_hold(folders, written):
    with (written / "series.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))

    assert [r["number"] for r in rows] == ["K-1", "K-2", "L,1 $x$"]  # a folder named twice is one
    for entry, name in zip(rows, "abc", strict=True):
        raw = json.loads((folders / name / "results.json").read_text())
        speed = raw["vehicles"]["car"]["impact_speed"]
        assert float(entry["impact_speed_mps"]) == pytest.approx(speed["value"], rel=1e-11)
        assert float(entry["u_impact_speed_mps"]) == pytest.approx(speed["u"], rel=1e-11)
        mechanics = raw["mechanics"]
        stroke = None if mechanics is None else mechanics["stroke_used"]
        assert entry["stroke_used_1"] == ("" if stroke is None else f"{stroke['value']:.12g}")
    assert rows[2]["crush_m"] == ""
    assert any(entry["stroke_used_1"] for entry in rows)


def test_page_and_pdf_say_the_numbers_of_the_tests(written):
    page = (written / "series.html").read_text(encoding="utf-8")
    wanted = [in_report(Quantity(v, "m/s", 0.02), "speed", "us") for v in (27.4, 27.8)]
    wanted.append("group 1: K-1, K-2")

    assert all(text in page for text in wanted)
    assert 'src="http' not in page
    if shutil.which("pdftotext") is None:
        pytest.skip("poppler-utils is not installed")
    reported = subprocess.run(
        ["pdftotext", "-layout", written / "series.pdf", "-"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert all(text in " ".join(reported.split()) for text in wanted)


def test_each_plot_comes_with_its_data(written):
    pictures = written / "pictures"
    names = {p.stem for p in pictures.glob("*.svg")}

    assert {"impact_speed", "oiv_x", "crush", "force-1"} <= names
    for name in names:
        assert (pictures / f"{name}.csv").stat().st_size
        assert (pictures / f"{name}.pdf").stat().st_size


def test_a_series_is_written_again_and_keeps_notes(written, folders):
    (written / "note.txt").write_text("mine")
    write_series([row_of(made("only"), folders / "a")], written)

    assert (written / "note.txt").read_text() == "mine"
    assert "only" in (written / "series.csv").read_text()
    assert not (written / "pictures" / "force-2.svg").exists()


def test_a_folder_that_is_no_series_is_left_alone(folders):
    with pytest.raises(Problem, match="holds other things"):
        write_series([row()], folders / "a")


def test_a_folder_without_results_is_one_sentence(tmp_path):
    run = CliRunner().invoke(main, ["series", str(tmp_path / "x"), "--out", str(tmp_path / "s")])

    assert run.exit_code == 2
    assert "results.json" in run.stderr
    assert not (tmp_path / "s").exists()


@pytest.mark.parametrize("width", [80, 120])
def test_the_terminal_shows_every_number_whole(width):
    console = Console(record=True, width=width, file=io.StringIO())
    show_series([row(number="A-1"), row(number="[b]", mass=2270.0)], console)
    shown = console.export_text()

    words = ("A-1", "[b]", "undetermined", "61.516", "0.045", "−14.65", "6.211", "0.027")
    assert all(word in shown for word in words)
    assert "…" not in shown


def test_the_headline_counts_verdicts_and_repetitions():
    rows = [row(), row(number="K-2"), replace(row(mass=2270.0), verdict="fail")]

    reported = headline(rows, repeat_groups(rows))
    assert reported.startswith("Of 3 judged tests, 0 passed, 1 failed, 2 undetermined.")
    assert reported.endswith(" 2 tests repeat another's conditions.")


@pytest.mark.parametrize("number", ["=cmd|' /C calc'!A0", "+1", "-1", "@SUM(A1)"])
def test_no_name_is_a_formula_to_a_spreadsheet(number):
    """After OWASP, CSV Injection."""
    row = replace(row_of(made_results(), Path("a")), number=number, title="A-12")
    _, cells = csv.reader(io.StringIO(series_csv([row])))
    assert cells[:2] == [f"'{number}", "A-12"]
