"""Corrected accelerometer files beside the originals, from what the cross-check found."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from calibration.errors import FILM, ResultsError
from tracker.accelerometers import ChannelFault, read_accelerometer
from tracker.accelerometers.corrected_file import MENDABLE, write_corrected
from tracker.pipeline.verify import changed_inputs
from tracker.record.input_digests import digests
from tracker.record.schema import AccelerometerEntry, Record
from tracker.results.schema import Results

SUFFIX = "-corrected.csv"


@dataclass(frozen=True)
class Corrected:
    """A corrected file, what was done, and the entry that makes a record read it."""

    path: Path
    steps: tuple[str, ...]
    entry: str


def write_corrections(record: Record, results: Results) -> tuple[Corrected, ...]:
    """Write `<name>-corrected.csv` beside each accelerometer file with faults that can be undone.

    Raises
    ------
    Problem : a file has changed since the analysis, or a corrected one is there already (an
        original, or anything else, is never written over).
    """
    chosen = list(_faulty(record, results))
    if chosen:
        now = digests(record)
        names = {name for table, _ in chosen for name in table.files}
        before = {n: d for n, d in results.software.inputs.items() if n in names}
        changed = changed_inputs(before, {n: now[n] for n in names})
        if changed:
            raise ResultsError(
                f"changed since the analysis: {', '.join(changed)}",
                where=str(record.path),
                remedy="analyse the test again",
                status=FILM,
            )
    return tuple(_write(record, table, findings) for table, findings in chosen)


def _faulty(
    record: Record, results: Results
) -> Iterator[tuple[AccelerometerEntry, tuple[ChannelFault, ...]]]:
    """Each sensor block that has findings which can be undone."""
    for table in record.accelerometers:
        check = results.cross_check.get(table.vehicle)
        alone = sum(t.vehicle == table.vehicle for t in record.accelerometers) == 1
        start = "" if alone else f"{table.files[0]} "
        found = tuple(
            ChannelFault(f.channel[len(start) :], f.kind, f.estimate, f.u, f.unit, f.text)
            for f in (check.findings if check else ())
            if f.kind in MENDABLE
            and f.channel.startswith(start)
            and f.estimate is not None
            and f.u is not None
        )
        if found:
            yield table, found


def _write(
    record: Record, table: AccelerometerEntry, findings: tuple[ChannelFault, ...]
) -> Corrected:
    name = PurePosixPath(table.files[0])
    new = name.with_name(name.stem + SUFFIX)
    steps = write_corrected(record.folder / new, read_accelerometer(table, record.folder), findings)
    channels = ", ".join(
        f'{c} = {{ column = "{c}", unit = "{"rad/s" if c.endswith("_rate") else "m/s^2"}" }}'
        for c in table.channels
    )
    entry = f'file = "{new}"\ntime = {{ column = "time", unit = "s" }}\nchannels = {{ {channels} }}'
    return Corrected(record.folder / new, steps, entry)
