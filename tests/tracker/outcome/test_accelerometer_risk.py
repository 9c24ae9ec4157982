"""Occupant risk from accelerometers, with and without a film."""

import numpy as np
import pytest

from calibration.constants import GRAVITY
from tests.support.simulated_sensors import CG, PLACE, accelerometer, scene
from tracker.accelerometers import judge_channels, sensor_reading
from tracker.outcome.accelerometer_risk import (
    Assumptions,
    FilmAttitude,
    accelerometer_risk,
    cg_acceleration_draws,
    risk_of,
)
from tracker.outcome.occupant_risk import film_acceleration, occupant_risk

FLAIL = (0.6, 0.3)


@pytest.fixture(scope="module")
def made():
    return scene(3)


@pytest.fixture(scope="module")
def truth(made):
    ax, ay, az, rate = film_acceleration(made.truth)
    return occupant_risk(made.time, ax, ay, rate, FLAIL, az=az)


def film(made):
    return FilmAttitude(made.time, made.state, made.draws)


@pytest.mark.parametrize("with_film", [True, False])
def test_the_truth_lies_within_the_stated_uncertainty(made, truth, with_film):
    figures = accelerometer_risk(
        accelerometer(made), CG, FLAIL, film=film(made) if with_film else None, count=60
    ).figures
    for name in ("oiv_x", "oiv_y", "thiv", "asi"):
        error = figures[name].value - float(getattr(truth, name))
        assert abs(error) < 3.5 * figures[name].u, name
    assert figures["oiv_x"].u < 0.02 * figures["oiv_x"].value


def test_a_film_takes_gravity_out_of_the_readings(made, truth):
    """Sound, noiseless channels: what is left is the lever and gravity, both known."""
    quiet = scene(3, sound=False)
    got = cg_acceleration_draws(accelerometer(quiet), CG, film=film(quiet), count=2)
    with_film = risk_of(got.time, got.mean, FLAIL)
    assert with_film.oiv_x == pytest.approx(truth.oiv_x, rel=2e-3)
    bare = cg_acceleration_draws(accelerometer(quiet), CG, count=2)
    without = risk_of(bare.time, bare.mean, FLAIL)
    assert abs(with_film.oiv_x - truth.oiv_x) < abs(without.oiv_x - truth.oiv_x)
    assert any("gravity stays" in note for note in bare.notes)


def test_two_places_on_a_turning_vehicle_give_the_same_cg(made):
    exact = FilmAttitude(made.time, made.truth, made.truth[None])

    def oiv(place):
        reading = sensor_reading(made.truth, made.time, place - CG)
        channels = {name: reading[:, k] for k, name in enumerate(("ax", "ay", "az"))}
        block = judge_channels("car", place, made.time, channels, None)
        got = cg_acceleration_draws(block, CG, film=exact, count=1)
        return risk_of(got.time, got.mean, FLAIL)

    near, far = oiv(CG), oiv(CG + np.array([1.2, -0.6, -0.8]))
    assert far.oiv_x == pytest.approx(near.oiv_x, abs=2e-3)
    assert far.oiv_y == pytest.approx(near.oiv_y, abs=2e-3)
    assert far.ridedown_x == pytest.approx(near.ridedown_x, abs=0.02)


def test_uncertainty_grows_with_what_is_assumed(made):
    def u(scale):
        figures = accelerometer_risk(
            accelerometer(made), CG, FLAIL, count=60, assumptions=Assumptions(scale=scale)
        ).figures
        return figures["oiv_x"].u

    assert u(0.05) > 1.5 * u(0.01)


def test_without_ax_there_is_no_figure_and_the_reason_is_reported(made):
    block = judge_channels(
        "car", PLACE, made.fine, {"ay": made.channels["ay"], "az": made.channels["az"]}, None
    )
    risk = accelerometer_risk(block, CG, FLAIL)
    assert set(risk.figures.values()) == {None}
    assert risk.notes == ("the record has no ax",)


def test_without_ay_the_lateral_figures_are_absent(made):
    block = judge_channels("car", PLACE, made.fine, {"ax": made.channels["ax"]}, None)
    risk = accelerometer_risk(block, CG, FLAIL, count=20)
    assert risk.figures["oiv_x"] is not None
    assert risk.figures["oiv_y"] is None
    assert risk.figures["ridedown_y"] is None
    assert any("ay is not available" in note for note in risk.notes)


def test_the_same_seed_gives_the_same_figures(made):
    one = accelerometer_risk(accelerometer(made), CG, FLAIL, count=20, seed=4)
    other = accelerometer_risk(accelerometer(made), CG, FLAIL, count=20, seed=4)
    assert one == other


