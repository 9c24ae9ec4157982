"""Errors that a survey makes in all of its coordinates: scale, datum, vehicle axes, cg.

No film shows them. A tape that is long by a share makes the whole site larger, a datum that is
turned turns it, and the marks fit as before; likewise vehicle axes turned against the vehicle,
and a cg that is elsewhere. So they are no unknowns of the solution: they move its motions, exactly,
by the transformations below, and widen their uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from calibration.arrays import Array
from tracker.core.rigid_body import rotate_vectors, rotation

COMMON_SOURCES = ("scale", "datum", "axes", "cg")
"""Sources of uncertainty that are common errors of a survey."""
_LEAST_COSINE = 0.05
"""Of pitch: nearer to 90 degrees yaw and roll are not distinguished."""


@dataclass(frozen=True)
class SurveyErrors:
    """Standard uncertainties of what a survey errs by in all coordinates."""

    scale_u: float = 0.0  # relative, of the tape or instrument
    datum_u: float = 0.0  # rad, of the direction of ground x
    axes_u: float = 0.0  # rad, of the vehicle axes about each of themselves
    cg_u: float = 0.0  # m, of each coordinate of the cg

    def u(self, source: str) -> Array:
        """Sds (8,) in the order of `transform_motions`'s `errors`, 0 for those of other sources."""
        own = {"scale": [0], "datum": [1], "axes": [2, 3, 4], "cg": [5, 6, 7]}[source]
        out = np.zeros(8)
        out[own] = getattr(self, f"{source}_u")
        return out

    @property
    def all_u(self) -> Array:
        """Sds (8,) in the order of `transform_motions`'s `errors`."""
        return np.asarray(sum(self.u(source) for source in COMMON_SOURCES))


NO_SURVEY_ERRORS = SurveyErrors()


def transform_motions(state: Array, angular: Array, errors: Array) -> Array:
    """Motions as they are if the survey errs.

    Parameters
    ----------
    state : (..., n, 15), columns `STATE`, ground axes.
    angular : (..., n, 3) second derivatives of roll, pitch, yaw, rad/s2.
    errors : (..., 8) scale (relative), datum (rad), turn of the vehicle about its own x, y, z
        (rad), shift of the cg in vehicle axes (m); of first order.
    """
    errors = np.asarray(errors, dtype=float)[..., None, :]
    shape = np.broadcast_shapes(state.shape, (*errors.shape[:-1], 15))
    out = np.broadcast_to(state, shape).copy()
    if errors[..., 5:].any():
        _move_cg(out, angular, errors[..., 5:])
    if errors[..., 2:5].any():
        _turn_vehicle(out, errors[..., 2:5])
    scale, datum = errors[..., 0], errors[..., 1]
    c, s = np.cos(datum), np.sin(datum)
    for k in (0, 6, 12):
        x, y = out[..., k].copy(), out[..., k + 1].copy()
        out[..., k], out[..., k + 1] = c * x - s * y, s * x + c * y
        out[..., k : k + 3] *= 1 + scale[..., None]
    out[..., 5] += datum
    return out


def true_lever_arms(lever_arm: Array, errors: Array) -> Array:
    """Where a surveyed point is from the true cg in the vehicle's true axes (..., 3), m, if the
    survey errs: `lever_arm` (3,) is that by the survey, `errors` (..., 8) as in
    `transform_motions`. Point and marks are surveyed in the same axes, so that neither their turn
    nor a cg stated elsewhere moves the point over the ground.
    """
    turn, shift = errors[..., 2:5], errors[..., 5:]
    turned = Rotation.from_rotvec(turn.reshape(-1, 3)).inv()
    return np.asarray(turned.apply((lever_arm - shift).reshape(-1, 3)).reshape(shift.shape))


def _move_cg(state: Array, angular: Array, shift: Array) -> None:
    """Motion of the point at `shift` (..., 3) from the cg, in place of the cg's."""
    lever_arm, by_angles = rotate_vectors(
        state[..., 3:6], np.broadcast_to(shift, (*state.shape[:-1], 3))
    )
    yaw, rates = state[..., 5], state[..., 9:12]
    zero, one = np.zeros_like(yaw), np.ones_like(yaw)
    roll_axis = rotation(state[..., 3:6])[..., :, 0]
    pitch_axis = np.stack([-np.sin(yaw), np.cos(yaw), zero], axis=-1)
    yaw_axis = np.stack([zero, zero, one], axis=-1)
    beyond_roll = rates[..., 1:2] * pitch_axis + rates[..., 2:] * yaw_axis
    omega = rates[..., :1] * roll_axis + beyond_roll
    change = rates[..., :1] * np.cross(beyond_roll, roll_axis)
    change += rates[..., 1:2] * np.cross(rates[..., 2:] * yaw_axis, pitch_axis)
    centripetal = np.cross(omega, np.cross(omega, lever_arm))
    state[..., :3] += lever_arm
    state[..., 6:9] += (by_angles @ rates[..., None])[..., 0]
    state[..., 12:] += (by_angles @ angular[..., None])[..., 0] + np.cross(change, lever_arm)
    state[..., 12:] += centripetal


def _turn_vehicle(state: Array, turn: Array) -> None:
    """Attitude of axes that are turned against the vehicle's by `turn` (..., 3) about themselves.

    Euler rates from body rates: Diebel 2006, "Representing Attitude", sequence (3, 2, 1).
    """
    roll, pitch = state[..., 3].copy(), state[..., 4].copy()
    roll_rate, pitch_rate = state[..., 9].copy(), state[..., 10].copy()
    about_x, about_y, about_z = np.moveaxis(turn, -1, 0)
    sr, cr, sp, cp = np.sin(roll), np.cos(roll), np.sin(pitch), np.cos(pitch)
    cp = np.where(np.abs(cp) < _LEAST_COSINE, np.copysign(_LEAST_COSINE, cp), cp)
    along = (about_y * sr + about_z * cr) / cp
    along_rate = roll_rate * (about_y * cr - about_z * sr) / cp + along * pitch_rate * sp / cp
    state[..., 3] += about_x + along * sp
    state[..., 4] += about_y * cr - about_z * sr
    state[..., 5] += along
    state[..., 9] += along_rate * sp + along * cp * pitch_rate
    state[..., 10] -= roll_rate * (about_y * sr + about_z * cr)
    state[..., 11] += along_rate
