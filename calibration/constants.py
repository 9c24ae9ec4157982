"""Constants of nature and of mathematics that several rooms need, once."""

from __future__ import annotations

GRAVITY = 9.80665
"""m/s2, standard acceleration of free fall. Source: 3rd CGPM (1901), also ISO 80000-3."""
NORMAL_MEDIAN = 0.6745
"""Median of the absolute value of a standard normal variable."""
MAD_TO_SD = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation: 1 / 0.67449."""
