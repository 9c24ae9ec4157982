"""The demonstration over many surveys of its own, nothing drawn:

    python tests/bench/demo_draws.py FOLDER [COUNT] [FIRST_SEED]

FOLDER is one that `impactfilm demo --out FOLDER` has written. Each seed has the errors of the
survey that the demonstration of that seed would have, written into its record as text; marks are
the true ones with 0.0125 px of noise a frame and 0.01 px that last (texture, coding: what its films
show).
Each headline number's error over u: mean and sd over the seeds, worst; and states of both vehicles
from -50 to +200 ms.
"""

from __future__ import annotations

import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.lens import given_lens
from calibration.resection.pose import sightings
from calibration.resection.resect import resect
from tracker.core.types import STATE, Quantity
from tracker.demo import Scenario, load_truth
from tracker.demo.scene import make_scene
from tracker.demo.toml import record_text
from tracker.demo.tracks import true_tracks
from tracker.motion import CameraEvidence, Solution, VehicleGeometry, solve
from tracker.pipeline.vehicle_result import (
    contacts,
    crush_result,
    film_occupant,
    sample_motion,
    vehicle_result,
)
from tracker.record.schema import Vehicle
from tracker.results.schema import Occupant

NOISE, LASTING = 0.0125, 0.01  # px
ZERO_U = 3e-6  # s


def metres(values: list[str]) -> tuple[float, float, float]:
    x, y, z = (float(v.split()[0]) for v in values)
    return x, y, z


def evidence(
    camera: dict, truth: tuple, scenario: Scenario, name: str, rng: np.random.Generator
) -> tuple[CameraEvidence, list[str]]:
    names, true, visible = truth
    column = {n: k for k, n in enumerate(names)}
    matrix, distortion = camera["lens"]["camera_matrix"], camera["lens"]["distortion"]
    lens = given_lens(matrix, distortion, scenario.size)
    ground = list(camera["survey"])
    at = np.array([metres(camera["survey"][n]["at"]) for n in ground])
    seen = np.array([true[0, column[f"survey.{n}"]] for n in ground])
    seen = seen + LASTING * rng.standard_normal(seen.shape)
    spread = np.tile(np.eye(2) * LASTING**2, (len(ground), 1, 1))
    pose = resect(sightings(ground, at, seen, spread, 2e-3), size=scenario.size, lens=lens)
    marks = tuple(n for n in names if not n.startswith("survey."))
    which = [column[n] for n in marks]
    position = true[:, which] + NOISE * rng.standard_normal((len(true), len(which), 2))
    position += LASTING * rng.standard_normal((1, len(which), 2))
    evidence = CameraEvidence(
        camera=pose.camera,
        seconds=scenario.frame_times(name) + ZERO_U * rng.standard_normal(),
        zero_u=ZERO_U,
        rate_u=1e-6,
        stabilisation=None,
        marks=marks,
        position=position,
        covariance=np.tile(np.eye(2) * NOISE**2, (*position.shape[:2], 1, 1)),
        measured_mask=visible[:, which] > 0,
    )
    return evidence, [f"{name} {f.code}" for f in pose.findings]


def headlines(solution: Solution, times: np.ndarray) -> dict[str, Quantity | None]:
    draws = solution.draws(200, 1)
    moves = {v: sample_motion(solution, draws, v, times) for v in solution.vehicles}
    roles = {"car": "striking", "truck": "struck"}
    tables = {
        v: Vehicle(role=roles[v], cg=tuple(f"{c} m" for c in solution.cg(v)))  # type: ignore[arg-type]
        for v in moves
    }
    closing = crush_result(tables, moves)
    ends = contacts(tables, moves, closing)
    film = film_occupant(solution, draws, "car", (0.6, 0.3))
    out: dict[str, Quantity | None] = {"crush.max_dynamic": closing and closing.max_dynamic}
    for v in moves:
        result = vehicle_result(tables[v], moves[v], Occupant(), ends[v])
        out |= {f"{v}.{n}": getattr(result, n) for n in vars(result)}
    return out | {f"car.{n}": getattr(film, n) for n in ("oiv_x", "oiv_y", "ridedown_x")}


def main(folder: Path, count: int, first: int) -> None:
    truth = load_truth(folder)
    seen = {name: truth.tracks(name) for name in ("overhead", "side")}
    scene = make_scene(Scenario())
    tracks = {name: true_tracks(scene, name) for name in seen}
    numbers: dict[str, list[float]] = {}
    columns: dict[tuple[str, str], list[np.ndarray]] = {}
    for seed in range(first, first + count):
        scenario = replace(Scenario(), seed=seed)
        record = tomllib.loads(record_text(replace(scene, scenario=scenario), tracks, {}, {}))
        rng = np.random.default_rng([seed, 77])
        made = {n: evidence(record["cameras"][n], seen[n], scenario, n, rng) for n in seen}
        vehicles = {
            v: VehicleGeometry(
                metres(t["cg"]),
                {m: metres(at["at"]) for m, at in t["markers"].items()},
                1e-3,
                role=t["role"],
            )
            for v, t in record["vehicles"].items()
        }
        solution = solve({n: m[0] for n, m in made.items()}, vehicles)
        codes = [c for m in made.values() for c in m[1]] + [f.code for f in solution.findings]
        off = {}
        for name, q in headlines(solution, scenario.frame_times("overhead")).items():
            if isinstance(q, Quantity) and name in truth.headline:
                off[name] = (q.value - truth.headline[name]) / q.u
                numbers.setdefault(name, []).append(off[name])
        for v in solution.vehicles:
            t, true = truth.motion(v)
            span = (t >= -0.05) & (t <= 0.2)
            m = solution.motion(v, t[span])
            for c, column in enumerate(STATE):
                columns.setdefault((v, column), []).append(
                    (m.state[:, c] - true[span, c]) / m.u[:, c]
                )
        far = {n: round(float(z), 1) for n, z in off.items() if abs(z) > 2}
        print(f"seed {seed}: {far} {codes}", flush=True)
    for name, z in numbers.items():
        print(
            f"{name:28s} mean {np.mean(z):+5.2f}  sd {np.std(z):4.2f}  worst {np.abs(z).max():4.1f}"
        )
    for (v, column), z in columns.items():
        constant = [float(np.mean(e)) for e in z]
        print(f"{v:6s} {column:16s} held {100 * np.mean(np.abs(z) < 1.96):5.1f} %  a test's mean: "
              f"mean {np.mean(constant):+5.2f}  sd {np.std(constant):4.2f}  "
              f"worst {np.abs(constant).max():4.1f}")  # fmt: skip


if __name__ == "__main__":
    asked = [*sys.argv[1:], *("10", "20")[len(sys.argv) - 2 :]]
    main(Path(asked[0]), int(asked[1]), int(asked[2]))
