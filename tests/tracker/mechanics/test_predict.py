"""The next test from one test's force against crush, against closed forms and invented crashes."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from calibration.errors import Problem
from tests.support.made_results import made_results
from tests.tracker.mechanics.test_mechanics import CAR, FORCE, SPEED, TRUCK, closed_form, pair_of
from tracker.cli.main import main
from tracker.criteria import load_criteria
from tracker.demo import Scenario
from tracker.demo.physics import simulate
from tracker.mechanics import Stated, force_crush, make_pair, mechanics
from tracker.mechanics.predict import Case, predict
from tracker.outcome.headline import PosteriorSamples, crush
from tracker.outcome.occupant_risk import film_acceleration, flail, ridedown
from tracker.results.folder import read_results, write_data
from tracker.results.schema import ConditionsResult, Results, Software, VehicleResult

MASH = load_criteria("mash2016")


def results_of(pair, contact_ends, masses, length=4.0):
    curve = force_crush(pair)
    return Results(
        ConditionsResult("P-1", criteria="mash2016"),
        Software("0"),
        vehicles={
            "car": VehicleResult("striking", masses[0]),
            "truck": VehicleResult("struck", masses[1]),
        },
        mechanics=mechanics(pair, curve, ("car", "truck"), contact_ends, Stated(length)),
        force_crush=curve,
    )


@pytest.fixture(scope="module")
def constant():
    time, common, car, truck = closed_form()
    pair = pair_of(time, car, truck, mass_u=(3.0, 20.0), sd=(0.0, 2.0))
    return results_of(pair, common + 0.01, (CAR, TRUCK))


def test_a_constant_force_gives_the_flail_velocity_of_a_constant_deceleration(constant):
    for mass in (800.0, CAR):
        got = predict(constant, Case(mass, SPEED, scatter=0.0), MASH).figures
        slow = FORCE / mass + 0.015 * 9.80665
        assert got["oiv_x"].value == pytest.approx(np.sqrt(2 * slow * 0.6), rel=1e-3)
        assert got["oiv_time"].value == pytest.approx(np.sqrt(2 * 0.6 / slow), rel=1e-3)
        assert got["ridedown_x"].value == pytest.approx(-slow / 9.80665, rel=2e-3)


def test_a_lighter_car_is_hit_harder_and_uses_less_of_the_stroke(constant):
    light, heavy = (predict(constant, Case(m, SPEED), MASH).figures for m in (750.0, 1050.0))
    assert light["oiv_x"].value > heavy["oiv_x"].value + 1
    assert light["stroke_used"].value < heavy["stroke_used"].value
    assert light["roll_ahead"].value < heavy["roll_ahead"].value


def test_the_scatter_of_cushions_is_in_the_uncertainty(constant):
    sharp, wide = (
        predict(constant, Case(900.0, SPEED, scatter=s), MASH).figures["oiv_x"] for s in (0.0, 0.05)
    )
    # OIV goes with the root of the force: half of 5 %.
    assert np.hypot(wide.u, 0) == pytest.approx(np.hypot(sharp.u, 0.025 * wide.value), rel=0.35)


def test_beyond_what_the_test_showed_nothing_is_guessed(constant):
    got = predict(constant, Case(2.2 * CAR, SPEED, blocked=True), MASH)
    assert got.figures["closing"] is got.figures["ridedown_x"] is None
    assert "used up" in got.notes[0]
    assert all(c.verdict == "undetermined" for c in got.criteria if "ridedown" in c.name)
    assert got.struck_mass is None


def test_limits_are_judged_with_the_probability(constant):
    got = predict(constant, Case(900.0, SPEED), MASH)
    oiv = next(c for c in got.criteria if c.name == "occupant impact velocity, longitudinal")
    assert oiv.value == got.figures["oiv_x"].value
    assert "met with probability" in oiv.note
    assert not any("roll" in c.name for c in got.criteria)


# Common practice, no source: 4,250 lb at 45 mi/h, 12,000 lb truck, 7 ft of constant force.
def test_seven_feet_of_constant_force_give_20_to_25_miles_an_hour():
    lb, mph, ft = 0.45359237, 0.44704, 0.3048
    m, other, v = 4250 * lb, 12_000 * lb, 45 * mph
    force = 0.5 * m * other / (m + other) * v**2 / (7 * ft)
    time, common, car, truck = closed_form(force, m, other, v, mu=0.0, last=0.4)
    results = results_of(pair_of(time, car, truck, (m, other)), common + 0.01, (m, other))
    got = predict(results, Case(m, v, scatter=0.0), load_criteria("nchrp230")).figures
    assert 20 < got["oiv_x"].value / mph < 25
    assert got["closing"].value == pytest.approx(7 * ft, rel=0.01)


def crash(**changes):
    """An invented crash as a film without error would show it, and its own occupant figures."""
    scenario = replace(Scenario(), **changes)
    history = simulate(scenario)
    keep = (history.time > -1e-9) & (history.time < 0.33)
    time = history.time[keep][::5]
    time = time - time[0]
    state = {"car": history.car[keep][::5], "truck": history.truck[keep][::5]}
    one = {n: PosteriorSamples(time, s, np.repeat(s[None], 10, axis=0)) for n, s in state.items()}
    ax, ay, _, _ = film_acceleration(state["car"])
    oiv, _, when, _ = flail(time, ax, ay, (0.6, 0.3))
    down, _ = ridedown(time, ax, when)
    return one, crush(one["car"], one["truck"]), float(oiv), float(down)


@pytest.fixture(scope="module")
def first():
    one, closing, _, _ = crash()
    masses = (1093.0, 8940.0)
    pair = make_pair(one["car"], one["truck"], masses)
    return results_of(pair, closing.contact.end, masses)


@pytest.mark.parametrize(
    ("mass", "speed", "truck"),
    [
        (1093.0, 27.85, 8940.0),
        (820.0, 27.85, 8940.0),
        (700.0, 20.0, 8940.0),
        (1093.0, 24.0, 5000.0),
    ],
)
def test_another_crash_into_the_same_cushion_is_predicted(first, mass, speed, truck):
    _, closing, oiv, down = crash(car_mass=mass, speed=speed, truck_mass=truck)
    got = predict(first, Case(mass, speed, truck, scatter=0.0), MASH).figures
    assert got["oiv_x"].value == pytest.approx(oiv, rel=3e-3)
    assert got["ridedown_x"].value == pytest.approx(down, rel=0.02)
    assert got["closing"].value == pytest.approx(closing.max_dynamic.value, rel=3e-3)


# --- the command ---


@pytest.fixture(scope="module")
def folder(constant, tmp_path_factory):
    path = tmp_path_factory.mktemp("results")
    filled = replace(
        made_results("si"), mechanics=constant.mechanics, force_crush=constant.force_crush
    )
    write_data(filled, path)
    return path


def run(*arguments):
    return CliRunner().invoke(main, ["predict", *map(str, arguments)])


def test_the_curve_comes_back_from_the_folder(folder, constant):
    again = read_results(folder)
    assert again.mechanics == constant.mechanics
    assert np.array_equal(again.force_crush.draws, constant.force_crush.draws)
    table = (folder / "mechanics" / "force-crush.csv").read_text().splitlines()
    assert table[0] == "closing_m,force_N,u_force_N,energy_J,u_energy_J"
    assert len(table) == len(constant.force_crush.closing) + 1


@pytest.mark.slow
def test_the_command_predicts_each_mass_at_each_speed(folder, tmp_path):
    out = tmp_path / "next.json"
    got = run(folder, "--mass", "800 kg", "--mass", "1000 kg", "--speed", "20 m/s", "--out", out)
    assert got.exit_code == 0, got.output
    assert "Roll-ahead" in got.output
    told = json.loads(out.read_text())["predictions"]
    assert [p["mass"] for p in told] == [800.0, 1000.0]
    assert told[0]["figures"]["oiv_x"]["unit"] == "m/s"
    assert told[0]["figures"]["oiv_x"]["u"] > 0


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--mass", "1800"], "has no unit"),
        (["--mass", "1 g"], "not plausible"),
        (["--speed", "45 lb"], "a speed is needed"),
        (["--truck-mass", "9 t", "--blocked"], "leave out"),
        (["--criteria", "mash2017"], "did you mean"),
        (["--out", "next.csv"], "ends in .json"),
    ],
)
def test_what_is_asked_wrongly_is_one_sentence(folder, arguments, said):
    got = run(folder, *arguments)
    assert got.exit_code == 2
    assert said in got.output
    assert "Traceback" not in got.output


def test_results_without_a_curve_say_what_it_takes(folder):
    with pytest.raises(Problem, match="no force against crush"):
        predict(made_results(), Case(900.0, 20.0), MASH)
