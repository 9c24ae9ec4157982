"""An accelerometer's file as channels in SI at equal time steps, with what is wrong with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from calibration.camera import Array
from calibration.problem import RECORD, Problem
from tracker.signals.faults import Finding, bridge, find_dropout, find_saturation
from tracker.signals.source import read_source
from tracker.signals.timeline import Timeline, make_timeline
from tracker.signals.units import si_factor

NEEDED_AFTER_ZERO = 0.10  # s a channel must last for occupant risk to be told from it


class ColumnSpec(Protocol):
    """Which column of the file, and its unit as a text that Pint reads."""

    @property
    def column(self) -> str: ...  # noqa: D102

    @property
    def unit(self) -> str: ...  # noqa: D102


class AccelerometerSpec(Protocol):
    """One `[[accelerometers]]` table of a record."""

    @property
    def vehicle(self) -> str: ...  # noqa: D102

    @property
    def at(self) -> tuple[float, ...]: ...  # noqa: D102

    @property
    def file(self) -> str: ...  # noqa: D102

    @property
    def time(self) -> ColumnSpec: ...  # noqa: D102

    @property
    def channels(self) -> Mapping[str, ColumnSpec]: ...  # noqa: D102

    @property
    def full_scale(self) -> float | None: ...  # noqa: D102


@dataclass(frozen=True)
class Accelerometer:
    """What one sensor block recorded, unfiltered, in vehicle axes.

    Channels are m/s^2 (`ax`, `ay`, `az`) and rad/s (`roll_rate`, `pitch_rate`, `yaw_rate`).
    """

    vehicle: str
    at: Array  # (3,) m, vehicle axes
    time: Array  # (n,) s, equal steps
    channels: dict[str, Array]  # (n,) usable over `good_until`
    dropped: dict[str, str]  # channel -> why it can't be used
    as_read: dict[str, Array]  # (n,) every channel, NaN where the file has nothing
    good_until: dict[str, float]  # s
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]  # what was mended in the file, as sentences
    file: str

    @property
    def interval(self) -> float:
        """Step, s."""
        return float(self.time[1] - self.time[0])


def read_accelerometer(spec: AccelerometerSpec, folder: Path) -> Accelerometer:
    """The accelerometer that a record's table describes; its file lies in `folder`.

    Raises
    ------
    Problem : the file or a column is missing, its time can't be used, or no channel has numbers.
    """
    path = Path(folder) / spec.file
    names = {spec.time.column, *(channel.column for channel in spec.channels.values())}
    source = read_source(path, spec.time.column, sorted(names - {spec.time.column}))
    stamps = source.values[spec.time.column]
    if not source.si_time:
        stamps = stamps * si_factor(spec.time.unit, "time", f"{spec.file}: time")
    timeline = make_timeline(stamps, str(path))
    notes = [*source.notes, *timeline.findings]
    read: dict[str, Array] = {}
    for name, channel in spec.channels.items():
        factor = si_factor(channel.unit, _kind(name), f"{spec.file}: {name}")
        column, filled = bridge(
            timeline.time, timeline.resample(source.values[channel.column]) * factor
        )
        if filled:
            notes.append(f"{filled} missing samples of {name} were interpolated")
        read[name] = column
    if not any(np.isfinite(column).any() for column in read.values()):
        raise Problem(
            "no channel holds numbers",
            where=str(path),
            remedy="check the column names and the decimal sign",
            status=RECORD,
        )
    return judge_channels(
        spec.vehicle,
        np.asarray(spec.at, dtype=float),
        timeline.time,
        read,
        spec.full_scale,
        file=spec.file,
        notes=tuple(notes),
    )


def judge_channels(
    vehicle: str,
    at: Array,
    time: Array,
    read: Mapping[str, Array],
    full_scale: float | None,
    *,
    file: str = "",
    notes: tuple[str, ...] = (),
) -> Accelerometer:
    """Channels (n,) in SI with those left out that died before 0.1 s after time zero.

    `full_scale` (m/s^2) is that of the accelerations; angular rates are judged without one.
    """
    usable: dict[str, Array] = {}
    dropped: dict[str, str] = {}
    good_until: dict[str, float] = {}
    findings: list[Finding] = []
    for name, values in read.items():
        lost, until = find_dropout(name, time, values, NEEDED_AFTER_ZERO)
        good_until[name] = until
        if lost is not None:
            findings.append(lost)
        clipped = (
            find_saturation(name, time, values, full_scale) if name in ("ax", "ay", "az") else None
        )
        if clipped is not None:
            findings.append(clipped)
        if lost is not None and until < NEEDED_AFTER_ZERO:
            dropped[name] = lost.text
        else:
            usable[name] = np.where(time <= until, values, np.nan)
    return Accelerometer(
        vehicle,
        np.asarray(at, dtype=float),
        time,
        usable,
        dropped,
        dict(read),
        good_until,
        tuple(findings),
        notes,
        file,
    )


def _kind(channel: str) -> str:
    return "angular rate" if channel.endswith("_rate") else "acceleration"


__all__ = [
    "Accelerometer",
    "AccelerometerSpec",
    "ColumnSpec",
    "Timeline",
    "judge_channels",
    "read_accelerometer",
]
