"""Cameras of unknown time zero, brought to the others' time by the common motion."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from calibration.arrays import Array
from calibration.errors import MotionError
from tracker.core.rigid_body import rotate_vectors
from tracker.motion.initial.poses import Poses
from tracker.motion.model.unknowns import CameraData
from tracker.motion.options import CLOCKS, START


def align_clocks(
    cameras: tuple[CameraData, ...],
    fixed: tuple[CameraData, ...],
    vehicles: list[str],
    starts: Mapping[str, Poses],
    lever_arms: Mapping[str, Array],
) -> tuple[CameraData, ...]:
    """All cameras with a time offset. A camera of unknown zero gets the one at which its marks
    agree best with the start poses that the others gave.

    Parameters
    ----------
    fixed : the cameras whose zero is known; one of any zero where none is.
    vehicles : names, in the order of `CameraData.body`.
    starts : start poses (n, 6) by vehicle, ground axes, m and rad, on the fixed cameras' clock.
    lever_arms : (markers, 3) by vehicle, from the cg, vehicle axes, m.

    Raises Problem where a camera of unknown zero saw no vehicle that another camera saw.
    """
    names = {cam.name for cam in fixed}
    out = []
    for cam in cameras:
        if cam.name in names:
            out.append(next(f for f in fixed if f.name == cam.name))
        else:
            zero, step = _offset(cam, vehicles, starts, lever_arms)
            out.append(
                replace(cam, zero=zero, zero_u=max(CLOCKS.aligned_u, CLOCKS.aligned_u_steps * step))
            )
    return tuple(out)


def _offset(
    cam: CameraData,
    vehicles: list[str],
    starts: Mapping[str, Poses],
    lever_arms: Mapping[str, Array],
) -> tuple[float, float]:
    """The best offset and the step of the scan, s."""
    common = [b for b in np.unique(cam.body) if vehicles[int(b)] in starts]
    if not common:
        raise MotionError(
            "this camera's time zero is not known, and it saw no vehicle that another camera saw",
            where=f"cameras.{cam.name}.time",
            remedy="give its time zero as a frame number or a flash region",
        )
    first = min(starts[vehicles[int(b)]].time[0] for b in common)
    last = max(starts[vehicles[int(b)]].time[-1] for b in common)
    low, high = first - cam.seconds[-1], last - cam.seconds[0]
    step = max((high - low) / CLOCKS.scan_steps, CLOCKS.scan_step_least)
    offsets = np.arange(low, high, step)
    rows = np.unique(np.linspace(0, len(cam.seconds) - 1, CLOCKS.scan_frames).astype(int))
    total, used = np.zeros(len(offsets)), np.zeros(len(offsets))
    for b in common:
        start, places = starts[vehicles[int(b)]], lever_arms[vehicles[int(b)]]
        for column in np.flatnonzero(cam.body == b):
            lever_arm = places[cam.marker[column]]
            on = rows[cam.measured_mask[rows, column]]
            if not np.isfinite(lever_arm).all() or not len(on):
                continue
            time = (cam.seconds[on] + offsets[:, None]).ravel()
            inside = (time >= start.time[0]) & (time <= start.time[-1])
            pose = np.stack([np.interp(time, start.time, p) for p in start.pose.T], axis=1)
            rotated_arm, _ = rotate_vectors(pose[:, 3:], np.broadcast_to(lever_arm, (len(pose), 3)))
            seen = cam.camera.project(pose[:, :3] + rotated_arm)
            off = np.tile(cam.place[on, column], (len(offsets), 1)) - seen
            cost = np.log1p(np.sum(off**2, axis=1) / START.tolerance_px**2)
            fine = inside & np.isfinite(cost)
            total += np.where(fine, cost, 0.0).reshape(len(offsets), -1).sum(axis=1)
            used += fine.reshape(len(offsets), -1).sum(axis=1)
    # an offset must be judged by a fair share of what could be compared
    score = np.where(used >= CLOCKS.least_share * used.max(), total / np.maximum(used, 1), np.inf)
    return float(offsets[np.argmin(score)]), float(step)
