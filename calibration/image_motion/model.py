"""The motion of the picture from fixed targets: the adjustment behind `stabilise_picture`.

A two-level model: the motion of each frame is drawn from a normal distribution of mean zero whose
standard deviations are estimated by marginal likelihood (empirical Bayes), the targets scatter
about their displaced reference places with their own covariances.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.optimize import minimize

from calibration.arrays import Array
from calibration.image_motion.options import IMAGE_MOTION

Mask = NDArray[np.bool_]

_START = np.array([1.0, 1.0, 1e-3, 1e-3])  # px, px, rad, -
_SMALLEST = np.array([1e-4, 1e-4, 1e-7, 1e-7])  # px, px, rad, -: amplitudes lie
_LARGEST = np.array([500.0, 500.0, 0.5, 0.5])  # between these


@dataclass(frozen=True)
class Weave:
    """Motion of the picture, the targets' places at rest, and how well they fit."""

    motion: Array  # (n, 4)
    covariance: Array  # (n, 4, 4)
    reference: Array  # (t, 2)
    reference_covariance: Array  # (t, 2, 2)
    amplitude: Array  # (4,)
    residuals: Array  # (n, t, 2) px, NaN where unseen
    noise: float  # factor on the targets' stated standard uncertainties, at least 1
    score: float  # minus twice the log marginal likelihood at the stated noise, but for a constant
    reduced: ReducedNormals


def fit_weave(position: Array, covariance: Array, centre: Array) -> Weave:
    """The motion from target positions (n, t, 2), NaN where hidden, and covariances
    (n, t, 2, 2).
    """
    visible: Mask = np.asarray(
        np.isfinite(position).all(axis=2) & np.isfinite(covariance).all(axis=(2, 3))
    )
    weight = np.zeros_like(covariance)
    weight[visible] = np.linalg.inv(covariance[visible])
    total = weight.sum(axis=0)
    ever: Mask = np.asarray(visible.any(axis=0))
    placed = np.where(visible[..., None], position, 0.0)
    reference = np.full((position.shape[1], 2), np.nan)
    mean = np.einsum("ntij,ntj->ti", weight, placed)
    reference[ever] = np.linalg.solve(total[ever], mean[ever][..., None])[..., 0]
    fit = _adjust(placed, visible, weight, centre, reference, _START, 1.0)
    if fit.noise > 1:
        score = fit.score
        fit = _adjust(
            placed,
            visible,
            weight / fit.noise**2,
            centre,
            fit.reference,
            np.maximum(fit.amplitude, _SMALLEST),
            fit.noise,
        )
        fit = replace(fit, score=score)
    return fit


def _adjust(
    placed: Array,
    visible: Mask,
    weight: Array,
    centre: Array,
    reference: Array,
    amplitude: Array,
    noise: float,
) -> Weave:
    """The fit from a start, with weights in which the `noise` factor is contained."""
    ever: Mask = np.asarray(visible.any(axis=0))
    shown = visible[..., None]
    motion = np.zeros((len(placed), 4))
    for _ in range(IMAGE_MOTION.rounds):
        place = np.where(ever[:, None], reference, centre) - centre
        predicted, slopes = _predicted_places(motion, place)
        residual = np.where(shown, placed - centre - predicted, 0.0)
        information, gradient = _normal_equations(slopes, weight, residual, motion)
        amplitude = _estimate_amplitude(information, gradient, amplitude)
        at_rest = residual + np.einsum("ntij,nj->nti", slopes, motion)
        rest = float(np.einsum("nti,ntij,ntj->", at_rest, weight, at_rest))
        motion, spread, score = _posterior(amplitude, information, gradient)
        # the mean motion belongs to the places at rest
        mean = motion.mean(axis=0)
        rest_place = _predicted_places(mean[None], place)[0][0]
        motion = motion - mean
        predicted, slopes = _predicted_places(motion, rest_place)
        residual = np.where(shown, placed - centre - predicted, 0.0)
        reduced = ReducedNormals(slopes, weight, spread, amplitude > 0)
        step = reduced.reference_step(residual)
        new_reference = np.where(ever[:, None], rest_place + centre + step, np.nan)
        change = np.nanmax(np.abs(new_reference - reference), initial=0.0)
        reference = new_reference
        if change < IMAGE_MOTION.converged_px:
            break
    # the search for steps needs residuals of motions at their optimum about the last places
    pull = np.einsum("ntij,ntik,ntk->nj", slopes, weight, residual)
    prior_pull = np.divide(motion, amplitude**2, out=np.zeros_like(motion), where=amplitude > 0)
    change = np.einsum("nij,nj->ni", spread, pull - prior_pull)
    remaining = residual - np.einsum("ntij,nj->nti", slopes, change)
    used = float(np.einsum("nij,nji->", information, spread)) + 2 * ever.sum()
    count = 2 * int(visible.sum())
    misfit = float(np.einsum("nti,ntij,ntj->", residual, weight, residual))
    excess = (
        noise * np.sqrt(misfit / (count - used))
        if count - used > IMAGE_MOTION.least_redundancy * count
        else noise
    )
    place_covariance = np.full((len(reference), 2, 2), np.nan)
    place_covariance[ever] = np.linalg.inv(weight.sum(axis=0)[ever])
    return Weave(
        motion,
        spread,
        reference,
        place_covariance,
        amplitude,
        np.where(shown, remaining, np.nan),
        max(1.0, float(excess)),
        score + rest,
        reduced,
    )


