"""Whether the accelerometers can be believed: the film against every channel."""

from tracker.crosscheck.check import Agreement, ChannelCheck, CrossCheck, combine, cross_check
from tracker.crosscheck.evidence import Tolerance
from tracker.crosscheck.predicted import predict_channel

__all__ = [
    "Agreement",
    "ChannelCheck",
    "CrossCheck",
    "Tolerance",
    "combine",
    "cross_check",
    "predict_channel",
]
