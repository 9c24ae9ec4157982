"""Predictions over masses and speeds for cushions whose force depends on speed: error over u.

    python tests/bench/predict_rates.py [cushions] [most rate in % per m/s] [first seed]

Each cushion's rate is uniform from 0 to the most (1.2), its level drawn about 90 kN, its ripple
(6 %) has waves of 0.25 to 1.2 m, and the specimen of the next test differs in force by 3 % (sd), as
`predict` assumes by default. One test at 27 m/s is what is known, by a film that shows what is
slower than 50 Hz, with an error of its own; the next test has 0.75 to 1.4 times its mass and 0.75
to 1.1 times its speed.
Printed: mean and sd of error over u, and the share within 2 u, without a second test, and with one
of the first specimen's kind at 0.8 times the speed.
"""

import sys
from dataclasses import replace

import numpy as np

from tests.support.rate_cushion import RateCushion, crash, samples
from tracker.criteria import load_criteria
from tracker.mechanics import Stated, force_crush, make_pair, mechanics
from tracker.mechanics.predict import Case, predict, rate_of
from tracker.outcome.occupant_risk import flail, ridedown
from tracker.results.schema import ConditionsResult, Results, Software, VehicleResult

MASS, SPEED, TRUCK = 1100.0, 27.0, 9000.0
FLAIL = (0.6, 0.3)
NAMES = ("oiv_x", "ridedown_x", "closing")
NONE = load_criteria("none")


def results_of(found, masses, rng, sd=2.0):
    car, truck = samples(found, rng, sd)
    pair = make_pair(car, truck, masses)
    curve = force_crush(pair)
    return Results(
        ConditionsResult("R"),
        Software("0"),
        vehicles={
            "car": VehicleResult("striking", masses[0]),
            "truck": VehicleResult("struck", masses[1]),
        },
        mechanics=mechanics(pair, curve, ("car", "truck"), found.ends, Stated(4.0)),
        force_crush=curve,
    )


def truth(found):
    still = np.zeros_like(found.time)
    oiv, _, when, _ = flail(found.time, found.car[2], still, FLAIL)
    down, _ = ridedown(found.time, found.car[2], when)
    return float(oiv), float(down), float(found.closing.max())


def main(count, most, first):
    plain = {name: [] for name in NAMES}
    second = {name: [] for name in NAMES}
    rates = []
    for seed in range(first, first + count):
        rng = np.random.default_rng(seed)
        kind = RateCushion(
            level=90e3 * (1 + 0.1 * rng.standard_normal()),
            rate=rng.uniform(0, most / 100),
            fold=rng.uniform(0.25, 1.2),
            phase=rng.uniform(0, 2 * np.pi),
        )

        def specimen(kind=kind, rng=rng):
            factor = 1 + 0.03 * rng.standard_normal()
            return replace(kind, level=kind.level * factor, slope=kind.slope * factor)

        known = results_of(crash(kind, MASS, SPEED, TRUCK), (MASS, TRUCK), rng)
        slower = crash(specimen(), MASS, 0.8 * SPEED, TRUCK)
        rate = rate_of(known, results_of(slower, (MASS, TRUCK), rng))
        rates.append((rate.value - kind.rate) / rate.u)
        mass, speed = MASS * rng.uniform(0.75, 1.4), SPEED * rng.uniform(0.75, 1.1)
        want = truth(crash(specimen(), mass, speed, TRUCK))
        for reported, case in (
            (plain, Case(mass, speed)),
            (second, Case(mass, speed, rate=rate)),
        ):
            figures = predict(known, case, NONE).figures
            for name, value in zip(NAMES, want, strict=True):
                if figures[name] is not None:
                    reported[name].append((figures[name].value - value) / figures[name].u)
    for title, reported in (("one test", plain), ("with a second test", second)):
        for name, errors in reported.items():
            e = np.array(errors)
            rms, inside = np.sqrt(np.mean(e**2)), 100 * np.mean(abs(e) < 2)
            print(
                f"{title:20}{name:12} n {len(e):4d}  mean {e.mean():5.2f}  sd {e.std():5.2f}"
                f"  rms {rms:5.2f}  within 2 u {inside:4.0f} %"
            )
    e = np.array(rates)
    print(f"rate learnt: mean {e.mean():.2f}, sd {e.std():.2f} of error over u")


if __name__ == "__main__":
    main(
        int(sys.argv[1]) if len(sys.argv) > 1 else 60,
        float(sys.argv[2]) if len(sys.argv) > 2 else 1.2,
        int(sys.argv[3]) if len(sys.argv) > 3 else 0,
    )
