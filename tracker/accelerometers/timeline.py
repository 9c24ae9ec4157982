"""From rows with time stamps to samples at equal steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from calibration.errors import RECORD, RecordError
from tracker.accelerometers.options import ACCELEROMETERS


@dataclass(frozen=True)
class Timeline:
    """Equal time steps and which rows of the file they were made from."""

    time: Array  # (n,) s, equal steps
    stamps: Array  # (m,) s, the file's, increasing
    rows: NDArray[np.intp]  # (m,) rows kept
    gaps: tuple[tuple[float, float], ...]  # (from, to) s without samples
    findings: tuple[str, ...]

    @property
    def interval(self) -> float:
        """Step, s."""
        return float(self.time[1] - self.time[0])

    def resample(self, column: Array) -> Array:
        """A column of the file (rows,) at the equal steps (n,); NaN in gaps and stays NaN."""
        values = column[self.rows]
        if len(values) == len(self.time) and np.allclose(
            self.stamps, self.time, rtol=0.0, atol=ACCELEROMETERS.jitter * self.interval
        ):
            even = values.copy()
        else:
            known = np.isfinite(values)
            if known.sum() < 2:
                return np.full(len(self.time), np.nan)
            even = np.interp(self.time, self.stamps[known], values[known])
            near = np.clip(np.searchsorted(self.stamps, self.time), 1, len(self.stamps) - 1)
            even[~(known[near] | known[near - 1])] = np.nan
        for start, end in self.gaps:
            even[(self.time > start) & (self.time < end)] = np.nan
        return np.asarray(even)


def make_timeline(stamps: Array, where: str) -> Timeline:
    """Equal steps from a column of time stamps (rows,), s.

    Rows without a time, or whose time doesn't advance, are left out if they are few; stamps
    that were rounded to fewer digits than the step are spread evenly.

    Raises
    ------
    Problem : fewer than 20 usable rows, or time runs backwards in more than 2 % of them.
    """
    findings: list[str] = []
    rows = np.flatnonzero(np.isfinite(stamps))
    if len(rows) < len(stamps):
        findings.append(f"{len(stamps) - len(rows)} rows without a time were left out")
    if len(rows) < ACCELEROMETERS.least_samples:
        raise RecordError(
            f"only {len(rows)} rows have a time",
            where=where,
            remedy="check the time column and its unit",
            status=RECORD,
        )
    advancing = stamps[rows]
    if _is_rounded(advancing):
        findings.append("the time stamps were rounded to more than a step and were spread evenly")
        time = np.linspace(advancing[0], advancing[-1], len(advancing))
        return Timeline(time, time, rows, (), tuple(findings))
    advancing_mask = np.r_[True, advancing[1:] > np.maximum.accumulate(advancing)[:-1]]
    if (~advancing_mask).sum() > ACCELEROMETERS.few * len(advancing):
        first = int(np.flatnonzero(~advancing_mask)[0])
        raise RecordError(
            f"time runs backwards or stands still in {(~advancing_mask).sum()} of"
            f" {len(advancing)} rows,"
            f" first at {advancing[first]:.6g} s",
            where=where,
            remedy="give one run of the record, in order",
            status=RECORD,
        )
    if not advancing_mask.all():
        findings.append(f"{(~advancing_mask).sum()} rows whose time does not advance were left out")
    rows, advancing = rows[advancing_mask], advancing[advancing_mask]
    interval = float(np.median(np.diff(advancing)))
    steps = (advancing[-1] - advancing[0]) / interval
    if not steps <= ACCELEROMETERS.sparse * len(advancing):
        k = int(np.argmax(np.diff(advancing)))
        raise RecordError(
            f"time jumps from {advancing[k]:.6g} s to {advancing[k + 1]:.6g} s",
            where=where,
            remedy="give one run of the record, and check the unit of its time",
            status=RECORD,
        )
    count = round(steps)
    interval = (advancing[-1] - advancing[0]) / count
    time = advancing[0] + interval * np.arange(count + 1)
    wide = np.flatnonzero(np.diff(advancing) > ACCELEROMETERS.gap * interval)
    gaps = tuple((float(advancing[k]), float(advancing[k + 1])) for k in wide)
    if gaps:
        longest = max(gaps, key=lambda gap: gap[1] - gap[0])
        findings.append(
            f"{len(gaps)} gaps in time, the longest from {longest[0]:.6g} s to {longest[1]:.6g} s"
        )
    elif len(time) != len(advancing) or not np.allclose(
        advancing, time, rtol=0.0, atol=ACCELEROMETERS.jitter * interval
    ):
        findings.append("the time steps are uneven: the channels were resampled to equal steps")
    return Timeline(time, advancing, rows, gaps, tuple(findings))


def _is_rounded(stamps: Array) -> bool:
    """True where equal stamps repeat so evenly that rounding alone explains them."""
    steps = np.diff(stamps)
    equal = (steps == 0).mean()
    if (steps < 0).any() or equal < ACCELEROMETERS.rounded_share or stamps[-1] <= stamps[0]:
        return False
    even = np.linspace(stamps[0], stamps[-1], len(stamps))
    return bool(np.abs(stamps - even).max() <= ACCELEROMETERS.rounded_step * steps.max())
