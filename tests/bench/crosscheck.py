"""False alarms, detection rates and bias of the cross-check on simulated tests.

    python tests/bench/crosscheck.py [tests per case] [film error in mm] [sound tests] [cameras]

500 tests a case take some 12 minutes of one core.

Each case puts one fault of one size into the longitudinal channel of a simulated test. `found` is
how often a finding of that kind names that channel, `either` how often the channel is left
undetermined with that kind named beside an error of the film's clock that explains it as well,
`other` how often some other kind is named instead, `silent` how often nothing is named, then the
mean and standard deviation of the error of the estimate over its stated u. Two cameras (the default
is one) bear witness to each other's clocks, with a time zero of 0.15 ms u.
"""

import sys
import time
from collections import Counter

import numpy as np
from scipy import stats

from calibration.constants import GRAVITY as G
from tests.support.simulated_sensors import CG, accelerometer, scene
from tracker.crosscheck import cross_check
from tracker.crosscheck.film_clock import FilmClock

ACCELERATIONS = ("ax", "ay", "az")


def scaled(made, size):
    return {"ax": made.channels["ax"] * size}, size * made.gain["ax"]


def offset(made, size):
    return {"ax": made.channels["ax"] + size * (made.fine > 0)}, size + made.bias["ax"]


def reversed_(made, size):
    return {"ax": -made.channels["ax"]}, None


def late(made, size):
    moved = np.interp(made.fine - size, made.fine, made.channels["ax"])
    return {"ax": moved}, size + made.delay["ax"]


def dead(made, size):
    noise = 0.3 * G * np.random.default_rng(3).standard_normal(len(made.fine))
    return {"ax": np.where(made.fine < size, made.channels["ax"], noise)}, size


def clipped(made, size):
    level = size * np.abs(made.channels["ax"]).max()
    return {"ax": np.clip(made.channels["ax"], -level, level)}, level


def exchanged(made, size):
    return {"ax": made.channels["ay"], "ay": made.channels["ax"]}, None


CASES = (
    ("scale", scaled, (0.85, 0.9, 0.95, 0.97, 1.03, 1.05, 1.1, 1.2)),
    ("offset", offset, (0.05 * G, 0.1 * G, 0.2 * G, 0.3 * G, 0.5 * G, -0.5 * G)),
    ("polarity", reversed_, (-1.0,)),
    ("time_shift", late, (0.001, 0.002, 0.003, 0.005, -0.005, 0.01)),
    ("dropout", dead, (0.03, 0.06, 0.1)),
    ("saturation", clipped, (0.5, 0.7, 0.9)),
    ("axis_swap", exchanged, (1.0,)),
)


class Tally:
    """What was found of one fault of one size."""

    def __init__(self):
        self.tests = self.found = self.either = self.other = self.silent = self.only = 0
        self.errors = []

    def add(self, kind, truth, channel):
        findings = channel.findings
        right = [f for f in findings if f.kind == kind]
        both = channel.clock_rival is not None and kind in channel.choice.chosen.faults
        self.tests += 1
        self.found += bool(right)
        self.either += both and not findings
        self.other += bool(findings) and not right
        self.silent += channel.verdict == "agree"
        self.only += len(findings) == 1 and bool(right)
        if right and truth is not None and right[0].u > 0:
            self.errors.append((right[0].estimate - truth) / right[0].u)


def check(made, channels, clock):
    block = accelerometer(made, channels)
    return cross_check(block, made.time, made.state, made.draws, CG, clock=clock)


def sound(count, film_mm, clock):
    """False alarms on channels without fault, with the 95 % bound of their share."""
    accused = total = 0
    verdicts, kinds = Counter(), Counter()
    for seed in range(count):
        made = scene(seed, film_mm=film_mm)
        result = check(made, made.channels, clock)
        verdicts[result.verdict] += 1
        total += len(result.channels)
        accused += sum(c.verdict == "disagree" for c in result.channels.values())
        kinds.update((f.channel, f.kind) for f in result.findings)
    most = stats.beta.ppf(0.95, accused + 1, total - accused)  # Clopper and Pearson, 1934
    print(
        f"sound channels: {accused} of {total} accused ({100 * accused / total:.2f} %, at most"
        f" {100 * most:.2f} % with 95 % confidence)",
        dict(kinds),
    )
    print(f"verdicts of sound tests: {dict(verdicts)}")


def main(count, film_mm, sounds, cameras):
    began = time.process_time()
    clock = FilmClock(cameras, 1.5e-4 if cameras > 1 else np.inf)
    print(f"film error {film_mm} mm, {count} tests a case, {sounds} sound ones, {cameras} cameras")
    sound(sounds, film_mm, clock)
    tallies = {(kind, size): Tally() for kind, _, sizes in CASES for size in sizes}
    for seed in range(count):
        made = scene(seed, film_mm=film_mm)
        for kind, put_in, sizes in CASES:
            for size in sizes:
                if kind == "axis_swap" and np.ptp(made.truth[:, 13]) < G:
                    continue  # nothing happens sideways
                channels, truth = put_in(made, size)
                ax = check(made, channels, clock).channels["ax"]
                tallies[kind, size].add(kind, truth, ax)
    heads = "".join(f"{head:>8}" for head in ("found", "either", "other", "silent", "only"))
    print(f"{'fault':12}{'size':>9}{heads}{'bias/u':>9}{'sd/u':>7}")
    for (kind, size), tally in tallies.items():
        row = "".join(
            f"{100 * n / tally.tests:7.1f}%"
            for n in (tally.found, tally.either, tally.other, tally.silent, tally.only)
        )
        spread = (np.mean(tally.errors), np.std(tally.errors)) if tally.errors else (np.nan, np.nan)
        print(f"{kind:12}{size:9.4g}{row}{spread[0]:9.2f}{spread[1]:7.2f}")
    print(f"{time.process_time() - began:.0f} s of processor time")


if __name__ == "__main__":
    arguments = sys.argv[1:]
    main(
        int(arguments[0]) if arguments else 500,
        float(arguments[1]) if len(arguments) > 1 else 0.5,
        int(arguments[2]) if len(arguments) > 2 else 1500,
        int(arguments[3]) if len(arguments) > 3 else 1,
    )
