"""A corrected record beside the original, with the corrections stated in it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from calibration.arrays import Array
from calibration.errors import RECORD, ResultsError
from tracker.accelerometers.accelerometer import Accelerometer
from tracker.accelerometers.conditioning import zero_offset
from tracker.accelerometers.faults import ChannelFault
from tracker.storage.plain_files import write_new

MENDABLE = ("scale", "offset", "polarity", "time_shift", "axis_swap")
"""Faults whose correction is known; clipping and dropouts lost what no correction brings back."""


def correct(
    accelerometer: Accelerometer, findings: Sequence[ChannelFault]
) -> tuple[dict[str, Array], tuple[str, ...]]:
    """Channels (n,) with what the findings say is wrong undone, and a sentence for each step.

    Exchanged channels are put back first, with their polarity; then each channel's delay, offset
    and scale are taken out in that order: reading(t) = gain true(t - delay) + offset. What lies
    beyond the record's ends after a shift is NaN.
    """
    channels = {name: values.copy() for name, values in accelerometer.as_read.items()}
    steps: list[str] = []
    swapped = [f for f in findings if f.kind == "axis_swap"]
    if len(swapped) == 2:
        a, b = swapped
        channels[b.channel], channels[a.channel] = (
            np.sign(a.estimate) * accelerometer.as_read[a.channel],
            np.sign(b.estimate) * accelerometer.as_read[b.channel],
        )
        steps.append(f"{a.channel} and {b.channel} were exchanged back")
    for name in channels:
        own = {f.kind: f for f in findings if f.channel == name and f.kind in MENDABLE}
        values = channels[name]
        if (late := own.get("time_shift")) is not None:
            values = np.interp(
                accelerometer.time + late.estimate,
                accelerometer.time,
                values,
                left=np.nan,
                right=np.nan,
            )
            steps.append(
                f"{name} was moved by {-late.estimate * 1e3:.2f} ms (u {late.u * 1e3:.2f})"
            )
        if (offset := own.get("offset")) is not None:
            before, _ = zero_offset(accelerometer.time, values)
            values = values - np.where(accelerometer.time < 0.0, before, offset.estimate)
            steps.append(
                f"{before:.4g} {offset.unit} before time zero and {offset.estimate:.4g} after it"
                f" were taken off {name} (u {offset.u:.2g})"
            )
        if (scale := own.get("scale")) is not None:
            values = values / scale.estimate
            steps.append(f"{name} was divided by {scale.estimate:.4f} (u {scale.u:.4f})")
        if "polarity" in own:
            values = -values
            steps.append(f"the sign of {name} was turned")
        channels[name] = values
    return channels, tuple(steps)


def write_corrected(
    path: Path, accelerometer: Accelerometer, findings: Sequence[ChannelFault]
) -> tuple[str, ...]:
    """Write the corrected channels as CSV in SI and return the corrections.

    The corrections stand in the lines before the header, so that the file says what it is.

    Raises
    ------
    Problem : something is at `path` already; an original is never written over.
    """
    channels, steps = correct(accelerometer, findings)
    names = list(channels)
    units = ["rad/s" if name.endswith("_rate") else "m/s2" for name in names]
    lines = [f"corrected from {accelerometer.file}"]
    lines += [f"correction: {step}" for step in steps or ("none",)]
    lines.append(",".join(["time", *names]))
    lines.append(",".join(["s", *units]))
    columns = np.column_stack([accelerometer.time, *channels.values()])
    lines += [",".join("" if np.isnan(v) else f"{v:.9g}" for v in row) for row in columns]
    try:
        write_new(path, "\n".join(lines) + "\n")
    except FileExistsError:
        raise ResultsError(
            "a file is there already, and a record is never written over",
            where=str(path),
            remedy="rename or remove that file",
            status=RECORD,
        ) from None
    except OSError as error:
        raise ResultsError(
            f"the file can't be written ({error.strerror})",
            where=str(path),
            remedy="choose a folder that can be written to",
            status=RECORD,
        ) from None
    return steps
