"""The invented redirection obeys mechanics, and its article is found again from true marks."""

from dataclasses import dataclass

import numpy as np
import pytest

from tracker.core.types import MarkId
from tracker.demo.roadside.motion import CG
from tracker.demo.roadside.scenario import BREAKS, FACE, VEHICLE, WIDTH, RoadsideScenario
from tracker.demo.roadside.scene import RoadsideScene, make_roadside
from tracker.demo.roadside.write import roadside_truth
from tracker.demo.tracks import TrueTracks, true_tracks
from tracker.motion import CameraEvidence, FreeMark, VehicleGeometry, free_paths, solve
from tracker.outcome.deflection import article_figures, is_detached
from tracker.outcome.traffic_face import TrafficFace

NOISE = 0.03  # px


@dataclass(frozen=True)
class Case:
    """A coarse film of the scene, and what its cameras truly see."""

    scene: RoadsideScene
    tracks: dict[str, TrueTracks]


@pytest.fixture(scope="module")
def case() -> Case:
    scene = make_roadside(RoadsideScenario(frame_rate=250.0, after=0.55))
    return Case(scene, {name: true_tracks(scene, name) for name in scene.scenario.views})


def test_velocities_are_the_rates_of_positions(case: Case) -> None:
    time = np.linspace(-0.04, 0.5, 5401)
    state = case.scene.motion.state(time)

    rates = np.gradient(state[:, :6], time, axis=0)

    assert np.abs(rates - state[:, 6:12])[5:-5].max() < 0.02


def test_the_rail_takes_energy_and_gives_none(case: Case) -> None:
    """Kinetic energy in the plane falls from contact to exit (no source but mechanics)."""
    scenario, motion = case.scene.scenario, case.scene.motion
    state = motion.state(np.array([0.0, motion.exit_time]))
    energy = scenario.vehicle_mass * np.sum(state[:, 6:8] ** 2, axis=1) / 2
    energy += 5600.0 * state[:, 11] ** 2 / 2

    assert energy[1] < 0.9 * energy[0]


def test_contact_is_at_time_zero_at_the_wanted_speed_and_angle(case: Case) -> None:
    truth = roadside_truth(case.scene)["vehicles"][VEHICLE]

    assert truth["impact_speed"] == pytest.approx(case.scene.scenario.speed, rel=1e-4)
    assert truth["impact_angle"] == pytest.approx(case.scene.scenario.angle, abs=1e-4)
    assert case.scene.motion.force[case.scene.motion.time < 0].max() == 0


def evidence(case: Case, name: str, rng: np.random.Generator) -> CameraEvidence:
    track, scenario = case.tracks[name], case.scene.scenario
    which = [k for k, mark in enumerate(track.marks) if not mark.is_fixed]
    pixels = track.pixels[:, which]
    return CameraEvidence(
        camera=scenario.camera(name),
        seconds=track.time,
        zero_u=1e-5,
        rate_u=1e-6,
        stabilisation=None,
        marks=tuple(list(track.marks)[k] for k in which),
        position=pixels + rng.normal(0, NOISE, pixels.shape),
        covariance=np.tile(NOISE**2 * np.eye(2), (*pixels.shape[:2], 1, 1)),
        measured_mask=track.visible_mask[:, which],
    )


def test_posts_deflect_as_they_truly_do_and_the_broken_one_is_known(case: Case) -> None:
    rng = np.random.default_rng(3)
    cameras = {name: evidence(case, name, rng) for name in case.tracks}
    markers = {m.name: m.at for m in case.scene.pickup.marks}
    solution = solve(cameras, {VEHICLE: VehicleGeometry(CG, markers, 1e-3)})
    marks = {m.name: FreeMark(m.at, 2e-3) for m in case.scene.rail.marks}
    draws = solution.draws(200, 1)

    paths = free_paths(solution, cameras, marks, draws, cameras["overhead"].seconds)
    found = article_figures(paths, TrafficFace(0.0, FACE), WIDTH, known_face=True)

    assert [name for name, path in paths.items() if is_detached(path)] == [f"post{BREAKS + 1}"]
    truth = roadside_truth(case.scene)["article"]
    for figure, name in (
        (found.dynamic, "dynamic_deflection"),
        (found.permanent, "permanent_deflection"),
        (found.working_width, "working_width"),
    ):
        assert figure is not None
        off = abs(figure.value.value - truth[name])
        assert off < 0.005  # the bound of the task: 5 mm
        assert off < 4 * figure.value.u
    path = paths["post1"]
    true = np.array([case.scene.way(0, float(t)) for t in path.time])
    error = path.position[:, 1] - path.start[1] - true
    assert np.mean(np.abs(error) < 2 * path.u[:, 1] + 1e-4) > 0.85


def test_a_mark_that_no_camera_measured_has_no_path(case: Case) -> None:
    rng = np.random.default_rng(4)
    cameras = {"overhead": evidence(case, "overhead", rng)}
    markers = {m.name: m.at for m in case.scene.pickup.marks}
    solution = solve(cameras, {VEHICLE: VehicleGeometry(CG, markers, 1e-3)})

    paths = free_paths(
        solution,
        cameras,
        {"post9": FreeMark((0.0, 0.0, 0.0), 1e-3)},
        solution.draws(40, 1),
        cameras["overhead"].seconds,
    )

    assert MarkId("article", "post9") not in cameras["overhead"].marks
    assert paths == {}
