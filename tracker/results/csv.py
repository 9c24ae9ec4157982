"""Motion, tracks and points as CSV: SI units, 12 significant digits, empty where undetermined."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from calibration.arrays import Array
from tracker.core.types import STATE, Motion, Status, Tracks
from tracker.results.after_contact import ArticlePath
from tracker.results.balances import ForceCrush
from tracker.results.schema import PointPath

POINT_STATE = ("x_m", "y_m", "z_m", "vx_mps", "vy_mps", "vz_mps")


def number(value: float) -> str:
    """A number with at most 12 significant digits; empty for NaN and infinity."""
    return f"{value:.12g}" if math.isfinite(value) else ""


def motion_csv(motion: Motion) -> str:
    """The cg's motion: time, the columns `STATE`, then the standard uncertainty of each."""
    header = ["time_s", *STATE, *(f"u_{name}" for name in STATE)]
    state = np.where(motion.observed_mask, motion.state, np.nan)
    u = np.where(motion.observed_mask, motion.u, np.nan)
    return _text(header, _rows(np.column_stack([motion.time, state, u])))


def tracks_csv(tracks: Tracks, time: Array | None) -> str:
    """One row a mark and frame; `time` (frames,) s."""
    header = ["frame", "time_s", "mark", "u_px", "v_px", "var_uu", "var_uv", "var_vv", "status"]
    return _text(header, _sightings(tracks, time))


def points_csv(paths: Mapping[str, PointPath]) -> str:
    """One row a point and time: position, velocity, then the standard uncertainty of each."""
    header = ["time_s", "point", *POINT_STATE, *(f"u_{name}" for name in POINT_STATE)]

    def rows() -> Iterator[list[str]]:
        for name, path in paths.items():
            table = np.column_stack(
                [path.time, path.position, path.velocity, path.position_u, path.velocity_u]
            )
            for first, *rest in _rows(table):
                yield [first, _cell(name), *rest]

    return _text(header, rows())


def article_csv(paths: Mapping[str, ArticlePath]) -> str:
    """One row a mark of the article and time: position, then the standard uncertainty of each."""
    names = ("x_m", "y_m", "z_m")
    header = ["time_s", "point", *names, *(f"u_{name}" for name in names)]

    def rows() -> Iterator[list[str]]:
        for name, path in paths.items():
            for first, *rest in _rows(np.column_stack([path.time, path.position, path.u])):
                yield [first, _cell(name), *rest]

    return _text(header, rows())


def force_crush_csv(curve: ForceCrush) -> str:
    """Force and energy against closing, with the standard uncertainty of each."""
    return columns_csv(
        {
            "closing_m": curve.closing,
            "force_N": curve.force,
            "u_force_N": curve.force_u,
            "energy_J": curve.energy,
            "u_energy_J": curve.energy_u,
        }
    )


def columns_csv(columns: Mapping[str, Array]) -> str:
    """A table of columns of one length."""
    names = [_cell(name) for name in columns]
    return _text(names, _rows(np.column_stack(list(columns.values()))))


def _sightings(tracks: Tracks, time: Array | None) -> Iterator[list[str]]:
    frames = len(tracks.position)
    seconds = [""] * frames if time is None else [number(t) for t in time]
    seen = tracks.measured_mask
    for frame in range(frames):
        for i, mark in enumerate(tracks.marks):
            status = Status(int(tracks.status[frame, i])).name.lower()
            values = [""] * 5
            if seen[frame, i]:
                u, v = tracks.position[frame, i]
                (uu, uv), (_, vv) = tracks.covariance[frame, i]
                values = [number(x) for x in (u, v, uu, uv, vv)]
            yield [str(frame), seconds[frame], _cell(mark), *values, status]


def _rows(table: Array) -> Iterator[list[str]]:
    for row in table.tolist():
        yield [number(value) for value in row]


def _text(header: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [",".join(header)]
    lines += [",".join(row) for row in rows]
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if set(text) & set(',"\r\n') else text
