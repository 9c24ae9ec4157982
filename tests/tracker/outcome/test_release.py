"""The moment a contact lets go, of pulses known in closed form with tyres that push the other way.

Shapes of pulses: half-sine and haversine as in ISO/TR 27957 and SAE J211 annexes (from memory); a
Hertz contact's force goes with the power 1.5 of the approach (Johnson, Contact Mechanics, 1985, eq.
4.23).
"""

import numpy as np
import pytest

from calibration.constants import GRAVITY as G
from tracker.core.types import STATE
from tracker.outcome import headline
from tracker.outcome.headline import PosteriorSamples

COLUMN = {name: i for i, name in enumerate(STATE)}
LENGTH = 0.1  # s
TYRES = 0.5 * G  # m/s2, sideways, against the push
STEP = 2.5e-3  # s, a film of 400 1/s
FINE = 1e-5

SHAPES = {
    "half-sine": lambda x: np.sin(np.pi * x),
    "haversine": lambda x: np.sin(np.pi * x) ** 2,
    "Hertz": lambda x: np.sin(np.pi * x) ** 1.5,
}


def film(shape, rng=None, draws=60, peak=10.0, lift=1.0):
    """A vehicle pushed to its left by a pulse while its tyres push to the right; the errors of
    estimate and draws are ripples of 20 ms with sd 2 m/s2.
    """
    fine = np.arange(-0.05, 0.4, FINE)
    inside = np.clip(fine / LENGTH, 0.0, 1.0)
    pushes = -peak * G * SHAPES[shape](inside) + np.where(fine > 0.05, lift * TYRES, 0.0)
    time = np.arange(-0.05, 0.35, STEP)

    def state(ripple):
        force = pushes + ripple
        force[fine < 0] = 0.0
        speed = np.cumsum(force) * FINE
        out = np.zeros((len(time), len(STATE)))
        out[:, COLUMN["vx_mps"]] = 20.0
        out[:, COLUMN["vy_mps"]] = np.interp(time, fine, speed)
        out[:, COLUMN["ay_mps2"]] = np.interp(time, fine, force)
        return out

    def ripple():
        if rng is None:
            return np.zeros(len(fine))
        knots = np.arange(-0.06, 0.42, 0.01)
        return np.interp(fine, knots, 2.0 * rng.standard_normal(len(knots)))

    mean = ripple()
    return PosteriorSamples(
        time, state(mean), np.array([state(mean + ripple()) for _ in range(draws)])
    )


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("lift", [0.0, 1.0, -1.0])
def test_the_end_of_a_pulse_is_where_its_force_is_nothing(shape, lift):
    """With tyres against the push the whole acceleration is nothing some 10 ms before."""
    found = headline.contact_of(film(shape, lift=lift))
    assert found.ended
    assert found.end == pytest.approx(LENGTH, abs=1.5e-3)


@pytest.mark.parametrize("shape", SHAPES)
def test_the_end_is_within_its_uncertainty(shape):
    rng = np.random.default_rng(5)
    away, us = [], []
    for _ in range(20):
        found = headline.contact_of(film(shape, rng))
        away.append(found.end - LENGTH)
        us.append(found.u)
    held = np.mean(np.abs(away) < 2 * np.array(us))
    assert held >= 0.85
    assert np.sqrt(np.mean(np.square(away))) < 4e-3
    assert np.median(us) < 5e-3


def test_each_draw_has_its_own_end():
    """Draws whose pulse is 0, 1 or 2 frames late."""
    mean = film("half-sine")
    draws = np.array([np.roll(mean.state, k % 3, axis=0) for k in range(30)])
    found = headline.contact_of(PosteriorSamples(mean.time, mean.state, draws))
    late = STEP * (np.arange(30) % 3)
    assert found.draws - LENGTH == pytest.approx(late, abs=1e-3)


def test_a_blow_on_a_vehicle_that_stays_within_reach_belongs_to_the_contact():
    """A second pulse 150 ms after the first: a slap of the tail on the same rail, or not."""
    first = film("haversine")
    later = round(0.25 / STEP)
    state = first.state.copy()
    state[later:, COLUMN["ay_mps2"]] += first.state[:-later, COLUMN["ay_mps2"]]
    state[later:, COLUMN["vy_mps"]] += first.state[:-later, COLUMN["vy_mps"]]
    time = np.arange(len(state)) * STEP - 0.05
    motion = PosteriorSamples(time, state, np.repeat(state[None], 30, axis=0))
    near = np.ones(len(time), dtype=bool)
    apart = near & ~((time > 0.13) & (time < 0.2))
    assert headline.contact_of(motion).end == pytest.approx(0.1, abs=2e-3)
    assert headline.contact_of(motion, apart).end == pytest.approx(0.1, abs=2e-3)
    assert not headline.contact_of(motion, near).ended
