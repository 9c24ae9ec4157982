"""Cameras, clocks and steadiness on rendered films that are as bad as films get; run by hand.

python tests/bench/calibration_films.py [films] [turning]

Each film: 640 x 512 px, 500 frames/s nominal, weave of 1 px rms (with `turning` the weave turns the
picture and changes its scale, too, by 1 and 0.3 px at its edge), shake of 1.5 px after the impact,
a running speed that rises by 3 %, a blinking light of 47 1/s, a flash within an exposure, picks up
to 2.5 px off, a survey of 2 mm. The camera is calibrated as in an analysis; vehicles are not solved
for.
"""

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from tracker.camera.stage import calibrate_camera
from tracker.demo import Scenario, write_demo
from tracker.demo.scenario import moved_pixels, picture_motion
from tracker.record.load import load_record


def main() -> None:
    """One line a film, then the sums."""
    films = int(sys.argv[1]) if len(sys.argv) > 1 else 4
    errors: dict[str, list[float]] = {}
    for seed in range(films):
        scenario = Scenario.quick(
            seed=100 + seed,
            before=0.06,
            after=0.14,
            weave=1.0,
            weave_turns="turning" in sys.argv,
            shake=1.5,
            drift=0.03,
            timing_light=47.0,
            exposure=1e-3,
            ground_u=2e-3,
        )
        views = {
            name: replace(
                view, zero_frame=float(np.random.default_rng([seed, i]).uniform(-0.24, 0.24))
            )
            for i, (name, view) in enumerate(scenario.views.items())
        }
        scenario = replace(scenario, views=views)
        with tempfile.TemporaryDirectory() as folder:
            write_demo(folder, scenario=scenario)
            record = load_record(Path(folder) / "record.toml")
            zero = {}
            for name in scenario.views:
                began = time.thread_time()
                sight = calibrate_camera(record, name, lambda *step: None)
                found = one(scenario, name, sight)
                zero[name] = found.pop("late ms")
                for key, value in found.items():
                    errors.setdefault(key, []).append(value)
                reported = "  ".join(f"{key} {value:.4g}" for key, value in found.items())
                print(
                    f"{seed} {name:9s} {reported}  ({time.thread_time() - began:.0f} s)", flush=True
                )
            apart = zero["overhead"] - zero["side"]
            errors.setdefault("offset between cameras ms", []).append(apart)
    print("rms over all films:")
    for key, values in errors.items():
        print(f"  {key:28s} {np.sqrt(np.mean(np.square(values))):.4f}")


def one(scenario: Scenario, name: str, sight) -> dict[str, float]:
    """What one film's calibration is off by."""
    true, found = scenario.camera(name), sight.pose.camera
    u = np.sqrt(np.diag(found.covariance))[3:6]
    off = found.position - true.position
    times, clock = scenario.frame_times(name), sight.time
    drawn = clock.seconds - times
    frames = np.arange(scenario.frames)
    moved = picture_motion(scenario, name)
    places = np.random.default_rng(5).uniform([40, 40], np.array(scenario.size) - 40, (40, 2))
    steady = np.array(
        [
            sight.stabilisation.stabilised_pixels(
                int(k), moved_pixels(places, moved[k], scenario.size)
            )
            for k in frames
        ]
    )
    return {
        "x mm": 1e3 * off[0],
        "y mm": 1e3 * off[1],
        "z mm": 1e3 * off[2],
        "x/u": off[0] / u[0],
        "y/u": off[1] / u[1],
        "z/u": off[2] / u[2],
        "weave left px": float((steady - steady.mean(axis=0)).std()),
        "time map, frames": float((drawn - drawn.mean()).std() * scenario.frame_rate),
        "onset, frames": clock.zero_frame - scenario.zero_frame(name),
        "onset/u": (clock.zero_frame - scenario.zero_frame(name)) / clock.zero_frame_u,
        "late ms": 1e3 * float(np.interp(0.0, times, drawn)),
    }


if __name__ == "__main__":
    main()
