"""Where the iteration stands: values of the unknowns and everything that they rest on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.motion.model import prior
from tracker.motion.model.accelerometer_model import SensorResidual
from tracker.motion.model.mark_noise import Noise
from tracker.motion.model.residuals import Linearization
from tracker.motion.model.unknowns import Setup


@dataclass(frozen=True)
class Iterate:
    """Values of all unknowns, the model and the weights under which they are judged, and how they
    fit. Residuals are those at `values` (`linearization.evaluate`).
    """

    setup: Setup
    values: Array  # (count,)
    jerk_densities: tuple[Array, ...]  # (stretches, 6) a body, unit^2/s^5
    weights: tuple[Array, ...]  # (frames, marks) a camera, variance factor included
    noise: tuple[Noise, ...]  # a camera
    inlier_masks: tuple[NDArray[np.bool_], ...]  # (frames, marks) a camera
    fixed_mask: NDArray[np.bool_]  # (count,) unknowns that keep their prior mean
    softness: tuple[Array, ...] = ()  # (frames, marks) a camera, factor on variances; empty: 1
    linearizations: tuple[Linearization, ...] = ()  # a camera
    sensor_residuals: tuple[SensorResidual, ...] = ()  # a sensor
    objective: float = np.inf  # twice the negative log posterior, up to a constant

    @cached_property
    def sd(self) -> Array:
        """Prior sds (count,) of the unknowns."""
        return prior.prior_sds(self.setup, self.jerk_densities)

    @property
    def standardized_values(self) -> Array:
        """Values less prior mean in prior sds (count,); 0 where the prior sd is 0."""
        away = self.values - self.setup.prior_mean()
        return np.asarray(np.divide(away, self.sd, out=np.zeros_like(away), where=self.sd > 0))
