"""The test article seen from above: undeformed, at its greatest, and its marks."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.axes import Axes

from calibration.arrays import Array
from tracker.report.style import LINES, SOFT
from tracker.results.after_contact import ArticlePath, ArticleResult
from tracker.results.schema import Results

BEYOND = 1.0  # m of undeformed article that are drawn past its outermost marks
COLOUR = LINES[2].colour


def draw_article(axes: Axes, results: Results, article: ArticleResult, factor: float) -> None:
    """Draw the article; `factor` gives the report's unit from m."""
    paths = results.article_paths
    attached = {n: p for n, p in paths.items() if not _is_detached(article, n)}
    if article.offset is not None and paths:
        _draw_undeformed(axes, article, paths, factor)
        _draw_deformed(axes, article, attached, factor)
    for k, (name, path) in enumerate(paths.items()):
        _mark(axes, path, name in attached, factor, "article's marks before" if k == 0 else None)


def _is_detached(article: ArticleResult, name: str) -> bool:
    mark = article.marks.get(name)
    return mark is not None and mark.detached


def _axes_of(article: ArticleResult) -> tuple[Array, Array, Array]:
    """Along the face (2,), into the article (2,), and a point of the face (2,)."""
    c, s = np.cos(article.heading), np.sin(article.heading)
    right = np.array([-s, c])
    return np.array([c, s]), article.side * right, (article.offset or 0.0) * right


def _draw_undeformed(
    axes: Axes, article: ArticleResult, paths: Mapping[str, ArticlePath], factor: float
) -> None:
    along, inward, origin = _axes_of(article)
    starts = [float(p.start[:2] @ along) for p in paths.values()]
    ends = np.array([min(starts) - BEYOND, max(starts) + BEYOND])
    face = origin + ends[:, None] * along
    axes.plot(*(face.T * factor), color=SOFT, linewidth=1.6, label="article, undeformed")
    if article.width:
        band = np.vstack([face, (face + article.width * inward)[::-1]]) * factor
        axes.fill(*band.T, color=SOFT, alpha=0.25, linewidth=0)


def _draw_deformed(
    axes: Axes, article: ArticleResult, attached: Mapping[str, ArticlePath], factor: float
) -> None:
    """The traffic face at the moment of the greatest deflection, through the marks known then."""
    greatest = article.dynamic_deflection
    if greatest is None or greatest.time is None:
        return
    along, inward, origin = _axes_of(article)
    places = []
    for path in attached.values():
        known = np.isfinite(path.position[:, :2]).all(axis=1)
        if not known.any() or not path.time[known][0] <= greatest.time <= path.time[known][-1]:
            continue
        displacement = [
            np.interp(greatest.time, path.time[known], path.position[known, k] - path.start[k])
            for k in range(2)
        ]
        places.append(origin + (path.start[:2] @ along) * along + np.array(displacement))
    if len(places) < 2:
        return
    line = np.array(sorted(places, key=lambda p: float(p @ along)))
    label = f"at {greatest.time:.3f} s, greatest"
    axes.plot(*(line.T * factor), color=COLOUR, linewidth=1.6, label=label)
    if article.width:
        band = np.vstack([line, (line + article.width * inward)[::-1]]) * factor
        axes.fill(*band.T, color=COLOUR, alpha=0.2, linewidth=0)


def _mark(axes: Axes, path: ArticlePath, attached: bool, factor: float, label: str | None) -> None:
    """A mark before the test, and where it was farthest from there or, broken off, last seen."""
    displacement = np.linalg.norm((path.position - path.start)[:, :2], axis=1)
    axes.plot(*(path.start[:2] * factor), "o", markersize=2.5, color=SOFT, label=label)
    if not np.isfinite(displacement).any():
        return
    row = (
        int(np.nanargmax(displacement))
        if attached
        else int(np.flatnonzero(np.isfinite(displacement))[-1])
    )
    far = path.position[row, :2] * factor
    axes.plot(*far, "s" if attached else "x", markersize=3 if attached else 4, color=COLOUR)
    way = np.array([path.start[:2] * factor, far])
    axes.plot(*way.T, color=COLOUR, linewidth=0.6, linestyle="-" if attached else ":")
