"""Errors of flash onset and of timing-light frame times on simulated brightness; run by hand.

python tests/bench/timebase.py

Prints, for each kind of film, the error in frames (RMS) and the RMS of error over stated u.
"""

import math
import time

import numpy as np

from calibration.findings import Diagnostic
from calibration.time.flash import onset
from calibration.time.timing_light import TimingLightSignal, frame_map

FLASHES = {
    "step": {},
    "exposure 0.2 frame": {"d": 0.2},
    "decays in 20 frames": {"tau": 20.0},
    "decays in 5 frames": {"tau": 5.0},
    "noise 2 % of the step": {"noise": 2.0},
    "dark level drifts": {"drift": 0.3},
    "saturates": {"A": 300.0},
    "dim, 10 grey levels": {"A": 10.0},
    "exposure unknown": {"known": False},
}
LIGHTS = {
    "speed rises 3 %": {},
    "speed swings 3 %": {"shape": "swing"},
    "speed rises 10 %": {"drift": 0.1},
    "exposure 0.2 frame": {"d": 0.2},
    "exposure unknown": {"known": False},
    "duty 0.1": {"duty": 0.1},
    "duty 0.02": {"duty": 0.02},
    "five gaps of 2 flashes": {"gaps": 5},
    "noise 10 % of contrast": {"noise": 10.0},
    "10 flashes/s": {"rate": 10.0},
    "250 flashes/s": {"rate": 250.0},
}


def flash_film(rng, on, d=0.9, tau=math.inf, A=100.0, drift=0.02, noise=0.3, known=True):
    """Mean grey of 100 frames that see a lamp come on at `on`."""
    k = np.arange(100)
    a, b = np.maximum(k - d / 2, on) - on, np.maximum(k + d / 2, on) - on
    lit = b - a if math.isinf(tau) else tau * (np.exp(-a / tau) - np.exp(-b / tau))
    grey = 60 + drift * k + A * lit / d + noise * rng.standard_normal(100)
    return np.minimum(grey, 255), (d if known else None)


def light_film(
    rng, n=600, drift=0.03, rate=100.0, duty=0.5, d=0.8, noise=1.0, gaps=0, shape="", known=True
):
    """A blinking light in a film of 1000 frames/s whose speed drifts, and the frames' times."""
    x = np.linspace(-0.5, n - 0.5, 20 * n + 1)
    s = x / n
    swing = drift / 2 * np.sin(2 * np.pi * (1.3 * s + rng.random()))
    speed = 1 + (swing if shape else drift * (s - 0.5))
    clock = np.concatenate([[0], np.cumsum(2e-3 / (speed[1:] + speed[:-1]) * np.diff(x))])
    clock += rng.random() / rate

    def lit(t):
        whole = np.floor(t * rate)
        return whole * duty / rate + np.minimum(t - whole / rate, duty / rate)

    k = np.arange(n)
    a, b = np.interp(k - d / 2, x, clock), np.interp(k + d / 2, x, clock)
    grey = 50 + 100 * (lit(b) - lit(a)) / (b - a)
    for start in rng.integers(0, n, gaps):
        grey[start : start + 20] = 50
    return grey + noise * rng.standard_normal(n), np.interp(k, x, clock), (d if known else None)


def main():
    """Both tables."""
    for name, kind in FLASHES.items():
        errors, z = [], []
        for seed in range(400):
            rng = np.random.default_rng(seed)
            on = 40 + rng.random()
            grey, duty = flash_film(rng, on, **kind)
            found = onset(grey, white=255, duty=duty)
            errors.append(found.frame - on)
            z.append(errors[-1] / found.u)
        print(f"flash, {name:24s} {rms(errors):.4f} frame  error/u {rms(z):.2f}")
    for name, kind in LIGHTS.items():
        errors, z, begin = [], [], time.perf_counter()
        for seed in range(40):
            rng = np.random.default_rng(seed)
            grey, times, duty = light_film(rng, **kind)
            light = TimingLightSignal(grey, kind.get("rate", 100.0), kind.get("duty", 0.5))
            found = frame_map(light, nominal=1000, duty_exposure=duty)
            assert not isinstance(found, Diagnostic), found
            k = np.arange(len(grey), dtype=float)
            seconds = found.clock.seconds(k)
            error = (seconds - seconds[200]) - (times - times[200])
            u = found.clock.u_between(k, 200)
            errors.append(rms(error) * 1000)
            z.append(rms(error[u > 0] / u[u > 0]))
        each = (time.perf_counter() - begin) / 40
        print(f"light, {name:24s} {rms(errors):.4f} frame  error/u {rms(z):.2f}  {each:.3f} s")


def rms(values):
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))


if __name__ == "__main__":
    main()
