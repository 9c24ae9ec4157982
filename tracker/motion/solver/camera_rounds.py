"""Rounds in which cameras that contradict each other are given more room."""

from __future__ import annotations

from tracker.core.types import Progress
from tracker.motion.robust import camera_agreement
from tracker.motion.robust.options import ROBUST
from tracker.motion.solver.dense_step import DenseStep
from tracker.motion.solver.iterate import Iterate
from tracker.motion.solver.iterations import first_round, second_round


def settle_cameras(
    iterate: Iterate, step: DenseStep, contact: float, report_progress: Progress
) -> tuple[Iterate, DenseStep, dict[int, float]]:
    """The solution in which no camera leaves its calibration further than that allows, and the
    factors by which standard uncertainties of calibrations were raised for it, by camera.
    """
    widened: dict[int, float] = {}
    factors = camera_agreement.suspected_cameras(iterate)
    if factors:
        # noise that was raised hides what cameras that far apart say
        wide = camera_agreement.with_wider_cameras(iterate, factors)
        tried = first_round(wide.setup, wide.values, wide.jerk_densities, report_progress)
        tried, other = second_round(tried, contact, report_progress)
        left = camera_agreement.scatter(tried).max() / camera_agreement.scatter(iterate).max()
        if left < ROBUST.disagree_explained:
            widened = camera_agreement.needed_factors(tried, other.covariance_root, factors)
            iterate, step = _with_factors(tried, factors, widened, contact, report_progress)
    for _ in range(ROBUST.disagree_rounds):
        wider = camera_agreement.widen_cameras(iterate, step.covariance_root, widened)
        if wider == widened:
            break
        del step  # makes room for the next
        iterate, step = _with_factors(iterate, widened, wider, contact, report_progress)
        widened = wider
    return iterate, step, widened


def _with_factors(
    iterate: Iterate,
    old: dict[int, float],
    new: dict[int, float],
    contact: float,
    report_progress: Progress,
) -> tuple[Iterate, DenseStep]:
    """Solved again with the factors `new` in place of `old`."""
    change = {k: factor / old.get(k, 1.0) for k, factor in new.items()}
    wider = camera_agreement.with_wider_cameras(iterate, change)
    return second_round(wider, contact, report_progress)
