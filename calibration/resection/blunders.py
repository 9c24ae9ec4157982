"""Which surveyed points are wrong: a coordinate, a pick, or two names exchanged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import stats

from calibration.resection.adjustment import AdjustedCamera
from calibration.resection.options import RESECTION
from calibration.resection.pose import Sightings, misfit

Solver = Callable[[list[int], tuple[AdjustedCamera, ...]], AdjustedCamera | None]
"""The best fit to the sightings with these indices, started also from these fits."""

_ROUNDING = 1e-9


@dataclass(frozen=True)
class BlunderSearch:
    """The fit without the wrong points, which those are, and which pairs look exchanged."""

    fit: AdjustedCamera
    wrong: tuple[int, ...]
    suspects: tuple[int, ...]  # one of these is wrong, unknown which
    scale: float  # squared misfit per degree of freedom, at least 1; the covariance holds it


def is_consistent(cost: float, degrees: int) -> bool:
    """Whether a sum of squares is what its degrees of freedom lead to expect."""
    return degrees <= 0 or bool(stats.chi2.sf(cost, degrees) > RESECTION.clean_chance)


def reject_blunders(
    solver: Solver, count: int, first: AdjustedCamera | None, redundancy: int
) -> BlunderSearch | None:
    """Leave out points, one or two at a time, as long as that explains a contradiction.

    `first` is the fit to all points; None where no camera sees them all, and then so is the
    answer if leaving out points doesn't mend it.

    A point is wrong when the survey contradicts itself with it and not without it, or when
    leaving it out lowers the sum of squares far beyond what chance does (F test), and no other
    choice does nearly as well. `redundancy` is 2 count - 6 plus the observations of other kinds
    minus their unknowns. Source: outlier tests of geodetic adjustment (data snooping, Baarda).
    """
    fit = first
    wrong: tuple[int, ...] = ()
    suspects: tuple[int, ...] = ()
    most = max(1, int(RESECTION.wrong_share * count + _ROUNDING))
    while len(wrong) < most and not (fit and is_consistent(fit.cost, redundancy - 2 * len(wrong))):
        choice, suspects = _next(solver, count, fit, wrong, redundancy, most)
        if choice is None:
            break
        fit, wrong = choice
    if fit is None:
        return None
    degrees = redundancy - 2 * len(wrong)
    scale = 1.0 if is_consistent(fit.cost, degrees) else fit.cost / degrees
    return BlunderSearch(fit, wrong, suspects, scale)


@dataclass(frozen=True)
class _Choice:
    """Leaving out the best group of one size."""

    fit: AdjustedCamera
    group: tuple[int, ...]
    rivals: tuple[tuple[int, ...], ...]  # groups that do nearly as well
    explains: bool  # the rest of the survey is consistent
    significant: bool  # the gain is beyond chance, whatever the rest is like


def _next(
    solver: Solver,
    count: int,
    fit: AdjustedCamera | None,
    wrong: tuple[int, ...],
    redundancy: int,
    most: int,
) -> tuple[tuple[AdjustedCamera, tuple[int, ...]] | None, tuple[int, ...]]:
    """The next point or pair to leave out with the fit that results, or the suspects."""
    remaining = [i for i in range(count) if i not in wrong]
    groups: list[tuple[int, ...]] = [(i,) for i in remaining]
    choices = []
    for size in (1, 2):
        degrees = redundancy - 2 * (len(wrong) + size)
        if degrees < 1 or len(wrong) + size > most:
            break
        ranked = _ranked_trials(solver, remaining, fit, groups)
        if not ranked:
            break
        choices.append(_judged_choice(ranked, fit, degrees))
        if choices[-1].explains:
            break
        groups = list(combinations(sorted(g[0] for _, g in ranked[: RESECTION.pair_points]), 2))
    for choice in (
        *(c for c in choices if c.explains),
        *(c for c in choices if c.significant),
    ):
        if not choice.rivals:
            return (choice.fit, (*wrong, *choice.group)), ()
        if choice.explains:
            return None, tuple(sorted({i for g in (choice.group, *choice.rivals) for i in g}))
    return None, ()


def _judged_choice(
    ranked: list[tuple[AdjustedCamera, tuple[int, ...]]], fit: AdjustedCamera | None, degrees: int
) -> _Choice:
    """What leaving out the best group is worth, `degrees` being the rest's."""
    best, group = ranked[0]
    size = len(group)
    noise = max(1.0, best.cost / degrees)
    gain = ((fit.cost if fit else np.inf) - best.cost) / noise
    if noise > 1:
        chance = stats.f.sf(gain / (2 * size), 2 * size, degrees)
    else:
        chance = stats.chi2.sf(gain, 2 * size)
    return _Choice(
        best,
        group,
        tuple(
            g
            for other, g in ranked[1:]
            if other.cost - best.cost < RESECTION.alike_chi_square * noise
        ),
        is_consistent(best.cost, degrees),
        bool(chance * len(ranked) < RESECTION.blunder_chance),
    )


def _ranked_trials(
    solver: Solver,
    remaining: list[int],
    fit: AdjustedCamera | None,
    groups: Sequence[tuple[int, ...]],
) -> list[tuple[AdjustedCamera, tuple[int, ...]]]:
    """The fits without each group, best first."""
    found = []
    for group in groups:
        trial = solver([i for i in remaining if i not in group], (fit,) if fit else ())
        if trial is not None:
            found.append((trial, group))
    return sorted(found, key=lambda one: one[0].cost)


def exchanged_pairs(
    fit: AdjustedCamera, seen: Sightings, wrong: tuple[int, ...]
) -> list[tuple[int, int]]:
    """Pairs among the wrong points whose picks fit once they are exchanged."""
    pairs = []
    for i, j in combinations(wrong, 2):
        crossed = Sightings(
            (seen.names[i], seen.names[j]),
            seen.points[[i, j]],
            seen.pixels[[j, i]],
            seen.pixel_covariance[[j, i]],
            seen.ground_u[[i, j]],
        )
        if np.all(misfit(fit, crossed) < stats.chi2.isf(RESECTION.clean_chance, 2)):
            pairs.append((i, j))
    return pairs
