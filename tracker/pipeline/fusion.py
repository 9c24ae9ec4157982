"""Film and accelerometers together: which channels may join, and as what evidence.

A channel joins unless the cross-check found it faulty. Clipped and lost samples are left out, and
the film and the model bridge them; a film's gaps are bridged by the channels.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from calibration.arrays import Array
from tracker.accelerometers import Accelerometer, condition
from tracker.core.types import Progress
from tracker.crosscheck import ChannelTolerance, CrossCheck
from tracker.motion import AccelerometerEvidence, Solution, add_accelerometers
from tracker.pipeline.instruments import SAMPLE_FAULTS
from tracker.pipeline.options import FUSION


def join_accelerometers(
    solution: Solution,
    blocks: Sequence[Accelerometer],
    checks: Mapping[str, Sequence[CrossCheck]],
    progress: Progress | None = None,
) -> Solution | None:
    """The joint solution of the films and of every channel that may join; None where none may.

    `checks` holds, by vehicle, the cross-check of each of its blocks, in the blocks' order.
    """
    evidence = []
    for vehicle, own in checks.items():
        of_vehicle = [b for b in blocks if b.vehicle == vehicle]
        for block, check in zip(of_vehicle, own, strict=True):
            found = evidence_of(block, joining_channels(check))
            if found is not None:
                evidence.append(found)
    if not evidence:
        return None
    joint = add_accelerometers(solution, evidence, progress)
    return joint if joint.setup.sensors else None


def joined_vehicles(joint: Solution) -> list[str]:
    """Vehicles of which a channel joined the films."""
    return sorted({channel.vehicle for channel in joint.channels})


def joining_channels(check: CrossCheck) -> tuple[str, ...]:
    """The channels that the film has nothing against; none if it can't vouch for the longitudinal
    one, without which no channel of a block is used.
    """
    if "ax" not in check.channels or check.channels["ax"].verdict == "undetermined":
        return ()
    able = []
    for name, one in check.channels.items():
        lost = bool(one.findings) and all(f.kind in SAMPLE_FAULTS for f in one.findings)
        if one.verdict != "disagree" or (lost and one.choice is not None):
            able.append(name)
    return tuple(able) if "ax" in able else ()


def evidence_of(block: Accelerometer, channels: Sequence[str]) -> AccelerometerEvidence | None:
    """Means over `FUSION.width` of the sound samples of these channels, less the offset before time
    zero; None where there are none.
    """
    known, sound = condition(block), ChannelTolerance()
    step = max(1, round(FUSION.width / block.interval))
    zero = int(np.argmin(np.abs(block.time)))
    first = zero % step
    rows = np.arange(first, first + (len(block.time) - first) // step * step).reshape(-1, step)
    time = block.time[rows].mean(axis=1)
    inside = (time > FUSION.earliest) & (time < FUSION.latest)
    rows, time = rows[inside], time[inside]
    values: dict[str, Array] = {}
    noise: dict[str, float] = {}
    offset_u: dict[str, float] = {}
    for name in channels:
        if name not in block.channels:
            continue
        linear = name in ("ax", "ay", "az")
        values[name] = (_unclipped_values(block, name) - known.offset[name])[rows].mean(axis=1)
        own = known.noise[name] / np.sqrt(step)
        least = FUSION.least_acceleration_sd if linear else FUSION.least_rate_sd
        noise[name] = float(np.hypot(least, np.nan_to_num(own)))
        later = sound.offset if linear else sound.rate_offset
        if np.isfinite(known.offset_u[name]):
            offset_u[name] = float(np.hypot(known.offset_u[name], later))
    if not values or not len(time):
        return None
    x, y, z = (float(v) for v in block.at)
    return AccelerometerEvidence(
        vehicle=block.vehicle,
        at=(x, y, z),
        seconds=time,
        width=step * block.interval,
        values=values,
        noise=noise,
        scale_u=sound.scale,
        offset_u=offset_u,
        transverse_u=sound.transverse,
        vibration={
            n: sound.vibration if n in ("ax", "ay", "az") else sound.rate_vibration for n in values
        },
        vibration_time=sound.vibration_time,
    )


def _unclipped_values(block: Accelerometer, name: str) -> Array:
    """A channel (n,) with its clipped samples NaN."""
    values = block.channels[name].copy()
    for finding in block.findings:
        if finding.channel == name and finding.kind == "saturation":
            values[np.abs(values) >= FUSION.clipped_share * abs(finding.estimate)] = np.nan
    return values