def test_a_clipped_channel_gives_no_figure_and_the_least_that_it_can_be(made):
    """ax clipped at 5 g, no film: 8.8 m/s stood there for 11.6, u 0.12, without a word."""
    full_scale = 5 * GRAVITY
    channels = dict(made.channels)
    channels["ax"] = np.clip(channels["ax"], -full_scale, full_scale)
    block = judge_channels("car", PLACE, made.fine, channels, full_scale)
    risk = accelerometer_risk(block, CG, FLAIL, count=20)
    assert risk.faults == {"ax": "clipped"}
    assert risk.figures["oiv_x"] is None
    assert risk.figures["ridedown_x"] is None
    assert risk.figures["asi"] is None
    assert any("m/s at least" in note for note in risk.notes)


@pytest.mark.parametrize(
    ("absent", "figures"),
    [("ay", ("thiv", "phd", "asi", "oiv_y")), ("az", ("asi",)), ("yaw_rate", ("thiv", "phd"))],
)
def test_a_figure_needs_every_axis_of_its_own(made, absent, figures):
    """THIV of 11.6 m/s and an ASI were stated without any lateral or vertical channel."""
    channels = {n: v for n, v in made.channels.items() if n != absent}
    block = judge_channels("car", PLACE, made.fine, channels, None)
    known = accelerometer_risk(block, CG, FLAIL, count=20).figures
    assert [known[name] for name in figures] == [None] * len(figures)
    assert known["oiv_x"] is not None
    shown = accelerometer_risk(block, CG, FLAIL, film=film(made), count=20).figures
    assert (shown["thiv"] is not None) == (absent != "ay")


def test_a_channel_that_the_film_contradicts_gives_no_figure(made):
    block = accelerometer(made)
    risk = accelerometer_risk(
        block, CG, FLAIL, film=film(made), count=20, faults={"ay": "polarity"}
    )
    assert risk.figures["oiv_y"] is None
    assert risk.figures["thiv"] is None
    assert risk.figures["oiv_x"] is not None


def test_the_end_of_one_channel_does_not_cut_the_others(made):
    """A lateral channel that dies at 40 ms left a longitudinal one of 40 ms."""
    channels = {name: values.copy() for name, values in made.channels.items()}
    whole = accelerometer_risk(accelerometer(made), CG, FLAIL, count=20).figures
    channels["az"][made.fine > 0.12] = np.nan
    block = judge_channels("car", PLACE, made.fine, channels, None)
    risk = accelerometer_risk(block, CG, FLAIL, count=20)
    assert risk.figures["oiv_x"].value == pytest.approx(whole["oiv_x"].value, abs=0.02)
    assert risk.figures["ridedown_x"].value == pytest.approx(whole["ridedown_x"].value, abs=0.1)
    assert risk.figures["velocity_change_x"].at_end == whole["velocity_change_x"].at_end
    assert whole["asi"] is not None
    assert risk.figures["asi"] is None
    assert "ends at 120 ms" in risk.faults["az"]


def test_the_end_of_ax_does_not_cut_what_ay_shows(made):
    """ax ends in the impact, after the occupant's; ay goes on, and with it ridedown sideways."""
    channels = {name: values.copy() for name, values in made.channels.items()}
    struck = accelerometer_risk(accelerometer(made), CG, FLAIL, count=4).figures["oiv_time"].value
    channels["ay"] += 9 * GRAVITY * np.exp(-0.5 * ((made.fine - struck - 0.08) / 0.02) ** 2)
    sound = judge_channels("car", PLACE, made.fine, dict(channels), None)
    whole = accelerometer_risk(sound, CG, FLAIL, count=40).figures
    channels["ax"][made.fine > struck + 0.01] = np.nan
    block = judge_channels("car", PLACE, made.fine, channels, None)
    cut = accelerometer_risk(block, CG, FLAIL, count=40)
    assert cut.figures["oiv_time"].value == pytest.approx(struck, abs=0.01)
    for name in ("ridedown_y", "ridedown_y_after", "mean50_y"):
        assert abs(whole[name].value) > 5.0  # g, after ax has ended
        assert cut.figures[name].value == pytest.approx(whole[name].value, abs=0.1)
    assert cut.figures["velocity_change_x"].at_end
    assert cut.open_from == pytest.approx(struck + 0.01, abs=1e-3)
    assert accelerometer_risk(sound, CG, FLAIL, count=4).open_from is None
