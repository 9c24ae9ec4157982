"""Occupant risk from accelerometers, with and without a film."""

import numpy as np
import pytest

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
    figures, _ = accelerometer_risk(
        accelerometer(made), CG, FLAIL, film=film(made) if with_film else None, count=60
    )
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
        figures, _ = accelerometer_risk(
            accelerometer(made), CG, FLAIL, count=60, assumptions=Assumptions(scale=scale)
        )
        return figures["oiv_x"].u

    assert u(0.05) > 1.5 * u(0.01)


def test_without_ax_there_is_no_figure_and_the_reason_is_told(made):
    block = judge_channels(
        "car", PLACE, made.fine, {"ay": made.channels["ay"], "az": made.channels["az"]}, None
    )
    figures, notes = accelerometer_risk(block, CG, FLAIL)
    assert set(figures.values()) == {None}
    assert notes == ("the record has no ax",)


def test_without_ay_the_lateral_figures_are_absent(made):
    block = judge_channels("car", PLACE, made.fine, {"ax": made.channels["ax"]}, None)
    figures, notes = accelerometer_risk(block, CG, FLAIL, count=20)
    assert figures["oiv_x"] is not None
    assert figures["oiv_y"] is None
    assert figures["ridedown_y"] is None
    assert any("ay is not available" in note for note in notes)


def test_the_same_seed_gives_the_same_figures(made):
    one, _ = accelerometer_risk(accelerometer(made), CG, FLAIL, count=20, seed=4)
    other, _ = accelerometer_risk(accelerometer(made), CG, FLAIL, count=20, seed=4)
    assert one == other
