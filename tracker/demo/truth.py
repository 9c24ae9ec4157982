"""What truly happened in the demonstration test, in the terms of `results.json`."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calibration.arrays import Array
from calibration.constants import GRAVITY
from calibration.errors import RECORD, ResultsError
from tracker.core.types import STATE
from tracker.demo.physics import STEP
from tracker.demo.scene import Scene, rotation

FLAIL = (0.6, 0.3)  # m; NCHRP Report 350 and MASH
RIDEDOWN_MEAN = 0.010  # s


@dataclass(frozen=True)
class DemoTruth:
    """The truth beside a demonstration record. `values` follows `results.json`, plain numbers."""

    folder: Path
    values: Mapping[str, Any]

    @property
    def record(self) -> Path:
        """The test record that the truth belongs to."""
        return self.folder / "record.toml"

    @property
    def headline(self) -> dict[str, float]:
        """The numbers that a report leads with: "vehicle.name" or "crush.max_dynamic"."""
        out = {}
        for vehicle, numbers in self.values["vehicles"].items():
            for name, value in {**numbers, **numbers.get("occupant", {})}.items():
                if isinstance(value, float) and not name.endswith("_time"):
                    out[f"{vehicle}.{name}"] = value
            for part in ("exit", "final"):
                for name, value in numbers.get(part, {}).items():
                    out[f"{vehicle}.{part}.{name}"] = value
        if "crush" in self.values:
            out["crush.max_dynamic"] = self.value("crush.max_dynamic")
        out |= {f"article.{n}": v for n, v in self.values.get("article", {}).items()}
        return out

    def value(self, path: str) -> float:
        """One number by its dotted path, as "vehicles.car.occupant.oiv_x"."""
        found: Any = self.values
        for key in path.split("."):
            found = found[key]
        return float(found)

    def motion(self, vehicle: str) -> tuple[Array, Array]:
        """Times (n,) s and states (n, 15) in the columns of `tracker.core.types.STATE`."""
        table = np.loadtxt(
            self.folder / "truth" / f"motion-{vehicle}.csv", delimiter=",", skiprows=1, ndmin=2
        )
        return table[:, 0], table[:, 1:]

    def tracks(self, camera: str) -> tuple[tuple[str, ...], Array, Array]:
        """Names of the marks, true pixels (frames, marks, 2), and 1 where a mark could be seen
        (frames, marks).
        """
        with (self.folder / "truth" / f"tracks-{camera}.csv").open(newline="") as file:
            rows = list(csv.reader(file))[1:]
        names = tuple(dict.fromkeys(row[2] for row in rows))
        numbers = np.array([[float(x) for x in row[3:6]] for row in rows])
        numbers = numbers.reshape(-1, len(names), 3)
        return names, numbers[:, :, :2], numbers[:, :, 2]


def load_truth(folder: Path | str) -> DemoTruth:
    """Read the truth of a demonstration folder; Problem (2) if there is none."""
    folder = Path(folder)
    path = folder / "truth" / "truth.json"
    if not path.is_file():
        raise ResultsError(
            "there is no truth of a demonstration test",
            where=str(path),
            remedy="write the test with `impactfilm demo`",
            status=RECORD,
        )
    return DemoTruth(folder, json.loads(path.read_text(encoding="utf-8")))


def vehicle_acceleration(state: Array) -> Array:
    """Acceleration of the cg (n, 3) in vehicle axes, m/s2, of states (n, 15)."""
    turns = np.array([rotation(attitude) for attitude in state[:, 3:6]])
    return np.asarray(np.einsum("nji,nj->ni", turns, state[:, 12:15]))


def occupant(time: Array, acceleration: Array) -> dict[str, float | None]:
    """Occupant impact velocity and ridedown of accelerations (n, 3) in vehicle axes, m/s2, on
    times (n,) that begin at contact.

    Flail-space model of NCHRP Report 350 and MASH: a free point mass; the earlier of 0.6 m
    lengthwise and 0.3 m sideways; then the greatest 10 ms mean of each axis.
    """
    step = time[1] - time[0]
    a = acceleration[:, :2]
    speed = np.vstack([np.zeros(2), np.cumsum((a[1:] + a[:-1]) * step / 2, axis=0)])
    path = np.vstack([np.zeros(2), np.cumsum((speed[1:] + speed[:-1]) * step / 2, axis=0)])
    share = np.max(np.abs(path) / FLAIL, axis=1)
    beyond = np.flatnonzero(share >= 1.0)
    nothing = {"oiv_x": None, "oiv_y": None, "oiv_time": None}
    if not len(beyond):
        return {**nothing, "ridedown_x": None, "ridedown_y": None}
    i = int(beyond[0])
    part = (1.0 - share[i - 1]) / (share[i] - share[i - 1])
    reached = speed[i - 1] + part * (speed[i] - speed[i - 1])
    n = round(RIDEDOWN_MEAN / step)
    total = np.vstack([np.zeros(2), np.cumsum((a[1:] + a[:-1]) * step / 2, axis=0)])
    means = (total[i + n :] - total[i:-n]) / (n * step) / GRAVITY
    worst = [float(means[np.argmax(np.abs(means[:, k])), k]) for k in range(2)]
    return {
        "oiv_x": float(-reached[0]),
        "oiv_y": float(-reached[1]),
        "oiv_time": float(time[i - 1] + part * step),
        "ridedown_x": worst[0],
        "ridedown_y": worst[1],
    }


def vehicle_truth(scene: Scene, vehicle: str) -> dict[str, Any]:
    """Headline numbers of a vehicle over the time that the films cover, SI and radians."""
    history, scenario = scene.history, scene.scenario
    last = max(float(scenario.frame_times(c)[-1]) for c in scenario.views)
    table = history.car if vehicle == "car" else history.truck
    seen = (history.time >= -scenario.before - STEP / 2) & (history.time <= last + STEP / 2)
    time, state = history.time[seen], table[seen]
    before = time < -STEP / 2
    zero = int(np.argmin(np.abs(time)))
    contact = history.time[history.force > 0]
    end = min(float(contact[-1]), last)
    at_end = history.state(vehicle, np.array([end, last]))
    out: dict[str, Any] = {}
    if vehicle == "car":
        out["impact_speed"] = float(np.hypot(*state[zero, 6:8]))
        out["impact_angle"] = float(np.arctan2(state[zero, 7], state[zero, 6]))
        out["impact_offset"] = float(state[zero, 1])
    for name, column in (("roll", 3), ("pitch", 4), ("yaw", 5)):
        change = state[:, column] - state[before, column].mean()
        for sense, pick in (("max", np.argmax), ("min", np.argmin)):
            k = int(pick(change))
            out[f"{sense}_{name}"] = float(change[k])
            out[f"{sense}_{name}_time"] = float(time[k])
    rise = state[before, 2].mean() - state[:, 2]
    out["max_rise"], out["max_rise_time"] = float(rise.max()), float(time[np.argmax(rise)])
    out["travel_x"] = float(at_end[1, 0] - state[zero, 0])
    out["travel_y"] = float(at_end[1, 1] - state[zero, 1])
    out["rest"] = bool(np.hypot(*at_end[1, 6:8]) < 0.05)
    out["velocity_change"] = float(at_end[0, 6] - state[zero, 6])
    after = time > -STEP / 2
    out["occupant"] = occupant(time[after], vehicle_acceleration(state[after]))
    return out


def headline(scene: Scene) -> dict[str, Any]:
    """Everything in truth.json: the headline numbers and the errors that were put in."""
    history, sensor = scene.history, scene.scenario.sensor
    zero = int(np.argmin(np.abs(history.time)))
    closing = history.car[:, 0] - history.truck[:, 0]
    closing = closing - closing[zero]
    last = max(float(scene.scenario.frame_times(c)[-1]) for c in scene.scenario.views)
    most = int(np.argmax(np.where(history.time <= last, closing, -1.0)))
    return {
        "schema": 1,
        "conventions": "SI units, radians, ridedown in g; occupant values from the acceleration "
        "of the cg in vehicle axes, gravity not included",
        "vehicles": {v: vehicle_truth(scene, v) for v in ("car", "truck")},
        "crush": {"max_dynamic": float(closing[most]), "at": float(history.time[most])},
        "cameras": {
            c: {"time_zero_frame": scene.scenario.zero_frame(c), **camera_truth(scene, c)}
            for c in scene.scenario.views
        },
        "accelerometer": {
            "scale": list(sensor.scale),
            "bias_g": list(sensor.bias),
            "time_shift": sensor.shift,
        },
        "state": list(STATE),
    }


def camera_truth(scene: Scene, name: str) -> dict[str, Any]:
    """The true camera: place, rotation to camera axes, lens."""
    camera = scene.scenario.camera(name)
    return {
        "position": camera.position.tolist(),
        "rotation": camera.rotation.tolist(),
        "camera_matrix": camera.lens.matrix.tolist(),
        "distortion": camera.lens.distortion.tolist(),
    }
