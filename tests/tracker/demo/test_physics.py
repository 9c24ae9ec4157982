"""The invented crash obeys mechanics, and its truth follows the published definitions."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.constants import GRAVITY
from tracker.demo import physics, sensors, truth
from tracker.demo.physics import History
from tracker.demo.scenario import MILE_PER_HOUR, Scenario, Sensor
from tracker.demo.scene import Scene, make_scene

PERFECT = Sensor(bias=(0, 0, 0), scale=(1, 1, 1), noise=0.0, ringing=0.0)


@pytest.fixture(scope="module")
def scene() -> Scene:
    return make_scene(Scenario(sensor=PERFECT))


@pytest.fixture(scope="module")
def history(scene: Scene) -> History:
    return scene.history


def momentum(scenario: Scenario, history: History, column: int):
    masses = physics.car(scenario).mass, physics.truck(scenario).mass
    return masses[0] * history.car[:, column] + masses[1] * history.truck[:, column]


def running_integral(time, values):
    steps = (values[1:] + values[:-1]) / 2 * np.diff(time)
    return np.concatenate([[0.0], np.cumsum(steps)])


def test_momentum_is_lost_to_the_tyres_alone(scene: Scene, history: History) -> None:
    """Newton's second and third laws for the two vehicles together."""
    change = momentum(scene.scenario, history, 6) - momentum(scene.scenario, history, 6)[0]
    impulse = running_integral(history.time, history.tyres.sum(axis=1))
    assert np.abs(change - impulse).max() < 2e-4 * 1093 * 27.85


def test_an_oblique_offset_impact_keeps_momentum_too() -> None:
    scenario = Scenario(angle=np.radians(10.0), offset=0.4)
    history = physics.simulate(scenario)
    total = momentum(scenario, history, 6)
    impulse = running_integral(history.time, history.tyres.sum(axis=1))
    assert np.abs(total - total[0] - impulse).max() < 1e-3 * total[0]
    assert abs(history.car[-1, 5]) > np.radians(2.0)  # and the car is turned


def test_braked_wheels_hold_the_sliding_truck_with_their_friction(history: History) -> None:
    """Coulomb: 0.2 of the truck's weight; the cushion bears down on it a little."""
    sliding = (history.time > 0.03) & (history.time < 0.5)
    share = -history.tyres[sliding, 1].mean() / (8940 * GRAVITY)
    assert share == pytest.approx(0.2, rel=0.05)


def test_the_cushion_takes_up_the_energy_that_is_lost(scene: Scene, history: History) -> None:
    """Work of the cushion over its closing against the loss of kinetic energy, tyres counted."""
    end = int(np.argmax(history.closing))
    zero = int(np.argmin(np.abs(history.time)))
    chassis = physics.car(scene.scenario), physics.truck(scene.scenario)
    energy = [
        sum(
            0.5 * c.mass * (t[k, 6:9] ** 2).sum() + 0.5 * (c.inertia * t[k, 9:12] ** 2).sum()
            for c, t in zip(chassis, (history.car, history.truck), strict=True)
        )
        for k in (zero, end)
    ]
    work = np.trapezoid(history.force[zero : end + 1], history.closing[zero : end + 1])
    assert work == pytest.approx(energy[0] - energy[1], rel=0.04)


def test_velocities_are_the_rates_of_positions(history: History) -> None:
    for table in (history.car, history.truck):
        rates = (table[2:, :6] - table[:-2, :6]) / (history.time[2:] - history.time[:-2])[:, None]
        away = np.abs(history.time[1:-1]) > 2e-3
        assert np.abs(rates - table[1:-1, 6:12])[away].max() < 2e-4


def test_before_contact_the_car_rolls_and_the_truck_stands(history: History) -> None:
    before = history.time < -1e-4
    assert not history.force[before].any()
    assert np.abs(history.truck[before, 6:12]).max() < 1e-9
    slowed = np.diff(history.car[before, 6]) / np.diff(history.time[before])
    assert slowed == pytest.approx(-0.013 * GRAVITY, rel=0.01)


def test_contact_is_at_time_zero_at_the_wanted_speed(scene: Scene, history: History) -> None:
    zero = int(np.argmin(np.abs(history.time)))
    assert history.closing[zero] == pytest.approx(0.0, abs=1e-9)
    speed = truth.vehicle_truth(scene, "car")["impact_speed"]
    assert speed == pytest.approx(62.3 * MILE_PER_HOUR, rel=1e-12)


