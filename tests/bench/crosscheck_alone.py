"""Accelerometers without a film: what a fault does to the figures that are stated.

    python tests/bench/crosscheck_alone.py [tests per case]

One block, then two blocks whose first one (the nearest to the cg) is at fault. Of the longitudinal
occupant impact velocity: `stated` is how often there is a figure, `off` how often it is more than
3 u from the truth, `warned` how often a warning says that the blocks disagree, that one stands in
for the other, or that a channel is at fault; `misled` is how often a figure is off and nothing
warns. Without a film a wrong scale or a shift in time of a block alone shows in nothing.
"""

import sys
import time

import numpy as np

from calibration.constants import GRAVITY as G
from tests.support.simulated_sensors import CG, PLACE, scene
from tracker.accelerometers import judge_channels
from tracker.outcome.accelerometer_risk import risk_of
from tracker.pipeline.instruments import assess_sensor_blocks

FLAIL = (0.6, 0.3)
TELLING = {"accelerometers_disagree", "accelerometer_replaced", "channel_fault"}


def clipped(made):
    level = 0.5 * np.abs(made.channels["ax"]).max()
    return {"ax": np.clip(made.channels["ax"], -level, level)}


def dead(made):
    return {"ax": np.where(made.fine < 0.05, made.channels["ax"], 0.0)}


def scaled(made):
    return {"ax": 1.1 * made.channels["ax"]}


def moved(made):
    return {"ax": made.channels["ax"] + 0.5 * G * (made.fine > 0)}


FAULTS = {
    "none": lambda made: {},
    "clipped at half": clipped,
    "dead from 50 ms": dead,
    "scale 1.1": scaled,
    "offset 0.5 g": moved,
}


def block(made, channels, name, place=PLACE):
    found = judge_channels("car", place, made.fine, channels, None)
    return type(found)(**{**vars(found), "name": name})


def second(made, seed):
    """A sound block of the same vehicle with errors of its own."""
    rng = np.random.default_rng(10_000 + seed)
    sound = scene(seed, sound=False)
    channels = {}
    for name, values in sound.channels.items():
        unit = G if name != "yaw_rate" else 0.05
        own = values * (1 + 0.01 * rng.standard_normal())
        channels[name] = own + 0.3 * unit * rng.standard_normal(len(values))
    return block(made, channels, "2", np.add(PLACE, (0.0, 0.0, 1e-6)))


def truth(made):
    columns = [12, 13, 14, 11]
    return float(risk_of(made.time, made.truth[None, :, columns].swapaxes(1, 2), FLAIL).oiv_x[0])


def main(count):
    began = time.process_time()
    print(f"{count} tests a case; share of tests in %")
    print(f"{'fault':18}{'blocks':>7}{'stated':>8}{'off':>7}{'warned':>8}{'misled':>8}{'sd/u':>7}")
    for name, fault in FAULTS.items():
        for blocks in (1, 2):
            tally, errors = np.zeros(4), []
            for seed in range(count):
                made = scene(seed)
                first = block(made, made.channels | fault(made), "1")
                own = [first, second(made, seed)][:blocks]
                found = assess_sensor_blocks("car", own, CG, FLAIL, None)
                oiv = None if found.occupant is None else found.occupant.oiv_x
                warned = bool(TELLING & {w.code for w in found.warnings})
                error = 0.0
                if oiv is not None:
                    error = (oiv.value - truth(made)) / oiv.u
                    errors.append(error)
                off = abs(error) > 3.0
                tally += (oiv is not None, off, warned, off and not warned)
            shares = "".join(f"{100 * n / count:8.0f}" for n in tally)
            spread = np.sqrt(np.mean(np.square(errors))) if errors else np.nan
            print(f"{name:18}{blocks:6d}{shares}{spread:7.2f}")
    print(f"{time.process_time() - began:.0f} s of processor time")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