def _predicted_places(motion: Array, place: Array) -> tuple[Array, Array]:
    """Places (n, t, 2) about the centre in the moving picture, and derivatives (n, t, 2, 4)."""
    shift = motion[:, 0] + 1j * motion[:, 1]
    gain = np.exp(motion[:, 3] + 1j * motion[:, 2])
    turned = gain[:, None] * (place[:, 0] + 1j * place[:, 1])[None]
    place_now = turned + shift[:, None]
    slopes = np.zeros((*turned.shape, 2, 4))
    slopes[..., 0, 0] = slopes[..., 1, 1] = 1.0
    slopes[..., 0, 2], slopes[..., 1, 2] = -turned.imag, turned.real
    slopes[..., 0, 3], slopes[..., 1, 3] = turned.real, turned.imag
    return np.stack([place_now.real, place_now.imag], axis=-1), slopes


def _normal_equations(
    slopes: Array, weight: Array, residual: Array, motion: Array
) -> tuple[Array, Array]:
    """Information (n, 4, 4) of the targets on the motion, and its product with their estimate."""
    weighted = np.einsum("ntij,ntjk->ntik", weight, slopes)
    information = np.einsum("ntij,ntik->njk", slopes, weighted)
    gradient = np.einsum("ntij,nti->nj", weighted, residual)
    return information, gradient + np.einsum("nij,nj->ni", information, motion)


def _scaled_information(amplitude: Array, information: Array) -> Array:
    """I + L N L with L the amplitudes: well conditioned even where an amplitude is zero."""
    return np.asarray(np.eye(4) + amplitude[:, None] * information * amplitude)


def _posterior(amplitude: Array, information: Array, gradient: Array) -> tuple[Array, Array, float]:
    """Motion (n, 4), its covariance (n, 4, 4), and minus twice the log marginal likelihood."""
    scaled = _scaled_information(amplitude, information)
    spread = amplitude[:, None] * np.linalg.inv(scaled) * amplitude
    motion = np.einsum("nij,nj->ni", spread, gradient)
    score = np.linalg.slogdet(scaled)[1].sum() - np.einsum("ni,ni->", gradient, motion)
    return motion, spread, float(score)


@njit(cache=True)
def _likelihood(amplitude: Array, information: Array, gradient: Array) -> tuple[float, Array]:
    """Minus twice the log marginal likelihood, and the posterior's second moments (4,) summed
    over the frames; by Cholesky factors of 4 x 4 matrices, frame by frame.
    """
    score = 0.0
    moments = np.zeros(4)
    low = np.zeros((4, 4))
    inverse = np.zeros((4, 4))
    scaled = np.zeros(4)
    for n in range(len(information)):
        for i in range(4):
            for j in range(i + 1):
                value = amplitude[i] * information[n, i, j] * amplitude[j]
                if i == j:
                    value += 1.0
                for k in range(j):
                    value -= low[i, k] * low[j, k]
                low[i, j] = np.sqrt(value) if i == j else value / low[j, j]
            score += 2 * np.log(low[i, i])
            scaled[i] = gradient[n, i] * amplitude[i]
        for j in range(4):  # inverse of the factor, column by column
            for i in range(j, 4):
                value = 1.0 if i == j else 0.0
                for k in range(j, i):
                    value -= low[i, k] * inverse[k, j]
                inverse[i, j] = value / low[i, i]
        for i in range(4):
            mean, variance = 0.0, 0.0
            for k in range(i, 4):
                projected = 0.0
                for j in range(k + 1):
                    projected += inverse[k, j] * scaled[j]
                mean += inverse[k, i] * projected
                variance += inverse[k, i] ** 2
            score -= scaled[i] * mean
            moments[i] += amplitude[i] ** 2 * (mean**2 + variance)
    return score, moments


