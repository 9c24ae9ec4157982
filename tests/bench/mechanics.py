"""Force against crush, balances and predictions of the demonstration against its own physics.

    python tests/bench/mechanics.py FOLDER

FOLDER is the demonstration's (`impactfilm demo --out FOLDER`), analysed. The truth of other tests
comes from the demonstration's physics with another car, speed or truck.
"""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from tracker.criteria import load_criteria
from tracker.demo import Scenario
from tracker.demo.physics import simulate
from tracker.mechanics.predict import Case, predict
from tracker.outcome.occupant_risk import film_acceleration, flail, ridedown
from tracker.results.folder import read_results

MPH = 0.44704
CASES = (  # car kg, speed mi/h, truck kg
    (1093, 62.3, 8940),
    (820, 62.3, 8940),
    (820, 45, 8940),
    (700, 50, 8940),
    (1093, 45, 8940),
    (950, 55, 20_000),
    (1500, 45, 6000),
    (750, 58, 7000),
)


def truth(car, mph, truck):
    """Occupant impact velocity, ridedown and greatest closing of a crash of the demonstration."""
    history = simulate(replace(Scenario(), car_mass=car, speed=mph * MPH, truck_mass=truck))
    after = history.time > -1e-9
    time = history.time[after]
    ax, ay, _, _ = film_acceleration(history.car[after])
    oiv, _, when, _ = flail(time, ax, ay, (0.6, 0.3))
    down, _ = ridedown(time, ax, when)
    closing = history.car[after, 0] - history.truck[after, 0]
    return float(oiv), float(down), float((closing - closing[0]).max())


def curve_against_truth(results):
    curve, history = results.force_crush, simulate(Scenario())
    after = slice(int(np.argmin(np.abs(history.time))), None)
    closing = history.car[after, 0] - history.truck[after, 0]
    closing = closing - closing[0]
    top = int(np.argmax(closing))
    force = history.force[after]
    true = np.interp(curve.closing, closing[:top], force[:top])
    work = np.r_[0, np.cumsum(0.5 * (force[1:] + force[:-1]) * np.diff(closing))]
    energy = np.interp(curve.closing, closing[:top], work[:top])
    print("closing m     force: rms error kN, mean u, within 2 u     energy: rms error kJ, mean u")
    for low, high in ((0, 0.1), (0.1, 0.3), (0.3, 1), (1, 2), (2, 3), (3, 3.2)):
        part = (curve.closing >= low) & (curve.closing < high)
        if not part.any():
            continue
        e, w = curve.force[part] - true[part], curve.energy[part] - energy[part]
        inside = np.mean(np.abs(e) < 2 * curve.force_u[part])
        print(
            f"{low:4.1f} to {high:3.1f} {np.sqrt(np.mean(e**2)) / 1e3:20.2f}"
            f"{curve.force_u[part].mean() / 1e3:8.2f}{100 * inside:8.0f} %"
            f"{np.sqrt(np.mean(w**2)) / 1e3:25.2f}{curve.energy_u[part].mean() / 1e3:8.2f}"
        )
    end = int(np.argmin(np.abs(history.time - results.mechanics.at)))
    zero = int(np.argmin(np.abs(history.time)))
    lost = -history.tyres[zero:end].sum() * 1e-4
    found = results.mechanics
    for name, q, want in (
        ("greatest closing m", found.greatest_closing, closing[top]),
        ("energy to it kJ", found.energy_to_greatest, work[top]),
        ("mean force kN", found.mean_force, work[top] / closing[top]),
        ("impulse of the tyres N s", found.momentum.tyres, lost),
        ("residual of momentum N s", found.momentum.residual, 0.0),
        ("residual of energy kJ", found.energy.residual, 0.0),
    ):
        print(f"{name:26} {q.value:10.4g}  u {q.u:8.2g}  truth {want:10.4g}")
    if found.stroke_used is not None:
        print("share of the stroke", found.stroke_used)
    print("tyre friction", found.friction, found.friction_source)


def main(folder):
    results = read_results(Path(folder) / "results")
    curve_against_truth(results)
    limits = load_criteria("mash2016")
    print("car kg, mi/h, truck kg: predicted, u (u with 3 % scatter), truth")
    for car, mph, truck in CASES:
        sharp = predict(results, Case(car, mph * MPH, truck, scatter=0.0), limits).figures
        usual = predict(results, Case(car, mph * MPH, truck), limits).figures
        row = f"{car:6} {mph:6} {truck:7}:"
        names = ("oiv_x", "ridedown_x", "closing")
        for name, want in zip(names, truth(car, mph, truck), strict=True):
            one, other = sharp[name], usual[name]
            reported = "-" if one is None else f"{one.value:.3f}, {one.u:.3f}"
            reported += "" if other is None else f" ({other.u:.2f})"
            row += f"  {name} {reported}, {want:.3f};"
        print(row)
    own = results.vehicles["car"].occupant.film
    speed = results.mechanics.closing_speed.value
    again = predict(results, Case(1093, speed, 8940, scatter=0.0), limits).figures
    print("own test from film", own.oiv_x, own.ridedown_x)
    print("own test predicted", again["oiv_x"], again["ridedown_x"])


if __name__ == "__main__":
    main(sys.argv[1])
