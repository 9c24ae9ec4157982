"""ISO/TS 13499 folders: header file, channel index, channel files, read and written.

Layout and labels are as seen in public writers and readers of the format; the edition of the
standard was not at hand. A label is padded to 28 characters, then a colon; an unknown value is
NOVALUE; a label that starts with a full stop is the laboratory's own.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from calibration.arrays import Array
from calibration.errors import RECORD, RecordError
from tracker.accelerometers.text_table import text_lines
from tracker.core.units import brief
from tracker.storage.plain_files import write_text

Header = tuple[tuple[str, str], ...]
"""Labels and their values in file order; a value of several lines holds line feeds."""

_LABEL_WIDTH = 28
CRLF = "\r\n"
_NOVALUE = "NOVALUE"
_CODE_FIELDS = (1, 1, 4, 2, 2, 2, 2, 1, 1)
_STEP = "Sampling interval"
_FIRST = "Time of first sample"
_COUNT = "Number of samples"
FOLDER_LIMIT = 2**30
"""Most bytes of channel files that are read."""


@dataclass(frozen=True)
class ChannelCode:
    """The sixteen characters that say what a channel measured and where."""

    test_object: str
    position: str
    main_location: str
    fine_location: tuple[str, str, str]
    dimension: str
    direction: str
    filter_class: str

    def __str__(self) -> str:
        return (
            self.test_object
            + self.position
            + self.main_location
            + "".join(self.fine_location)
            + self.dimension
            + self.direction
            + self.filter_class
        )


def parse_code(code: str) -> ChannelCode:
    """The fields of a channel code.

    Raises
    ------
    ValueError : it hasn't sixteen characters.
    """
    if len(code) != 16:
        raise ValueError(f"a channel code has 16 characters, {code!r} has {len(code)}")
    ends = np.cumsum(_CODE_FIELDS)
    parts = [code[end - width : end] for end, width in zip(ends, _CODE_FIELDS, strict=True)]
    return ChannelCode(parts[0], parts[1], parts[2], (parts[3], parts[4], parts[5]), *parts[6:])


@dataclass(frozen=True)
class IsoChannel:
    """One channel file."""

    code: str
    time: Array  # (n,) s
    values: Array  # (n,) in the header's unit; NaN where the file says NOVALUE
    unit: str | None
    header: Header
    notes: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """The free name of the channel; empty if there is none."""
        return header_value(self.header, "Name of the channel") or ""


@dataclass(frozen=True)
class IsoTest:
    """A test folder."""

    name: str
    header: Header  # of the .mme file
    index: Header  # of the .chn file
    channels: tuple[IsoChannel, ...]
    notes: tuple[str, ...] = field(default=())

    def channel(self, name: str, where: str) -> IsoChannel:
        """The channel with this code, or else this name.

        Raises
        ------
        Problem : there is none.
        """
        for channel in self.channels:
            if name.strip().casefold() in (channel.code.casefold(), channel.name.casefold()):
                return channel
        near = difflib.get_close_matches(name, [c.code for c in self.channels], n=1, cutoff=0.3)
        raise RecordError(
            f"there is no channel {brief(name)}",
            where=where,
            remedy=f"did you mean {brief(near[0])}?"
            if near
            else "give a channel code of the folder",
            status=RECORD,
        )


def header_value(header: Header, label: str) -> str | None:
    """The value of a label (capitals ignored); None where it is absent or NOVALUE."""
    for key, value in header:
        if key.casefold() == label.casefold():
            return None if value.strip().upper() in ("", _NOVALUE) else value
    return None


def read_folder(path: Path) -> IsoTest:
    """The test in a folder (or at its .mme file).

    Raises
    ------
    Problem : there is no header file or no channel, or a channel file can't be understood.
    """
    folder = path if path.is_dir() else path.parent
    try:
        places = [folder, *(p for p in sorted(folder.iterdir()) if p.name.casefold() == "channel")]
        there = [file for place in places for file in sorted(place.iterdir()) if file.is_file()]
        files = [p for p in there if len(p.suffix) > 1 and p.suffix[1:].isdecimal()]
        size = sum(file.stat().st_size for file in files)
    except OSError as error:
        raise RecordError(
            f"the folder can't be read ({error.strerror})",
            where=str(folder),
            remedy="check its name and your permission to read it",
            status=RECORD,
        ) from None
    if size > FOLDER_LIMIT:
        raise RecordError(
            f"the channel files hold more than {FOLDER_LIMIT >> 20} MiB",
            where=str(folder),
            remedy="export the channels that are needed alone",
            status=RECORD,
        )
    heads = [path] if path.is_file() else [p for p in there if p.suffix.casefold() == ".mme"]
    if not files:
        raise RecordError(
            "there are no channel files (.001, .002, ...)",
            where=str(folder),
            remedy="name the test folder, which holds the folder Channel",
            status=RECORD,
        )
    notes = () if heads else ("the folder has no .mme header file",)
    header, _ = _read_header(text_lines(heads[0])) if heads else ((), 0)
    lists = [file for file in there if file.suffix.casefold() == ".chn"]
    index, _ = _read_header(text_lines(lists[0])) if lists else ((), 0)
    return IsoTest(
        heads[0].stem if heads else folder.name,
        header,
        index,
        _with_axes([(_read_channel(file), file) for file in files]),
        notes,
    )


def write_folder(test: IsoTest, folder: Path) -> None:
    """Write a test folder; its header files are written as the value holds them.

    Raises
    ------
    Problem : something is there already.
    """
    if folder.exists():
        raise RecordError(
            "something is there already",
            where=str(folder),
            remedy="name a new folder",
            status=RECORD,
        )
    channel_folder = folder / "Channel"
    channel_folder.mkdir(parents=True)
    write_text(folder / f"{test.name}.mme", _header_text(test.header), CRLF)
    index = test.index or make_index(test.channels)
    write_text(channel_folder / f"{test.name}.chn", _header_text(index), CRLF)
    for number, channel in enumerate(test.channels, start=1):
        samples = "".join(
            f"{value:.17g}\n" if np.isfinite(value) else f"{_NOVALUE}\n" for value in channel.values
        )
        place = channel_folder / f"{test.name}.{number:03d}"
        write_text(place, _header_text(channel.header) + samples, CRLF)


def make_index(channels: Sequence[IsoChannel]) -> Header:
    """The channel index that lists these channels."""
    rows = [
        (f"Name of channel {k:03d}", f"{channel.code} / {channel.name or _NOVALUE}")
        for k, channel in enumerate(channels, start=1)
    ]
    return (("Number of channels", str(len(channels))), *rows)


def make_channel(
    code: str,
    time: Array,
    values: Array,
    unit: str,
    extra: Mapping[str, str] | None = None,
) -> IsoChannel:
    """A channel (n,) with the header that its samples need; times at equal steps.

    `extra` adds or replaces labels.
    """
    parsed = parse_code(code)
    highest, lowest = int(np.nanargmax(values)), int(np.nanargmin(values))
    step = (time[-1] - time[0]) / (len(time) - 1)
    labels = {
        "Channel code": code,
        "Reference channel": "implicit",
        "Test object number": parsed.test_object,
        _STEP: f"{step:.12g}",
        "Unit": unit,
        _FIRST: f"{time[0]:.12g}",
        _COUNT: str(len(values)),
        "First global maximum value": f"{values[highest]:.17g}",
        "Time of maximum value": f"{time[highest]:.12g}",
        "First global minimum value": f"{values[lowest]:.17g}",
        "Time of minimum value": f"{time[lowest]:.12g}",
        "Dimension": parsed.dimension,
        "Direction": parsed.direction,
    }
    labels.update(extra or {})
    return IsoChannel(code, time, values, unit, tuple(labels.items()))


def _header_text(header: Header) -> str:
    lines = []
    for label, value in header:
        first, *more = (value if value else _NOVALUE).split("\n")
        lines.append(f"{label:<{_LABEL_WIDTH}}:{first}\n")
        lines.extend(f"{'':<{_LABEL_WIDTH}}:{line}\n" for line in more)
    return "".join(lines)


def _read_header(lines: list[str]) -> tuple[Header, int]:
    """Labels and values, and the number of lines up to the first that has no colon."""
    header: list[tuple[str, str]] = []
    for number, line in enumerate(lines):
        if not line.strip():
            continue
        label, colon, value = line.partition(":")
        if not colon:
            return tuple(header), number
        if label.strip():
            header.append((label.strip(), value.strip()))
        elif header:
            header[-1] = (header[-1][0], f"{header[-1][1]}\n{value.strip()}")
    return tuple(header), len(lines)


def _read_channel(path: Path) -> IsoChannel:
    lines = text_lines(path)
    header, start = _read_header(lines)
    values, bad = _samples(lines[start:])
    explicit = _is_explicit(header)
    step = _number(header, _STEP, path, absent=np.nan if explicit else None)
    first = np.nan if explicit else _number(header, _FIRST, path, absent=0.0)
    notes = []
    code = header_value(header, "Channel code") or path.stem
    stated = _number(header, _COUNT, path, absent=float(len(values)))
    if stated != len(values):
        notes.append(
            f"{path.name}: the header states {stated:g} samples, the file holds {len(values)}"
        )
    if bad:
        notes.append(f"{path.name}: {bad} samples are no numbers")
    if len(values) < 2:
        raise RecordError(
            "the channel has no samples", where=str(path), remedy="export it again", status=RECORD
        )
    with np.errstate(over="ignore", invalid="ignore"):  # an absurd step gives no time at all
        time: Array = first + step * np.arange(len(values), dtype=float)
    unit = header_value(header, "Unit")
    return IsoChannel(code.strip(), time, values, unit, header, tuple(notes))


def _is_explicit(header: Header) -> bool:
    """Whether the time axis is in another channel."""
    return (header_value(header, "Reference channel") or "implicit").casefold() == "explicit"


def _with_axes(read: list[tuple[IsoChannel, Path]]) -> tuple[IsoChannel, ...]:
    """The channels, those whose time axis is another channel's values with these."""
    whole = []
    for channel, path in read:
        if not _is_explicit(channel.header):
            whole.append(channel)
            continue
        name = (header_value(channel.header, "Reference channel name") or "").casefold()
        axis = next(
            (c for c, _ in read if name and name in (c.code.casefold(), c.name.casefold())), None
        )
        whole.append(replace(channel, time=_seconds(axis, channel, path)))
    return tuple(whole)