def _estimate_amplitude(information: Array, gradient: Array, start: Array) -> Array:
    """The standard deviations (4,) of the motion that make the targets likeliest; 0 for degrees of
    freedom that they don't call for.
    """

    def best(free: list[int], begin: Array) -> tuple[float, Array]:
        def score(logs: Array) -> tuple[float, Array]:
            amplitude = np.zeros(4)
            amplitude[free] = np.exp(logs)
            value, moments = _likelihood(amplitude, information, gradient)
            # the likelihood's derivative follows from the posterior's moments (as in EM)
            slope = 2 * (len(gradient) - moments[free] / amplitude[free] ** 2)
            return value, slope

        amplitude = np.zeros(4)
        if not free:
            return 0.0, amplitude
        found = minimize(
            score,
            np.log(np.clip(begin, _SMALLEST * 10, _LARGEST / 10)[free]),
            jac=True,
            method="L-BFGS-B",
            bounds=list(zip(np.log(_SMALLEST[free]), np.log(_LARGEST[free]), strict=True)),
        )
        amplitude[free] = np.exp(found.x)
        return float(found.fun), amplitude

    free = [0, 1, 2, 3]
    score, amplitude = best(free, start)
    for unneeded in (3, 2, 1, 0):
        fewer = [i for i in free if i != unneeded]
        without, other = best(fewer, amplitude)
        if without - score < IMAGE_MOTION.needed_gain:
            free, score, amplitude = fewer, without, other
    return amplitude


class ReducedNormals:
    """Normal equations of whatever shifts the targets, with the motions eliminated.

    Source: Schur complement; the motions' posterior covariance is known, so each frame's
    information on its targets' places is W - W A P A' W.
    """

    def __init__(self, slopes: Array, weight: Array, spread: Array, moves: Mask) -> None:
        n, t = slopes.shape[:2]
        self.weight = weight
        joined = np.einsum("ntij,ntjk->ntik", weight, slopes).reshape(n, 2 * t, 4)
        self.information = -(joined @ spread) @ np.swapaxes(joined, 1, 2)  # (n, 2t, 2t)
        for i in range(t):
            self.information[:, 2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += weight[:, i]
        undone, scale, _ = np.linalg.svd(
            slopes.mean(axis=0).reshape(2 * t, 4)[:, moves], full_matrices=False
        )
        undone = undone[:, scale > 1e-9]
        others = np.eye(2 * t) - undone @ undone.T
        # changes of the places that a mean motion could undo are left to it
        self.inverse = (
            others
            @ np.linalg.pinv(
                others @ self.information.sum(axis=0) @ others, rcond=1e-10, hermitian=True
            )
            @ others
        )

    def reference_step(self, residual: Array) -> Array:
        """Change (t, 2) of the places at rest that the residuals (n, t, 2) call for."""
        gradient = np.einsum("ntij,ntj->ti", self.weight, residual).ravel()
        return np.asarray(self.inverse @ gradient).reshape(-1, 2)

    def steps(self, residual: Array) -> tuple[Array, Array]:
        """For a step of each target at each frame: the gain in chi-square (n, t) if it is
        allowed, and its size (n, t, 2) in px. Source: score test (data snooping, Baarda).
        """
        n, t = residual.shape[:2]
        known = np.linalg.det(self.weight) > 0
        earlier = np.cumsum(known, axis=0) - known > 0  # else the step is the place at rest
        later = np.cumsum(self.information[::-1], axis=0)[::-1]
        pull = np.einsum("ntij,ntj->nti", self.weight, residual)
        pull = np.cumsum(pull[::-1], axis=0)[::-1]
        # the places at rest follow a step, and so does the mean motion: both are free again
        inverse = np.linalg.pinv(later[0], rcond=1e-13, hermitian=True)
        at_rest = inverse @ pull[0].ravel()
        gain, size = np.zeros((n, t)), np.zeros((n, t, 2))
        for i in range(t):
            rows = later[:, 2 * i : 2 * i + 2, :]
            own = rows[:, :, 2 * i : 2 * i + 2] - rows @ inverse @ np.swapaxes(rows, 1, 2)
            own_pull = pull[:, i] - rows @ at_rest
            seen = earlier[:, i] & (
                np.linalg.det(own)
                > IMAGE_MOTION.seen_later
                * np.linalg.det(self.weight[:, i].sum(axis=0) + 1e-30 * np.eye(2))
                / n**2
            )
            size[seen, i] = np.linalg.solve(own[seen], own_pull[seen][..., None])[..., 0]
            gain[:, i] = np.einsum("ni,ni->n", own_pull, size[:, i])
        return gain, size
