"""Whether the accelerometers can be believed: the film against every channel."""

from tracker.crosscheck.check import Agreement, ChannelCheck, CrossCheck, combine, cross_check
from tracker.crosscheck.predicted_channels import predict_channel
from tracker.crosscheck.residuals import ChannelTolerance

__all__ = [
    "Agreement",
    "ChannelCheck",
    "ChannelTolerance",
    "CrossCheck",
    "combine",
    "cross_check",
    "predict_channel",
]
