"""Cameras whose time zero is not known are brought to the others' time by the common motion."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from calibration.errors import MotionError
from tracker.core.rigid_body import turned
from tracker.motion.initial.poses import TOLERANCE_PX, Poses
from tracker.motion.model.unknowns import Eye

ALIGNED_U = 0.02
"""What is left open of a clock after the coarse alignment, s."""


def on_one_clock(
    eyes: tuple[Eye, ...],
    fixed: tuple[Eye, ...],
    vehicles: list[str],
    starts: Mapping[str, Poses],
    arms: Mapping[str, Array],
) -> tuple[Eye, ...]:
    """All eyes with a time offset; those of unknown zero get the one at which what they saw agrees
    best with the start poses that the others gave. Where all zeros are unknown, the first eye's
    clock is everyone's.

    Raises Problem where an eye of unknown zero saw no vehicle that another camera saw.
    """
    names = {e.name for e in fixed}
    out = []
    for e in eyes:
        if e.name in names:
            out.append(next(f for f in fixed if f.name == e.name))
        else:
            zero, step = _offset(e, vehicles, starts, arms)
            out.append(replace(e, zero=zero, zero_u=max(ALIGNED_U, 5 * step)))
    return tuple(out)


def _offset(
    e: Eye, vehicles: list[str], starts: Mapping[str, Poses], arms: Mapping[str, Array]
) -> tuple[float, float]:
    """The best offset and the step of the scan, s."""
    common = [b for b in np.unique(e.body) if vehicles[int(b)] in starts]
    if not common:
        raise MotionError(
            "this camera's time zero is not known, and it saw no vehicle that another camera saw",
            where=f"cameras.{e.name}.time",
            remedy="give its time zero as a frame number or a flash region",
        )
    first = min(starts[vehicles[int(b)]].time[0] for b in common)
    last = max(starts[vehicles[int(b)]].time[-1] for b in common)
    low, high = first - e.seconds[-1], last - e.seconds[0]
    step = max((high - low) / 1500, 5e-4)
    offsets = np.arange(low, high, step)
    rows = np.unique(np.linspace(0, len(e.seconds) - 1, 25).astype(int))
    total, used = np.zeros(len(offsets)), np.zeros(len(offsets))
    for b in common:
        start, places = starts[vehicles[int(b)]], arms[vehicles[int(b)]]
        for column in np.flatnonzero(e.body == b):
            arm = places[e.marker[column]]
            on = rows[e.measured[rows, column]]
            if not np.isfinite(arm).all() or not len(on):
                continue
            time = (e.seconds[on] + offsets[:, None]).ravel()
            inside = (time >= start.time[0]) & (time <= start.time[-1])
            pose = np.stack([np.interp(time, start.time, p) for p in start.pose.T], axis=1)
            turned_arm, _ = turned(pose[:, 3:], np.broadcast_to(arm, (len(pose), 3)))
            seen = e.camera.project(pose[:, :3] + turned_arm)
            off = np.tile(e.place[on, column], (len(offsets), 1)) - seen
            cost = np.log1p(np.sum(off**2, axis=1) / TOLERANCE_PX**2)
            fine = inside & np.isfinite(cost)
            total += np.where(fine, cost, 0.0).reshape(len(offsets), -1).sum(axis=1)
            used += fine.reshape(len(offsets), -1).sum(axis=1)
    # an offset must be judged by a fair share of what could be compared
    score = np.where(used >= 0.3 * used.max(), total / np.maximum(used, 1), np.inf)
    return float(offsets[np.argmin(score)]), float(step)
