"""The roadside demonstration's figures after contact over many surveys, nothing drawn:

    python tests/bench/roadside_marks.py FOLDER [COUNT] [FIRST_SEED] [switch]

With `switch` the loss of contact is typed, as a contact switch on the vehicle would give it (error
and u 1 ms), in place of what is found from the force.

Each seed has the errors of survey and tape that its demonstration would have (its record is written
into FOLDER/<seed>); marks are the true ones with 0.02 px of noise a frame and 0.02 px that last.
Prints, over the seeds, the root mean square error, the median u, mean and sd of error over u, and
how many 95 % intervals held.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from calibration.lens import given_lens
from calibration.resection.pose import sightings
from calibration.resection.resect import resect
from tracker import load_record
from tracker.core.types import MarkId
from tracker.demo.roadside.record import roadside_record
from tracker.demo.roadside.scenario import VEHICLE, RoadsideScenario
from tracker.demo.roadside.scene import make_roadside
from tracker.demo.roadside.write import roadside_truth
from tracker.demo.tracks import TrueTracks, true_tracks
from tracker.motion import CameraEvidence, VehicleGeometry, solve
from tracker.pipeline.after_contact import after_contact, typed_ends
from tracker.pipeline.article_geometry import near_masks
from tracker.pipeline.motions import SolvedMotions
from tracker.pipeline.vehicle_result import contacts, sample_motion
from tracker.record.load import Record

NOISE, LASTING = 0.02, 0.02  # px
ZERO_U = 5e-6  # s
SWITCH_U = 1e-3  # s


def evidence(record: Record, track: TrueTracks, rng: np.random.Generator) -> CameraEvidence:
    entry = record.cameras[track.camera]
    assert entry.lens is not None
    assert entry.lens.camera_matrix is not None
    size = RoadsideScenario().size
    lens = given_lens(entry.lens.camera_matrix, entry.lens.distortion, size)
    names = [n for n, t in entry.survey.items() if t.at is not None]
    order = list(track.marks)
    seen = np.array([track.pixels[0, order.index(MarkId("survey", n))] for n in names])
    seen = seen + LASTING * rng.standard_normal(seen.shape)
    at = np.array([entry.survey[n].at for n in names])
    spread = np.tile(np.eye(2) * LASTING**2, (len(names), 1, 1))
    pose = resect(sightings(names, at, seen, spread, 2e-3), size=size, lens=lens)
    which = [k for k, mark in enumerate(order) if mark in entry.picks]
    pixels = track.pixels[:, which]
    pixels = pixels + NOISE * rng.standard_normal(pixels.shape)
    pixels = pixels + LASTING * rng.standard_normal((1, len(which), 2))
    return CameraEvidence(
        camera=pose.camera,
        seconds=track.time + ZERO_U * rng.standard_normal(),
        zero_u=ZERO_U,
        rate_u=1e-6,
        stabilisation=None,
        marks=tuple(order[k] for k in which),
        position=pixels,
        covariance=np.tile(NOISE**2 * np.eye(2), (*pixels.shape[:2], 1, 1)),
        measured_mask=track.visible_mask[:, which],
    )


def figures(record: Record, tracks: dict[str, TrueTracks], seed: int) -> dict[str, object]:
    rng = np.random.default_rng([seed, 77])
    cameras = {name: evidence(record, track, rng) for name, track in tracks.items()}
    table = record.vehicles[VEHICLE]
    markers = {name: m.at for name, m in table.markers.items()}
    geometry = VehicleGeometry(table.cg, markers, record.survey.marker_u)
    solution = solve(cameras, {VEHICLE: geometry})
    draws = solution.draws(300, 1)
    times = {name: camera.seconds for name, camera in cameras.items()}
    given = times["overhead"]
    moves = {VEHICLE: sample_motion(solution, draws, VEHICLE, given)}
    motions = SolvedMotions(times, given, draws, moves)
    near = near_masks(record, {VEHICLE: moves[VEHICLE].samples})
    ends = typed_ends(record, motions, contacts(record.vehicles, moves, None, near))
    later = after_contact(record, solution, cameras, motions, ends)
    found: dict[str, object] = {}
    if VEHICLE in later.exits:
        leaves = later.exits[VEHICLE]
        for name in ("speed", "trajectory_angle", "heading_angle", "yaw_rate"):
            found[f"exit.{name}"] = getattr(leaves, name)
        assert leaves.exit_box is not None
        print("   exit box:", leaves.exit_box.crossed, leaves.exit_box.why)
    for name in ("x", "y", "heading", "downstream", "lateral"):
        found[f"final.{name}"] = getattr(later.finals[VEHICLE], name)
    for name in ("dynamic_deflection", "permanent_deflection", "working_width"):
        found[f"article.{name}"] = getattr(later.article, name)
    found["article.vehicle_intrusion"] = getattr(later.article, "vehicle_intrusion", None)
    return found


def switched(text: str, true: float, seed: int) -> str:
    """The record with a contact switch's time of the loss of contact."""
    time = true + SWITCH_U * np.random.default_rng([seed, 78]).standard_normal()
    event = f'[[test.events]]\ntime = "{time:.5f} s"\ntext = "contact switch opens"\n'
    event += f'sets = "exit"\nu = "{1e3 * SWITCH_U:g} ms"\n'
    return text.replace("[[test.events]]", f"{event}\n[[test.events]]", 1)


def main(folder: Path, count: int, first: int, switch: bool) -> None:
    scene = make_roadside(RoadsideScenario())
    tracks = {name: true_tracks(scene, name) for name in scene.scenario.views}
    values = roadside_truth(scene)
    truth = {f"exit.{n}": v for n, v in values["vehicles"][VEHICLE]["exit"].items()}
    truth |= {f"final.{n}": v for n, v in values["vehicles"][VEHICLE]["final"].items()}
    truth |= {f"article.{n}": v for n, v in values["article"].items()}
    errors: dict[str, list[tuple[float, float]]] = {}
    for seed in range(first, first + count):
        place = folder / str(seed)
        place.mkdir(parents=True, exist_ok=True)
        for name in tracks:
            (place / f"{name}.mp4").touch()
        own = replace(scene, scenario=replace(scene.scenario, seed=seed))
        text = roadside_record(own, tracks)
        if switch:
            text = switched(text, scene.motion.exit_time, seed)
        (place / "record.toml").write_text(text, encoding="utf-8")
        line = []
        for name, q in figures(load_record(place), tracks, seed).items():
            if q is None:
                continue
            off, u = q.value - truth[name], q.u  # type: ignore[attr-defined]
            errors.setdefault(name, []).append((off, u))
            if abs(off) > 2 * u:
                line.append(f"{name} {off / u:+.1f} u")
        print(f"seed {seed}: {', '.join(line) or 'all within 2 u'}", flush=True)
    for name, found in errors.items():
        off, u = np.array(found).T
        z = off / u
        print(
            f"{name:30s} rms error {np.sqrt(np.mean(off**2)):.6f}  u {np.median(u):.6f}  "
            f"error/u mean {z.mean():+5.2f} sd {z.std():4.2f}  "
            f"held {int(np.sum(np.abs(z) < 1.96))} of {len(z)}"
        )


if __name__ == "__main__":
    asked = [*sys.argv[1:], *("10", "30")[len(sys.argv) - 2 :]]
    main(Path(asked[0]), int(asked[1]), int(asked[2]), "switch" in asked[3:])