def _seconds(axis: IsoChannel | None, channel: IsoChannel, path: Path) -> Array:
    """The values of a time channel, s."""
    factor = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6}.get((axis and axis.unit) or "s")
    if axis is None or factor is None or len(axis.values) != len(channel.values):
        raise RecordError(
            "its time axis is another channel (reference channel is explicit) that is not there, "
            "has other samples, or no unit of time",
            where=str(path),
            remedy="export both channels again, or give the channel as CSV with a time column",
            status=RECORD,
        )
    return np.asarray(axis.values * factor)


def _samples(lines: list[str]) -> tuple[Array, int]:
    values, bad = [], 0
    for line in lines:
        text = line.strip()
        if not text:
            continue
        try:
            values.append(float(text.replace(",", ".")))
        except ValueError:
            bad += text.upper() != _NOVALUE
            values.append(np.nan)
    found = np.array(values, dtype=float)
    found[~np.isfinite(found)] = np.nan
    return found, bad


def _number(header: Header, label: str, path: Path, absent: float | None = None) -> float:
    text = header_value(header, label)
    if text is None:
        if absent is not None:
            return absent
        raise RecordError(
            f'the header has no "{label}"',
            where=str(path),
            remedy="add it to the channel's header",
            status=RECORD,
        )
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise RecordError(
            f'"{label}" is no number ({brief(text)})',
            where=str(path),
            remedy="correct the channel's header",
            status=RECORD,
        ) from None
