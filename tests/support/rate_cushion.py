"""Two vehicles and a cushion whose force depends on closing and closing speed, by scipy's solver.

Nothing of `tracker.mechanics` is in it: it is the truth that predictions are held to.
"""

from dataclasses import dataclass

import numpy as np
from scipy import signal
from scipy.integrate import cumulative_trapezoid, solve_ivp

from calibration.constants import GRAVITY
from tracker.outcome.headline import COLUMN, PosteriorSamples

ROLLING, FRICTION, REFERENCE = 0.015, 0.2, 27.0  # 1, 1, m/s


@dataclass(frozen=True)
class RateCushion:
    """Force f(s) (1 + rate (v - REFERENCE)), let go within 2 cm of parting."""

    level: float = 90e3  # N
    slope: float = 12e3  # N/m
    ripple: float = 0.06  # share
    fold: float = 0.9  # m, wavelength of the ripple
    phase: float = 0.0  # rad
    rate: float = 0.0  # s/m

    def force(self, closing, speed):
        wave = np.sin(2 * np.pi * closing / self.fold + self.phase)
        soft = (self.level + self.slope * closing) * (1 + self.ripple * wave)
        onset = np.clip(closing / 0.03, 0.0, 1.0)
        return onset * soft * np.maximum(1 + self.rate * (speed - REFERENCE), 0.2)


@dataclass(frozen=True)
class Crash:
    """Both vehicles' motion along x at equal steps from contact; contact's end, s."""

    time: np.ndarray  # (n,)
    car: np.ndarray  # (3, n) way, speed, acceleration
    truck: np.ndarray  # (3, n)
    ends: float

    @property
    def closing(self):
        return self.car[0] - self.truck[0]


def crash(cushion, mass, speed, truck_mass, until=0.42, step=5e-4):
    """A car of `mass` at `speed` into a truck that slides on its tyres, SI."""
    peak = [0.0]

    def push(s, parted):
        closing, v = s[0] - s[1], s[2] - s[3]
        if not parted:
            return cushion.force(closing, v)
        held = cushion.force(peak[0], 0.0)
        return held * np.clip(1 - (peak[0] - closing) / 0.02, 0.0, 1.0)

    def rates(parted):
        def of(t, s):
            force = push(s, parted)
            free = force / truck_mass - FRICTION * GRAVITY
            gaining = free if s[3] > 1e-9 else max(free, 0.0)
            return [s[2], s[3], -force / mass - ROLLING * GRAVITY, gaining]

        return of

    def meet(t, s):
        return s[2] - s[3]

    meet.terminal, meet.direction = True, -1
    time = np.arange(0.0, until, step)
    options = {"rtol": 1e-8, "atol": 1e-9, "max_step": 1e-3, "dense_output": True}
    first = solve_ivp(rates(False), (0, until), [0, 0, speed, 0], events=meet, **options)
    top = float(first.t[-1])
    state = first.sol(np.minimum(time, top))
    force = np.array([push(s, False) for s in state.T])
    ends = until
    if top < until - step:
        peak[0] = float(first.y[0, -1] - first.y[1, -1])
        then = solve_ivp(rates(True), (top, until), first.y[:, -1], **options)
        late = time > top
        state[:, late] = then.sol(time[late])
        force[late] = [push(s, True) for s in state[:, late].T]
        done = late & (force < 0.02 * force.max())
        ends = float(time[np.argmax(done)]) if done.any() else until
    car = np.stack((state[0], state[2], -force / mass - ROLLING * GRAVITY))
    free = force / truck_mass - FRICTION * GRAVITY
    truck = np.stack((state[1], state[3], np.where(state[3] > 1e-6, free, np.maximum(free, 0))))
    return Crash(time, car, truck, ends)


def samples(found, rng, sd=0.0, draws=60):
    """The motions as a film gives them: smooth to 50 Hz, with an error of acceleration of 15 to
    50 Hz, m/s^2 sd, and draws of what it may be. Without `sd` they are the truth.
    """
    out = []
    for x, v, a in (found.car, found.truck):
        state = np.zeros((len(found.time), 15))
        if sd > 0:
            x, v, a = _seen(found.time, v[0], a)
        state[:, COLUMN["x_m"]], state[:, COLUMN["vx_mps"]], state[:, COLUMN["ax_mps2"]] = x, v, a
        drawn = np.repeat(state[None], draws + 1, axis=0)
        if sd > 0:
            phase = rng.uniform(0, 2 * np.pi, (draws + 1, 8, 1))
            omega = 2 * np.pi * np.arange(3, 11)[None, :, None] * 5.0
            size = sd / 2.0 * rng.standard_normal((draws + 1, 8, 1))
            arg = omega * found.time + phase
            drawn[..., COLUMN["ax_mps2"]] += (size * np.sin(arg)).sum(axis=1)
            drawn[..., COLUMN["vx_mps"]] -= (size / omega * np.cos(arg)).sum(axis=1)
            drawn[..., COLUMN["x_m"]] -= (size / omega**2 * np.sin(arg)).sum(axis=1)
        own = drawn[0] - state  # the estimate's error, which the draws about it know nothing of
        out.append(PosteriorSamples(found.time, state + own, drawn[1:] + own))
    return out


def _seen(time, speed, acceleration):
    """Way, speed and acceleration without what is faster than 50 Hz."""
    step = time[1] - time[0]
    b, a = signal.butter(2, 50.0, fs=1 / step)
    smooth = signal.filtfilt(b, a, acceleration, padtype="even", padlen=len(time) // 4)
    gained = speed + cumulative_trapezoid(smooth, dx=step, initial=0.0)
    return cumulative_trapezoid(gained, dx=step, initial=0.0), gained, smooth
