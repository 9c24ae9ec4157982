"""Cameras, clocks and steadiness over many random films of a site, all of it by pictures; by hand.

python tests/bench/calibration_draws.py [tests] [first] [minutes] [every]

(no test begins after `minutes`; every second one: lenses all given or all open).

Each test: two cameras put up at random near those of the demonstration, 640 x 512 px, 500 frames/s
nominal, 60 frames of the site without vehicles; weave of 1 px rms that turns the picture and
changes its scale, shake of 1.5 px, a running speed that rises by 3 %, a light of 47 1/s, a flash
within an exposure, picks up to 2.5 px off, fixed targets surveyed to 2 mm, coded as H.264. In even
tests the lens is given with a focal length wrong by 0.1 % (sd); in odd ones it is open. The
cameras are calibrated as in an analysis.
"""

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.arrays import Array
from calibration.board.options import OPTICS
from calibration.camera import Camera
from tests.bench.calibration_films import one
from tracker.camera.stage import calibrate_camera
from tracker.demo import Scenario
from tracker.demo.render import Painter
from tracker.demo.scenario import moved_pixels
from tracker.demo.scene import Scene, make_scene
from tracker.demo.site import FLASH
from tracker.demo.write import write_movie
from tracker.record.load import load_record

FACING = 0.3  # least cosine between a target's normal and the way to the camera


class Site(Painter):
    """Paints the site alone."""

    def clean(self, time: float, exposure: float | None = None) -> Array:
        return self.blurred.copy()


def scenario_of(seed: int) -> Scenario:
    """One test's films."""
    scenario = Scenario.quick(
        seed=seed,
        before=0.04,
        after=0.08,
        weave=1.0,
        weave_turns=True,
        shake=1.5,
        drift=0.03,
        timing_light=47.0,
        exposure=1e-3,
        ground_u=2e-3,
        dust=False,
    )
    rng = np.random.default_rng([seed, 21])
    while True:
        views = {
            name: replace(
                view,
                position=tuple(view.position + rng.normal(0.0, 0.4, 3)),
                target=tuple(view.target + rng.normal(0.0, [0.3, 0.1, 0.1])),
                focal=view.focal * float(rng.uniform(0.95, 1.05)),
                up=tuple(view.up + rng.normal(0.0, 0.02, 3)),
                zero_frame=float(rng.uniform(-0.24, 0.24)),
            )
            for name, view in scenario.views.items()
        }
        found = replace(scenario, views=views)
        flashes = [found.camera(n).project(np.array([FLASH[n]]))[0] for n in views]
        if all(((f > 18) & (f < np.array(found.size) - 18)).all() for f in flashes):
            return found  # its flash is seen


def record_text(scene: Scene, painters: dict[str, Painter], opened: bool) -> str:
    """The record of one test."""
    scenario = scene.scenario
    rng = np.random.default_rng([scenario.seed, 22])
    text = 'schema = 1\n[test]\nnumber = "D-1"\n[vehicles.car]\nrole = "striking"\n'
    surveyed = {m.name: np.array(m.at) + rng.normal(0, 2e-3, 3) for m in scene.static.marks}
    for name, painter in painters.items():
        camera, moved = painter.camera, painter.motion[0]
        rough = [f"{x:.1f} m" for x in camera.position + rng.normal(0.0, 0.08, 3)]
        text += f'[cameras.{name}]\nfilm = "{name}.mp4"\nframe_rate = "500 1/s"\n'
        text += f'exposure = "1 ms"\nposition = {rough}\n'
        if not opened:
            wrong = rng.normal(0, OPTICS.given_focal_u) + rng.normal(0, 5e-5) * np.array([1, -1])
            matrix = camera.lens.matrix * [[1 + wrong[0], 1, 1], [1, 1 + wrong[1], 1], [1, 1, 1]]
            distortion = camera.lens.distortion.tolist()
            text += f"lens = {{ camera_matrix = {matrix.tolist()}, distortion = {distortion} }}\n"
        text += f"[cameras.{name}.survey]\n"
        for mark in scene.static.marks:
            if not _shown(camera, np.array(mark.at), np.array(mark.normal)):
                continue
            pixel = moved_pixels(camera.project(np.array([mark.at])), moved, scenario.size)[0]
            u, v = np.round(pixel + rng.uniform(-2.5, 2.5, 2)).astype(int)
            at = [f"{x:.4f} m" for x in surveyed[mark.name]]
            text += (
                f'{mark.name} = {{ at = {at}, pixel = [{u}, {v}], pattern = "quadrant", '
                f'size = "{mark.size:.3f} m" }}\n'
            )
        text += f'[cameras.{name}.time]\nzero = "flash"\n'
        text += f"flash_region = {list(painter.flash_region())}\n"
        region = list(painter.light_region())
        text += f'timing_light = {{ region = {region}, rate = "47 1/s", duty = 0.5 }}\n'
    return text.replace("'", '"')


