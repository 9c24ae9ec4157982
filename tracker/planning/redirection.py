"""Plausible motions against a roadside article: along a rail, and through a breakaway pole.

A rail takes the speed towards it away and gives a little of it back, rubs meanwhile, and turns the
vehicle about parallel to itself. A pole that breaks away takes little speed. (Common practice, no
source: redirections last about 0.3 s and leave at a quarter of the angle of impact or less.)
"""

from __future__ import annotations

import numpy as np

from calibration.arrays import Array
from tracker.core.rigid_body import rotate_vectors
from tracker.outcome.traffic_face import TrafficFace
from tracker.planning.options import PLANNED_MOTION
from tracker.record.schema import PlannedRecord, Vehicle


def along_rail(record: PlannedRecord, vehicle: Vehicle, time: Array) -> Array:
    """States (n, 15) at evenly spaced times (n,) of a vehicle that a rail redirects: the foremost
    corner on the rail's side touches the face at ground x along it 0.
    """
    intended, article = record.test.intended, record.article
    if article is None or article.traffic_face is None or not intended.speed:
        raise ValueError("a redirection needs a speed and an article with a traffic face")
    angle = intended.angle or 0.0
    towards = angle - article.heading
    side = np.sign(towards) or 1.0
    if article.side is not None:
        side = 1.0 if article.side == "right" else -1.0
    face = TrafficFace(article.heading, article.traffic_face, float(side))
    share = _smooth(time / PLANNED_MOTION.rail_lasts)
    change = 1 + PLANNED_MOTION.rail_rebound  # of the speed towards the rail, over that speed
    lateral = intended.speed * np.sin(abs(towards)) * (1 - change * share)
    lost = PLANNED_MOTION.rail_rubbing * change * intended.speed * np.sin(abs(towards)) * share
    along = intended.speed * np.cos(towards) - lost
    velocity = along[:, None] * face.direction + lateral[:, None] * face.inward
    yaw = angle - change * towards * share
    return _states(time, velocity, yaw, _at_face(vehicle, face, angle))


def through_pole(speed: float, angle: float, start: Array, time: Array) -> Array:
    """States (n, 15) of a vehicle that shears a pole off; its cg is at `start` (3,) at contact."""
    rate = speed - PLANNED_MOTION.pole_takes * _smooth(time / PLANNED_MOTION.pole_lasts)
    velocity = rate[:, None] * np.array([np.cos(angle), np.sin(angle)])
    return _states(time, velocity, np.full(len(time), angle), start)


def _states(time: Array, velocity: Array, yaw: Array, start: Array) -> Array:
    step = float(time[1] - time[0])
    state = np.zeros((len(time), 15))
    way = np.cumsum(velocity, axis=0) * step
    at_contact = np.array([np.interp(0.0, time, column) for column in way.T])
    state[:, :3] = start
    state[:, :2] += way - at_contact
    state[:, 5] = yaw
    state[:, 6:8] = velocity
    state[:, 11] = np.gradient(yaw, step)
    state[:, 12:14] = np.gradient(velocity, step, axis=0)
    return state


def _at_face(vehicle: Vehicle, face: TrafficFace, angle: float) -> Array:
    """Where the cg is (3,) when the vehicle touches the face, as stated or by its outline."""
    cg = np.array(vehicle.cg)
    heading = np.array([[0.0, 0.0, angle]])
    if vehicle.at_contact is not None:
        return np.asarray(np.array(vehicle.at_contact) + rotate_vectors(heading, cg[None])[0][0])
    outline = vehicle.outline
    half = 0.0 if outline is None else outline.width / 2
    front = cg[0] if outline is None else outline.front
    corner = np.array([front, half * face.side, cg[2]])
    lever_arm = rotate_vectors(heading, (corner - cg)[None])[0][0]
    return np.array([*(face.place(0.0, 0.0) - lever_arm[:2]), cg[2]])


def _smooth(share: Array) -> Array:
    inside = np.clip(share, 0.0, 1.0)
    return np.asarray(inside - np.sin(2 * np.pi * inside) / (2 * np.pi))
