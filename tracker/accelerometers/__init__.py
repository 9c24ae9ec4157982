"""Accelerometers: their files, their filter classes, their faults, their place on the vehicle."""

from tracker.accelerometers.accelerometer import (
    Accelerometer,
    judge_channels,
    read_accelerometer,
    read_accelerometers,
)
from tracker.accelerometers.cfc import cfc_coefficients, cfc_filter
from tracker.accelerometers.conditioning import Conditioned, condition
from tracker.accelerometers.faults import ChannelFault
from tracker.core.lever_arm import cg_acceleration, sensor_reading, to_cg
from tracker.core.vehicle_kinematics import body_rates, gravity_reading

__all__ = [
    "Accelerometer",
    "ChannelFault",
    "Conditioned",
    "body_rates",
    "cfc_coefficients",
    "cfc_filter",
    "cg_acceleration",
    "condition",
    "gravity_reading",
    "judge_channels",
    "read_accelerometer",
    "read_accelerometers",
    "sensor_reading",
    "to_cg",
]
