"""The filters and moving means behind the figures, in words."""

from __future__ import annotations

from tracker.outcome.occupant_risk import RIDEDOWN_WINDOW
from tracker.outcome.severity_index import ASI_WINDOW

_MS = 1e3

PROCESSING = (
    "Motion from film is not filtered: it is a spline whose stiffness the films themselves decide, "
    "and its acceleration is the spline's second derivative.",
    "Accelerometer channels: offset before time zero taken off, then the two-pass filter of SAE "
    "J211-1 of the class that stands with each block (CFC 180, or the highest that its sample rate "
    "allows).",
    "Occupant impact velocity: integrated from that, no further mean.",
    f"Ridedown and PHD: moving means over {RIDEDOWN_WINDOW * _MS:.0f} ms, centred at the "
    "occupant's impact or later.",
    f"ASI and the largest means: over {ASI_WINDOW * _MS:.0f} ms; the second value of ASI by a "
    "two-pass Butterworth filter of 13 Hz.",
)