def _shown(camera: Camera, at: Array, normal: Array) -> bool:
    """Whether a target faces the camera and is well within the picture, whatever the weave."""
    way = camera.position - at
    if normal @ way < FACING * np.linalg.norm(way) or camera.in_camera_axes(at[None])[0, 2] < 1:
        return False
    pixel = camera.project(at[None])[0]
    margin = 0.4 * camera.lens.matrix[0, 0] / camera.in_camera_axes(at[None])[0, 2] + 8
    return bool(((pixel > margin) & (pixel < np.array(camera.lens.size) - margin)).all())


def main(tests: int, first: int, minutes: int, every: int) -> None:
    """One line a film, then the shares and sums."""
    found: dict[str, dict[str, list[float]]] = {}
    scene, start = make_scene(scenario_of(0)), time.monotonic()
    for seed in range(first, first + every * tests, every):
        if time.monotonic() - start > 60 * minutes:
            break
        scenario = scenario_of(seed)
        scene = replace(scene, scenario=scenario)
        opened = bool(seed % 2)
        late = {}
        with tempfile.TemporaryDirectory() as folder:
            painters = {name: Site(scene, name) for name in scenario.views}
            for name, painter in painters.items():
                write_movie(Path(folder) / f"{name}.mp4", painter.frames(), scenario.frame_rate)
            (Path(folder) / "record.toml").write_text(record_text(scene, painters, opened))
            record = load_record(Path(folder) / "record.toml")
            for name in scenario.views:
                began = time.thread_time()
                sight = calibrate_camera(record, name, lambda *step: None)
                reported = one(scenario, name, sight)
                late[name] = reported.pop("late ms")
                lens, true = sight.pose.camera.lens.matrix[0, 0], scenario.camera(name).lens
                off = lens - true.matrix[0, 0]
                reported["f/u"] = off / np.sqrt(sight.pose.camera.covariance[6, 6])
                reported["left out"] = len(sight.pose.left_out)
                case = f"{name}, lens {'open' if opened else 'given'}"
                for key, value in reported.items():
                    found.setdefault(case, {}).setdefault(key, []).append(value)
                line = "  ".join(f"{key} {value:.3g}" for key, value in reported.items())
                print(f"{seed} {case}: {line} ({time.thread_time() - began:.0f} s)", flush=True)
        apart = late["overhead"] - late["side"]
        found.setdefault("both", {}).setdefault("offset between cameras ms", []).append(apart)
    for case, values in found.items():
        print(f"\n{case}: {len(next(iter(values.values())))} films")
        for key, value in values.items():
            size = np.abs(value)
            share = f", {100 * np.mean(size <= 2):.1f} % within 2" if key.endswith("/u") else ""
            rms = np.sqrt(np.mean(np.square(value)))
            print(f"  {key:28s} rms {rms:.4f}, largest {size.max():.4f}{share}")
    print("\nwithin 2 u over all films:")
    films = [v for case, v in found.items() if case != "both"]
    for key in ("x/u", "y/u", "z/u", "f/u", "onset/u"):
        z = np.abs(np.concatenate([v[key] for v in films]))
        print(f"  {key:10s} {100 * np.mean(z <= 2):.1f} % of {len(z)}")


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:] + ["4", "0", "100000", "1"][len(sys.argv) - 1 :])))
