"""An accelerometer's file as channels in SI at equal time steps, with what is wrong with them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.arrays import Array
from calibration.errors import RECORD, RecordError
from tracker.accelerometers.aliasing import alias_note
from tracker.accelerometers.faults import ChannelFault, bridge, find_dropout, find_saturation
from tracker.accelerometers.file_formats import read_source
from tracker.accelerometers.options import ACCELEROMETERS
from tracker.accelerometers.timeline import make_timeline
from tracker.core.units import UnitError, si_factor
from tracker.record.schema import CHANNELS, AccelerometerEntry, Channel


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
    findings: tuple[ChannelFault, ...]
    notes: tuple[str, ...]  # what was mended in the file, as sentences
    file: str
    name: str = "1"
    primary: bool = False  # chosen in the record as the one that judges the vehicle

    @property
    def interval(self) -> float:
        """Step, s."""
        return float(self.time[1] - self.time[0])


def read_accelerometers(tables: Sequence[AccelerometerEntry], folder: Path) -> list[Accelerometer]:
    """Every accelerometer of a record, with their names: by default their numbers, from 1."""
    return [
        replace(read_accelerometer(table, folder), name=table.name or str(number))
        for number, table in enumerate(tables, start=1)
    ]


def read_accelerometer(table: AccelerometerEntry, folder: Path) -> Accelerometer:
    """The accelerometer that a record's table describes; its files lie in `folder`.

    Channels of several files are brought to the time steps of the first channel's file.

    Raises
    ------
    Problem : the file or a column is missing, its time can't be used, or no channel has numbers.
    """
    read: dict[str, Array] = {}
    notes: list[str] = []
    time: Array | None = None
    for file in table.files:
        own = {n: c for n, c in table.channels.items() if (c.file or table.file) == file}
        steps, columns, remarks = _read_file(table, own, Path(folder) / file)
        notes += remarks
        if time is None:
            time = steps
        elif len(steps) != len(time) or not np.allclose(steps, time, rtol=0.0, atol=1e-9):
            columns = {n: _at_steps(time, steps, values) for n, values in columns.items()}
            notes.append(f"{', '.join(columns)} were brought to the time steps of {table.files[0]}")
        read |= columns
    where = str(Path(folder) / table.files[0])
    if not any(np.isfinite(column).any() for column in read.values()):
        raise RecordError(
            "no channel holds numbers",
            where=where,
            remedy="check the column names and the decimal sign",
            status=RECORD,
        )
    block = judge_channels(
        table.vehicle,
        np.asarray(table.at, dtype=float),
        np.asarray(time),
        {name: read[name] for name in table.channels},
        table.full_scale,
        file=table.files[0],
        notes=tuple(notes),
    )
    return replace(block, name=table.name or "1", primary=table.primary)


def _read_file(
    table: AccelerometerEntry, channels: Mapping[str, Channel], path: Path
) -> tuple[Array, dict[str, Array], list[str]]:
    """Equal time steps (n,), s, of one file, its channels (n,) in SI, and what was mended."""
    time = table.time.column if table.time is not None else None
    source = read_source(path, time, sorted({c.column for c in channels.values()}))
    stamps = source.time if table.time is None else source.time * table.time.si
    timeline = make_timeline(stamps, str(path))
    if timeline.interval > ACCELEROMETERS.slowest:
        raise RecordError(
            f"it has a sample every {timeline.interval:.4g} s, too few to show an impact",
            where=str(path),
            remedy="check the unit of its time",
            status=RECORD,
        )
    notes = [*source.notes, *timeline.findings]
    read: dict[str, Array] = {}
    for name, channel in channels.items():
        stated = source.units.get(channel.column)
        factor = _factor(name, channel, stated, str(path))
        if stated is not None and channel.unit is not None and _is_different(stated, channel, name):
            notes.append(
                f"{name}: the file states {stated}, the record {channel.unit}; the record counts"
            )
        column, filled = bridge(
            timeline.time, timeline.resample(source.values[channel.column]) * factor
        )
        if filled:
            notes.append(f"{filled} missing samples of {name} were interpolated")
        read[name] = column
        if (folded := alias_note(name, timeline.time, column)) is not None:
            notes.append(folded)
    return timeline.time, read, notes


def _at_steps(time: Array, steps: Array, values: Array) -> Array:
    """Values (m,) at other time steps (n,), straight between samples, NaN outside."""
    return np.interp(time, steps, values, np.nan, np.nan)


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
    findings: list[ChannelFault] = []
    for name, values in read.items():
        lost, until = find_dropout(name, time, values, ACCELEROMETERS.needed)
        good_until[name] = until
        if lost is not None:
            findings.append(lost)
        clipped = (
            find_saturation(name, time, values, full_scale) if name in ("ax", "ay", "az") else None
        )
        if clipped is not None:
            findings.append(clipped)
        if lost is not None and until < ACCELEROMETERS.needed:
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


_SPELLINGS = {"m/(s*s)": "m/s^2", "m/s/s": "m/s^2", "m/s²": "m/s^2", "g": "g_0", "G": "g_0"}
"""Units of acceleration as channel files write them; a g alone can't be a mass there."""


def _factor(name: str, channel: Channel, stated: str | None, where: str) -> float:
    """SI value of one of the column's units, from the record or else from the file."""
    known = None if stated is None else _SPELLINGS.get(stated, stated)
    if channel.si is not None:
        return channel.si * channel.polarity
    if known is None:
        raise RecordError(
            f"neither the record nor the file states the unit of {name}",
            where=where,
            remedy="add its unit to the record",
            status=RECORD,
        )
    try:
        return si_factor(known, CHANNELS[name]) * channel.polarity
    except UnitError as error:
        raise RecordError(error.what, where=where, remedy=error.remedy, status=RECORD) from None


def _is_different(stated: str, channel: Channel, name: str) -> bool:
    """True where the file's own unit is known and is another than the record's."""
    try:
        factor = si_factor(_SPELLINGS.get(stated, stated), CHANNELS[name])
    except UnitError:
        return False
    return not np.isclose(factor, channel.si or factor)
