"""Accelerometers: their files, their filter classes, their faults, their place on the vehicle."""

from tracker.signals.accelerometer import Accelerometer, judge_channels, read_accelerometer
from tracker.signals.attitude import GRAVITY, body_rates, gravity_reading, vehicle_to_ground
from tracker.signals.cfc import cfc_coefficients, cfc_filter
from tracker.signals.conditioning import Conditioned, condition
from tracker.signals.faults import Finding
from tracker.signals.transfer import cg_acceleration, sensor_reading, to_cg

__all__ = [
    "GRAVITY",
    "Accelerometer",
    "Conditioned",
    "Finding",
    "body_rates",
    "cfc_coefficients",
    "cfc_filter",
    "cg_acceleration",
    "condition",
    "gravity_reading",
    "judge_channels",
    "read_accelerometer",
    "sensor_reading",
    "to_cg",
    "vehicle_to_ground",
]
