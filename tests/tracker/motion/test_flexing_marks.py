"""Marks on panels that move against their vehicle after contact: stated, and found by the program.

Their swing is written down here: 25 1/s, dying away, as panels of sheet metal do.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.support import motion_case as case
from tracker.core.types import STATE
from tracker.motion import CameraEvidence, solve

TIME = np.arange(-0.06, 0.16, 2e-3)
CRASH = case.crash(TIME)
PANELS = ("roof1", "roof3", "hood1")
NOISE = 0.03


def swinging(cam: CameraEvidence, px: float) -> CameraEvidence:
    """The evidence with the marks of panels swinging up and down in the picture from contact on."""
    after = np.maximum(TIME, 0.0)
    swing = px * np.sin(2 * np.pi * 25 * after) * np.exp(-after / 0.15)
    on = np.array([m.split(".")[1] in PANELS for m in cam.marks])
    position = cam.position + np.stack([0 * swing, swing], axis=1)[:, None] * on[None, :, None]
    return replace(cam, position=position)


def seen(px: float) -> dict[str, CameraEvidence]:
    films = case.both(TIME, CRASH, NOISE)
    return films | {"side": swinging(films["side"], px)}


def pitch_errors(solution) -> np.ndarray:  # type: ignore[no-untyped-def]
    motion, c = solution.motion("car", TIME), STATE.index("pitch_rad")
    return np.asarray((motion.state[:, c] - CRASH[:, c]) / motion.u[:, c])


def test_swinging_panels_are_found_and_named() -> None:
    """Of a swing of 1 px, thirty times the marks' noise, pitch is within its u."""
    solution = solve(seen(1.0), {"car": case.car()})
    (found,) = [f for f in solution.findings if f.code == "mark_flexes"]
    assert found.where == "cameras.side"
    assert all(f"car.{m}" in found.text for m in PANELS)
    assert "sill" not in found.text
    assert np.abs(pitch_errors(solution)).max() < 3.0


def test_rigid_vehicle_has_no_swinging_marks() -> None:
    solution = solve(seen(0.0), {"car": case.car()})
    assert "mark_flexes" not in [f.code for f in solution.findings]
    assert not solution.iterate.softness


def test_what_all_marks_of_a_view_do_together_is_found() -> None:
    """Roof and bonnet, all that the view from above shows, swing along the car by 1 mm: no mark
    alone shows it, since the motion follows them half of the way; speed is within its u.
    """
    films = case.both(TIME, CRASH, NOISE)
    after = np.maximum(TIME, 0.0)
    swing = 0.14 * np.sin(2 * np.pi * 20 * after) * np.exp(-after / 0.15)  # px
    position = films["overhead"].position + np.stack([0 * swing, swing], axis=1)[:, None]
    films["overhead"] = replace(films["overhead"], position=position)
    solution = solve(films, {"car": case.car()})
    assert "mark_flexes" in [f.code for f in solution.findings]
    motion, c = solution.motion("car", TIME), STATE.index("vx_mps")
    z = (motion.state[:, c] - CRASH[:, c]) / motion.u[:, c]
    assert np.abs(z[TIME > 0.01]).max() < 3.5
    assert np.mean(np.abs(z) < 1.96) > 0.85


def test_slow_errors_of_sound_marks_are_no_swing() -> None:
    """Light and texture move each mark by 0.02 px over a tenth of a second, as in rendered film."""
    rng, films = np.random.default_rng(5), case.both(TIME, CRASH, 0.012)
    for name, cam in films.items():
        phase = rng.uniform(0, 2 * np.pi, (1, len(cam.marks), 2))
        slow = 0.02 * np.sin(2 * np.pi * 5 * TIME[:, None, None] + phase)
        covariance = np.tile(np.eye(2) * 0.012**2, (*cam.measured_mask.shape, 1, 1))
        grown = cam.position + slow * (TIME >= 0)[:, None, None]
        films[name] = replace(cam, position=grown, covariance=covariance)
    solution = solve(films, {"car": case.car()})
    assert "mark_flexes" not in [f.code for f in solution.findings]


def test_mark_stated_not_rigid_counts_before_contact_only() -> None:
    """Whatever it does after contact, the motion is that of the rest."""
    stated = replace(case.car(), flexible=frozenset(PANELS))
    still, moving = (solve(seen(px), {"car": stated}) for px in (0.0, 40.0))
    a, b = (s.motion("car", TIME).state for s in (moving, still))
    assert a == pytest.approx(b, abs=1e-5)
    used = moving.residuals["side"][:, [m.split(".")[1] in PANELS for m in seen(0)["side"].marks]]
    assert np.isfinite(used[TIME < 0]).all()
    assert np.isnan(used[TIME >= 0]).all()
