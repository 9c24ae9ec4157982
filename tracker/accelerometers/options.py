"""Numbers that steer how accelerometer records are read, zeroed and checked."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option

_TRADE = "common practice, no source"


@dataclass(frozen=True)
class AccelerometerOptions:
    """Time steps, offset before time zero, faults that a channel shows by itself, aliasing."""

    slowest: float = option(
        0.02, "s", (1e-3, 0.05), "records with longer steps are read: an impact lasts a few", _TRADE
    )
    needed: float = option(
        0.10, "s", (0.03, 0.3), "a channel must last longer to be used for occupant risk", _TRADE
    )
    guard: float = option(
        0.002, "s", (0.0, 0.02), "time zero may be later without spoiling the offset", _TRADE
    )
    least_quiet: float = option(
        0.010, "s", (0.005, 0.1), "an offset needs a longer record before time zero", _TRADE
    )
    blocks: int = option(
        8, "1", (4, 40), "an offset's u is found from more, shorter means: less of drift is in it"
    )
    dead_time: float = option(
        0.005, "s", (0.001, 0.05), "a noisy channel may stand still for longer", _TRADE
    )
    dead_end_time: float = option(
        0.020,
        "s",
        (0.001, 0.1),
        "the same at a record's end, where shifted ones are padded",
        _TRADE,
    )
    bridged: float = option(
        0.001, "s", (0.0, 0.005), "longer stretches of missing samples are interpolated", _TRADE
    )
    clip_samples: int = option(
        3, "1", (2, 20), "a flat top must be longer to count as clipped", _TRADE
    )
    clipped_share: float = option(
        0.999, "1", (0.99, 1.0), "samples nearer to full scale count as clipped", _TRADE
    )
    clip_u: float = option(0.001, "1", (1e-4, 0.01), "the level of clipping is less known", _TRADE)
    least_samples: int = option(
        20, "1", (5, 200), "files, noise and dead channels need more samples", _TRADE
    )
    noisy_share: float = option(
        0.3, "1", (0.05, 0.9), "more samples must differ from the one before: a channel with noise"
    )
    rounded_share: float = option(
        0.2, "1", (0.05, 0.9), "more time stamps must be equal to count as rounded", _TRADE
    )
    rounded_step: float = option(
        1.01, "1", (1.0, 1.5), "rounded stamps may lie farther off even ones, in steps", _TRADE
    )
    few: float = option(
        0.02, "1", (0.0, 0.2), "more rows may be left out before a file is refused", _TRADE
    )
    jitter: float = option(
        0.05, "1", (0.0, 0.3), "time stamps may be less even, in steps, without resampling", _TRADE
    )
    gap: float = option(1.5, "1", (1.1, 5.0), "a gap is longer, in steps", _TRADE)
    sparse: float = option(
        10.0, "1", (2.0, 100.0), "a record may have more gaps: steps for each row", _TRADE
    )
    most_numbers: int = option(
        10_000_000,
        "1",
        (10**6, 10**8),
        "an HDF5 file may hold more in the datasets that a record names, together",
        "100 kHz for 12 s in 8 channels; a file of a few bytes can promise any number",
    )
    alias_span: float = option(
        0.15, "s", (0.05, 0.5), "aliasing is looked for longer after time zero", _TRADE
    )
    alias_quiet: float = option(
        0.02, "s", (0.005, 0.1), "noise is found from a longer record before time zero", _TRADE
    )
    alias_band: float = option(
        300.0, "Hz", (100.0, 2000.0), "more is passed: CFC 180 does up to 300 Hz", "SAE J211-1"
    )
    alias_edge: float = option(
        0.8, "1", (0.5, 0.95), "the band where a recorder passes nothing begins nearer to half rate"
    )
    alias_stop: float = option(
        -30.0, "dB", (-80.0, -10.0), "more may pass there", "SAE J211-1, as quoted publicly"
    )
    alias_noise: float = option(
        4.0, "1", (1.5, 20.0), "more of the density at the edge counts as noise", _TRADE
    )
    clip_steps: float = option(
        3.0, "step", (1.0, 20.0), "a flat top must stand farther out of the samples about it"
    )


ACCELEROMETERS = AccelerometerOptions()
"""The values in use."""


@dataclass(frozen=True)
class ChannelOnsetOptions:
    """How contact is found in a longitudinal channel."""

    before: float = option(0.02, "s", (5e-3, 0.1), "more samples before contact are compared")
    after: float = option(5e-3, "s", (2e-3, 0.02), "more samples after contact are compared")
    interval: float = option(
        1e-3, "s", (5e-4, 1e-2), "the slope bends more rarely; ringing passes for bends"
    )
    step_u: float = option(100.0, "m/s2", (10, 1e3), "step of the acceleration: harder", _TRADE)
    slope_u: float = option(1.5e4, "m/s3", (1e3, 1e5), "its slope then: steeper", _TRADE)
    bend_u: float = option(1.5e4, "m/s3", (1e3, 1e5), "bends of the slope: sharper", _TRADE)
    reach: float = option(8e-3, "s", (2e-3, 0.03), "contact may be farther from where film has it")
    moments: int = option(41, "1", (21, 500), "times that are tried at once: finer, slower")
    rounds: int = option(4, "1", (1, 8), "the scan closes in more often")
    fine_from: float = option(3.0, "1", (1, 10), "steps of the scan from which on u is fine enough")
    fine_reach: float = option(5.0, "u", (3, 10), "reach of the finer scan")
    least_samples: int = option(30, "1", (10, 500), "more samples about contact are needed")
    least_u: float = option(
        1.5e-4,
        "s",
        (0.0, 1e-3),
        "an onset is less sure: the blow takes some time to the sensor",
        "2 m of steel at 5 km/s, as a rectangle",
    )


CHANNEL_ONSET = ChannelOnsetOptions()
