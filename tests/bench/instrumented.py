"""Occupant risk from accelerometers alone against the truth of the demonstration's physics.

    python tests/bench/instrumented.py [crashes] [vibration in m/s]

Each crash has another speed, car and sensor (scale errors of 1 %).
"""

import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from calibration.constants import GRAVITY
from tracker.accelerometers import judge_channels
from tracker.demo import Scenario, sensors
from tracker.demo.physics import car, simulate
from tracker.outcome.accelerometer_risk import Assumptions, accelerometer_risk
from tracker.outcome.occupant_risk import film_acceleration, occupant_risk

FLAIL = (0.6, 0.3)
FIGURES = ("oiv_x", "oiv_y", "ridedown_x", "mean50_x", "thiv", "asi")
RATES = ("roll_rate", "pitch_rate", "yaw_rate")


def crash(seed):
    """What the sensor read, and the true figures."""
    rng = np.random.default_rng(seed)
    scale = tuple(1 + 0.01 * rng.standard_normal(3))
    scenario = Scenario(
        seed=seed + 100,
        speed=rng.uniform(18, 28),
        car_mass=rng.uniform(750, 1300),
        sensor=replace(Scenario().sensor, scale=scale),
    )
    history = simulate(scenario)
    time, a, omega = sensors.sensor_recording(SimpleNamespace(history=history, scenario=scenario))
    channels = dict(zip(("ax", "ay", "az"), GRAVITY * a.T, strict=True))
    channels |= dict(zip(RATES, omega.T, strict=True))
    cg = np.array(car(scenario).cg)
    block = judge_channels("car", cg + np.array(sensors.LEVER), time, channels, None)
    seen = (history.time > -0.1) & (history.time < 0.45)
    ax, ay, az, rate = film_acceleration(history.car[seen][None])
    return block, cg, occupant_risk(history.time[seen], ax, ay, rate, FLAIL, az=az)


def main(count, vibration):
    error, u = np.zeros((count, len(FIGURES))), np.zeros((count, len(FIGURES)))
    for seed in range(count):
        block, cg, truth = crash(seed)
        assumed = Assumptions(vibration=vibration)
        reported = accelerometer_risk(block, cg, FLAIL, assumptions=assumed).figures
        for k, name in enumerate(FIGURES):
            error[seed, k] = reported[name].value - float(getattr(truth, name)[0])
            u[seed, k] = reported[name].u
    print(f"{count} crashes, vibration {vibration} m/s: rms error, mean u, rms of error over u")
    for k, name in enumerate(FIGURES):
        rms, z = (np.sqrt(np.mean(x**2)) for x in (error[:, k], error[:, k] / u[:, k]))
        print(f"{name:12}{rms:8.4f}{u[:, k].mean():8.4f}{z:6.2f}")


if __name__ == "__main__":
    arguments = sys.argv[1:]
    main(
        int(arguments[0]) if arguments else 12,
        float(arguments[1]) if len(arguments) > 1 else Assumptions().vibration,
    )
