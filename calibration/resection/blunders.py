"""Which surveyed points are wrong: a coordinate, a pick, or two names swapped."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import stats

from calibration.resection.adjustment import Fit
from calibration.resection.pose import Sightings, misfit

Solver = Callable[[list[int], tuple[Fit, ...]], Fit | None]
"""The best fit to the sightings with these indices, started also from these fits."""

_FITS = 1e-3  # chance that a clean survey is called contradictory
_BLUNDER = 1e-4  # chance that a clean point is called wrong, over all points
_WORST = 12  # points among which pairs are sought: those whose removal alone helps most


@dataclass(frozen=True)
class Verdict:
    """The fit without the wrong points, which those are, and which pairs look swapped."""

    fit: Fit
    wrong: tuple[int, ...]
    suspects: tuple[int, ...]  # one of these is wrong, but nobody can say which
    scale: float  # squared misfit per degree of freedom, at least 1; the covariance holds it


def fits(cost: float, freedom: int) -> bool:
    """Whether a sum of squares is what so many degrees of freedom lead to expect."""
    return freedom <= 0 or bool(stats.chi2.sf(cost, freedom) > _FITS)


def without_blunders(
    solver: Solver, count: int, first: Fit | None, redundancy: int
) -> Verdict | None:
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
    most = max(1, count // 3)
    while len(wrong) < most and not (fit and fits(fit.cost, redundancy - 2 * len(wrong))):
        choice, suspects = _next(solver, count, fit, wrong, redundancy, most)
        if choice is None:
            break
        fit, wrong = choice
    if fit is None:
        return None
    freedom = redundancy - 2 * len(wrong)
    scale = 1.0 if fits(fit.cost, freedom) else fit.cost / freedom
    return Verdict(fit, wrong, suspects, scale)


@dataclass(frozen=True)
class _Choice:
    """Leaving out the best group of one size."""

    fit: Fit
    group: tuple[int, ...]
    rivals: tuple[tuple[int, ...], ...]  # groups that do nearly as well
    explains: bool  # the rest of the survey is consistent
    significant: bool  # the gain is beyond chance, whatever the rest is like


def _next(
    solver: Solver,
    count: int,
    fit: Fit | None,
    wrong: tuple[int, ...],
    redundancy: int,
    most: int,
) -> tuple[tuple[Fit, tuple[int, ...]] | None, tuple[int, ...]]:
    """The next point or pair to leave out with the fit that results, or the suspects."""
    left = [i for i in range(count) if i not in wrong]
    groups: list[tuple[int, ...]] = [(i,) for i in left]
    choices = []
    for size in (1, 2):
        freedom = redundancy - 2 * (len(wrong) + size)
        if freedom < 1 or len(wrong) + size > most:
            break
        ranked = _ranked(solver, left, fit, groups)
        if not ranked:
            break
        choices.append(_judged(ranked, fit, freedom))
        if choices[-1].explains:
            break
        groups = list(combinations(sorted(g[0] for _, g in ranked[:_WORST]), 2))
    for choice in (
        *(c for c in choices if c.explains),
        *(c for c in choices if c.significant),
    ):
        if not choice.rivals:
            return (choice.fit, (*wrong, *choice.group)), ()
        if choice.explains:
            return None, tuple(sorted({i for g in (choice.group, *choice.rivals) for i in g}))
    return None, ()


def _judged(ranked: list[tuple[Fit, tuple[int, ...]]], fit: Fit | None, freedom: int) -> _Choice:
    """What leaving out the best group is worth, `freedom` being the rest's."""
    best, group = ranked[0]
    size = len(group)
    noise = max(1.0, best.cost / freedom)
    gain = ((fit.cost if fit else np.inf) - best.cost) / noise
    if noise > 1:
        chance = stats.f.sf(gain / (2 * size), 2 * size, freedom)
    else:
        chance = stats.chi2.sf(gain, 2 * size)
    return _Choice(
        best,
        group,
        tuple(g for other, g in ranked[1:] if other.cost - best.cost < 9 * noise),
        fits(best.cost, freedom),
        bool(chance * len(ranked) < _BLUNDER),
    )


def _ranked(
    solver: Solver, left: list[int], fit: Fit | None, groups: Sequence[tuple[int, ...]]
) -> list[tuple[Fit, tuple[int, ...]]]:
    """The fits without each group, best first."""
    found = []
    for group in groups:
        trial = solver([i for i in left if i not in group], (fit,) if fit else ())
        if trial is not None:
            found.append((trial, group))
    return sorted(found, key=lambda one: one[0].cost)


def swapped(fit: Fit, seen: Sightings, wrong: tuple[int, ...]) -> list[tuple[int, int]]:
    """Pairs among the wrong points whose picks fit once they are exchanged."""
    pairs = []
    for i, j in combinations(wrong, 2):
        crossed = Sightings(
            seen.points[[i, j]],
            seen.pixels[[j, i]],
            seen.pixel_covariance[[j, i]],
            seen.ground_u[[i, j]],
        )
        if np.all(misfit(fit, crossed) < stats.chi2.isf(_FITS, 2)):
            pairs.append((i, j))
    return pairs