def test_the_crash_is_a_plausible_cushion_test(scene: Scene) -> None:
    """Within the criteria of MASH 2016: occupant impact 12.2 m/s, ridedown 20.49 g."""
    car = truth.vehicle_truth(scene, "car")
    assert 8.0 < car["occupant"]["oiv_x"] < 12.2
    assert 10.0 < -car["occupant"]["ridedown_x"] < 20.49
    assert np.radians(-12) < car["min_pitch"] < np.radians(-1)


def test_occupant_impact_under_steady_deceleration_is_the_closed_form() -> None:
    """Free flight over 0.6 m at 10 g: sqrt(2 a d), after sqrt(2 d / a)."""
    time = np.arange(0, 4001) * 1e-4
    steady = np.tile([-10 * GRAVITY, 0.0, 0.0], (len(time), 1))
    found = truth.occupant(time, steady)
    assert found["oiv_x"] == pytest.approx(np.sqrt(2 * 10 * GRAVITY * 0.6), abs=1e-3)
    assert found["oiv_time"] == pytest.approx(np.sqrt(2 * 0.6 / (10 * GRAVITY)), abs=2e-5)
    assert found["ridedown_x"] == pytest.approx(-10.0, abs=1e-6)


def test_the_nearer_side_ends_the_flight() -> None:
    time = np.arange(0, 4001) * 1e-4
    sideways = np.tile([-2.0, 30.0, 0.0], (len(time), 1))
    found = truth.occupant(time, sideways)
    assert found["oiv_time"] == pytest.approx(np.sqrt(2 * 0.3 / 30.0), abs=2e-5)
    assert found["oiv_y"] == pytest.approx(-np.sqrt(2 * 0.3 * 30.0), abs=1e-3)


def test_ridedown_of_a_half_sine_is_its_best_ten_millisecond_mean() -> None:
    """Mean of a half sine of 50 ms over its middle 10 ms: sin(x)/x with x = pi / 10."""
    time = np.arange(0, 5001) * 1e-4
    a = np.tile([-10 * GRAVITY, 0.0, 0.0], (len(time), 1))
    a[time > 0.15, 0] = 0.0
    pulse = (time >= 0.2) & (time <= 0.25)
    a[pulse, 0] = -20 * GRAVITY * np.sin(np.pi * (time[pulse] - 0.2) / 0.05)
    x = np.pi / 10
    assert truth.occupant(time, a)["ridedown_x"] == pytest.approx(-20 * np.sin(x) / x, rel=1e-3)


def test_a_perfect_accelerometer_integrates_to_the_velocity_change(scene: Scene) -> None:
    """Specific force less its reading at rest, turned to the ground, is the acceleration."""
    time, acceleration, _ = sensors.sensor_recording(scene)
    state = scene.history.state("car", time)
    turns = np.array([truth.rotation(a) for a in state[:, 3:6]])
    up = np.array([0.0, 0.0, GRAVITY])
    ground = np.einsum("nij,nj->ni", turns, acceleration * GRAVITY - up) + up
    gained = running_integral(time, ground[:, 0])
    lever = turns @ np.array(sensors.LEVER)
    place = state[:, :3] + lever
    speed = np.gradient(place[:, 0], time)
    assert np.abs(gained - (speed - speed[0]))[5:-5].max() < 0.02


def test_the_sensors_errors_are_those_of_the_scenario(scene: Scene) -> None:
    time, perfect, _ = sensors.sensor_recording(scene)
    flawed = Sensor(bias=(0.3, 0, 0), scale=(1.02, 1, 1), noise=0.2, ringing=0.0)
    other = replace(scene, scenario=replace(scene.scenario, sensor=flawed))
    _, real, _ = sensors.sensor_recording(other)
    line, bias = np.polyfit(perfect[:, 0], real[:, 0], 1)
    assert line == pytest.approx(1.02, abs=0.003)
    assert bias == pytest.approx(0.3, abs=0.02)
    rest = time < -0.02
    assert real[rest, 0].std() == pytest.approx(0.2, rel=0.1)


def test_body_vibration_adds_no_lasting_velocity(scene: Scene) -> None:
    loud = replace(scene, scenario=replace(scene.scenario, sensor=replace(PERFECT, ringing=1.0)))
    time, ringing, _ = sensors.sensor_recording(loud)
    _, perfect, _ = sensors.sensor_recording(scene)
    added = running_integral(time, (ringing - perfect)[:, 0] * GRAVITY)
    assert np.abs((ringing - perfect)[:, 0]).max() > 1.0  # g
    assert np.abs(added[-2000:]).max() < 0.1  # m/s
