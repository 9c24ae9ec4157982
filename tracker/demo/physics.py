"""The invented crash: two sprung vehicles, a crush cushion between them, tyres on the ground.

Each vehicle is a rigid body with six freedoms on four sprung wheels. The cushion's force is a
function of the closing of the two vehicles: an initial peak, a staged plateau, densification; on
parting it dies within two centimetres. The same force acts on both vehicles at the same place, so
momentum is lost to the tyres alone. The turning moments are taken about heading axes, good for the
few degrees of pitch and roll that occur; everything downstream takes the motion as exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.integrate import solve_ivp

from calibration.arrays import Array
from tracker.demo import forces
from tracker.demo.scenario import Scenario

STEP = 1e-4  # s, of the stored motion
BEFORE, AFTER = 0.25, 0.60  # s, what is integrated around time zero


@dataclass(frozen=True)
class Chassis:
    """What a rigid vehicle on four sprung wheels needs. Lengths from the cg, m."""

    mass: float
    inertia: tuple[float, float, float]  # about x, y, z, kg m2
    cg: tuple[float, float, float]  # vehicle axes, m; their origin lies on the ground
    axles: tuple[float, float]  # x of the front and rear axle from the cg
    half_track: float
    spring: tuple[float, float]  # N/m of one front and one rear wheel
    damper: tuple[float, float]  # N s/m
    braked: tuple[float, float]  # friction coefficient of locked wheels; 0 rolls
    rolling: float  # coefficient of rolling resistance

    @property
    def row(self) -> list[float]:
        """All of it in the order that `tracker.demo.forces` reads."""
        return [
            self.mass,
            *self.inertia,
            *self.cg,
            *self.axles,
            self.half_track,
            *self.spring,
            *self.damper,
            *self.braked,
            self.rolling,
        ]


def car(scenario: Scenario) -> Chassis:
    """The small car. Vehicle axes: origin on the ground below the middle of the front axle."""
    m = scenario.car_mass / 1093.0
    return Chassis(
        mass=scenario.car_mass,
        inertia=(330.0 * m, 1330.0 * m, 1480.0 * m),
        cg=(-0.985, 0.012, -0.545),
        axles=(0.985, -1.465),
        half_track=0.71,
        spring=(18e3 * m, 17e3 * m),
        damper=(1300.0 * m, 1200.0 * m),
        braked=(0.0, 0.0),
        rolling=0.013,
    )


def truck(scenario: Scenario) -> Chassis:
    """The work truck. Vehicle axes: origin on the ground below the rear end of its bed."""
    m = scenario.truck_mass / 8940.0
    return Chassis(
        mass=scenario.truck_mass,
        inertia=(7.6e3 * m, 36e3 * m, 39e3 * m),
        cg=(2.55, -0.02, -1.12),
        axles=(1.75, -1.55),
        half_track=0.98,
        spring=(330e3 * m, 420e3 * m),
        damper=(24e3 * m, 30e3 * m),
        braked=(scenario.brake, scenario.brake),
        rolling=0.0,
    )


@dataclass(frozen=True)
class History:
    """The motion on a uniform time axis; states have the columns of `tracker.core.types.STATE`."""

    time: Array  # (n,) s
    car: Array  # (n, 15)
    truck: Array  # (n, 15)
    closing: Array  # (n,) m, of the car's undeformed nose and the cushion; negative before contact
    force: Array  # (n,) N, of the cushion
    tyres: Array  # (n, 2) N, ground friction along ground x: car, truck
    peak: float  # m, the largest closing

    def state(self, vehicle: str, time: Array) -> Array:
        """The state (m, 15) at times (m,): positions by cubic Hermite interpolation within the
        steps, rates and accelerations by linear interpolation.
        """
        table = self.car if vehicle == "car" else self.truck
        i = np.clip(np.floor((time - self.time[0]) / STEP).astype(int), 0, len(self.time) - 2)
        s = ((time - self.time[i]) / STEP)[:, None]
        a, b = table[i], table[i + 1]
        out = np.asarray(a + (b - a) * s)
        ease = s * s * (3 - 2 * s)
        out[:, :6] = a[:, :6] + (b[:, :6] - a[:, :6]) * ease
        out[:, :6] += STEP * s * (1 - s) * (a[:, 6:12] * (1 - s) - b[:, 6:12] * s)
        return out

    def closing_at(self, time: float) -> float:
        """The closing at a time, m."""
        return float(np.interp(time, self.time, self.closing))


def simulate(scenario: Scenario) -> History:
    """Integrate the crash from 0.25 s before to 0.6 s after first contact, stored each 0.1 ms."""
    chassis = np.array([car(scenario).row, truck(scenario).row])
    start = _at_contact(scenario, chassis)
    n_before, n_after = round(BEFORE / STEP), round(AFTER / STEP)
    time: Array = np.arange(-n_before, n_after + 1) * np.float64(STEP)
    options: dict[str, Any] = {
        "method": "DOP853",
        "rtol": 1e-9,
        "atol": 1e-9,
        "max_step": 2e-3,
    }

    def motion(t: float, s: Array, peak: float) -> Array:
        return forces.rates(s, chassis, scenario.stiffness, peak)[0]

    def turning(t: float, s: Array, peak: float) -> float:
        return float(forces.closing_of(s, chassis)[1])

    turning.terminal, turning.direction = True, -1.0  # type: ignore[attr-defined]
    # Without contact the car only rolls, so time may run backwards from the wanted impact.
    past = solve_ivp(
        motion, (0.0, time[0]), start, t_eval=time[n_before::-1], args=(-1.0,), **options
    )
    until: dict[str, Any] = {"events": turning, "dense_output": True, **options}
    crush: Any = solve_ivp(motion, (0.0, AFTER), start, args=(np.inf,), **until)
    turn = float(crush.t[-1])
    peak = float(forces.closing_of(crush.y[:, -1], chassis)[0])
    late = time[time > turn]
    parting = solve_ivp(
        motion, (turn, time[-1]), crush.y[:, -1], t_eval=late, args=(peak,), **options
    )
    during = crush.sol(time[(time > 0) & (time <= turn)])
    states = np.concatenate([past.y[:, ::-1], during, parting.y], axis=1).T
    peaks = np.where(time < 0, -1.0, np.where(time <= turn, np.inf, peak))
    rate, force, friction, closing = forces.evaluate(
        np.ascontiguousarray(states), chassis, scenario.stiffness, peaks
    )
    return History(
        time,
        np.hstack([states[:, :12], rate[:, 6:9]]),
        np.hstack([states[:, 12:], rate[:, 18:21]]),
        closing,
        force,
        friction,
        peak,
    )


def _at_contact(scenario: Scenario, chassis: Array) -> Array:
    """The state (24,) at first contact: the cushion's rear face stands at ground x = 0."""
    state = np.zeros(24)
    state[1], state[2], state[5] = scenario.offset, chassis[0, 6], scenario.angle
    state[6] = scenario.speed * np.cos(scenario.angle)
    state[7] = scenario.speed * np.sin(scenario.angle)
    state[12:15] = chassis[1, 4:7]
    state[12] += forces.CUSHION_LENGTH
    state[0] = -forces.closing_of(state, chassis)[0]
    return state
