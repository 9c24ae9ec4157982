"""Drawings of a plan: the site from above, and what is where in each camera's picture."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle
from matplotlib.ticker import FuncFormatter, MultipleLocator
from scipy.spatial import ConvexHull, QhullError

from calibration.arrays import Array
from tracker.core.units import report_unit
from tracker.planning.article import PlannedArticle, planned_article
from tracker.planning.layout import Stand
from tracker.planning.plan import Plan
from tracker.planning.view import PlannedMarkView
from tracker.report.style import INK, LINES, SOFT, WIDTH, Line, style

INSTANTS = (-0.05, 0.0, 0.1, 0.2)
"""When vehicles are drawn, s."""
AROUND = 0.08
"""What is drawn round a picture, share of its size."""
REACH = 30.0  # m beyond which the site isn't drawn


def draw(plan: Plan, folder: Path) -> dict[str, str]:
    """Draw everything into `folder` as SVG; captions by name."""
    captions = {}
    with style():
        figure = _site(plan)
        figure.savefig(folder / "site.svg", metadata={"Date": None})
        captions["site"] = (
            "The site from above: cameras (triangles) with the edges of what each sees of the "
            "ground, fixed targets (crosses), outlines of the vehicles' marks and points "
            f"{_instants()} after first contact.{_article_text(plan)}"
        )
        has_marks = plan.record.article is not None and plan.record.article.markers
        squares = " Squares: marks of the article." if has_marks else ""
        for name, stand in plan.stands.items():
            figure = _view(plan, stand)
            figure.savefig(folder / f"view-{name}.svg", metadata={"Date": None})
            captions[f"view-{name}"] = (
                f"What {name} will see: its picture (frame), fixed targets (crosses), vehicle "
                f"marks in their sizes and the outlines of their vehicles {_instants()} after "
                f"first contact, paler with time. Hollow: not measured then.{squares}"
            )
    return captions


def _article_text(plan: Plan) -> str:
    article = planned_article(plan.record, plan.motion)
    if article is None:
        return ""
    text = " Shaded: the undeformed article, its marks as squares."
    if article.box is None:
        return text
    return (
        f"{text} Broken line: the exit box as if contact were lost where it begins; the true one "
        "begins farther downstream."
    )


def _instants() -> str:
    texts = [f"{1e3 * t:+.0f}".replace("-", "−").replace("+0", "0") for t in INSTANTS]
    return f"{', '.join(texts[:-1])} and {texts[-1]} ms"


def _lines(plan: Plan) -> dict[str, Line]:
    return {name: LINES[k % len(LINES)] for k, name in enumerate(plan.record.vehicles)}


def _fade(k: int) -> float:
    return 1.0 - 0.62 * k / (len(INSTANTS) - 1)


def _outline(plan: Plan, vehicle: str) -> Array:
    """Places (k, 3) of everything known of a vehicle, at each of `INSTANTS` (i, k, 3)."""
    table = plan.record.vehicles[vehicle]
    known = [m.at for m in table.markers.values() if m.at is not None]
    places = np.array([*known, *table.points.values()]).reshape(-1, 3)
    return plan.motion.places(vehicle, np.array(INSTANTS), places - np.array(table.cg))


def _hull(points: Array) -> Array:
    """Corners (k, 2) of the convex hull of points (n, 2), finite ones only."""
    points = points[np.isfinite(points).all(axis=1)]
    try:
        return np.asarray(points[ConvexHull(points).vertices])
    except (QhullError, ValueError):
        return np.asarray(points)


def _site(plan: Plan) -> Figure:
    fixed = np.array([t.at[:2] for s in plan.stands.values() for t in s.fixed]).reshape(-1, 2)
    cars = {v: _outline(plan, v)[..., :2] for v in plan.record.vehicles}
    cameras = np.array([s.camera.position[:2] for s in plan.stands.values()])
    article = planned_article(plan.record, plan.motion)
    shown = [fixed, cameras, *(c.reshape(-1, 2) for c in cars.values())]
    if article is not None:
        shown += [p for p in (article.marks[:, :2], article.outline, article.box) if p is not None]
    every = np.concatenate(shown)
    every = every[np.abs(every).max(axis=1) < REACH]
    low, high = every.min(axis=0) - 1.2, every.max(axis=0) + 1.2
    height = float(np.clip(WIDTH * (high[1] - low[1]) / (high[0] - low[0]), 2.5, 6.5))
    figure = Figure(figsize=(WIDTH, height + 0.5), layout="constrained")
    axes = figure.add_subplot()
    for name, stand in plan.stands.items():
        ground = _footprint(stand)
        axes.add_patch(Polygon(ground, closed=True, fill=False, ec=SOFT, lw=0.7, ls=(0, (4, 2))))
        at = stand.camera.position[:2]
        axes.plot(*at, "^", color=INK, ms=6)
        axes.annotate(name, (float(at[0]), float(at[1])), (6, -3), textcoords="offset points")
    axes.plot(*fixed.T, "+", color=INK, ms=6, mew=0.9)
    if article is not None:
        _article(axes, article)
    for vehicle, line in _lines(plan).items():
        for k, places in enumerate(cars[vehicle]):
            corners = _hull(places)
            axes.add_patch(Polygon(corners, closed=True, fc=line.colour, alpha=0.12, ec="none"))
            axes.add_patch(
                Polygon(corners, closed=True, fill=False, ec=line.colour, alpha=_fade(k), lw=1.1)
            )
        middle = cars[vehicle][1].mean(axis=0)
        axes.annotate(vehicle, middle, ha="center", va="center", color=line.colour)
    axes.set(xlim=(low[0], high[0]), ylim=(high[1], low[1]), aspect="equal")
    unit, factor = report_unit("length", plan.record.test.report_units)
    for axis, text in ((axes.xaxis, "x, along the intended path"), (axes.yaxis, "y, to the right")):
        axis.set_major_locator(MultipleLocator(_step(high - low, factor) / factor))
        axis.set_major_formatter(
            FuncFormatter(
                lambda metres, _: f"{round(metres * factor, 6) + 0.0:g}".replace("-", "−")
            )
        )
        axis.set_label_text(f"{text} ({unit})")
    return figure


def _article(axes: Axes, article: PlannedArticle) -> None:
    """The undeformed article with its marks, and the exit box."""
    if article.outline is not None:
        axes.add_patch(Polygon(article.outline, closed=True, fc=SOFT, alpha=0.3, ec="none"))
        axes.plot(*article.outline[:2].T, color=INK, lw=1.6)
    axes.plot(*article.marks[:, :2].T, "s", color=INK, ms=2.5)
    if article.box is not None:
        axes.add_patch(Polygon(article.box, closed=True, fill=False, ec=INK, lw=1.0, ls="--"))
        middle = article.box[2:].mean(axis=0)
        at = (float(middle[0]), float(middle[1]))
        axes.annotate("exit box", at, (0, 3), textcoords="offset points", ha="center", size=6.5)


def _step(extent: Array, factor: float) -> float:
    """A round distance between ticks, in the report's unit, that fits the site."""
    wanted = float(extent.max()) * factor / 10
    decade = 10.0 ** np.floor(np.log10(wanted))
    return float(min(k * decade for k in (1, 2, 5, 10) if k * decade >= wanted))


def _footprint(stand: Stand) -> Array:
    """Where the picture's border meets the ground (n, 2), cut off far away."""
    width, height = stand.size
    side = np.linspace(0.0, 1.0, 12)
    border = np.concatenate(
        [
            np.column_stack([side, 0 * side]),
            np.column_stack([1 + 0 * side, side]),
            np.column_stack([side[::-1], 1 + 0 * side]),
            np.column_stack([0 * side, side[::-1]]),
        ]
    ) * [width - 1, height - 1]
    rays = stand.camera.rays(border)
    far = 4 * REACH
    down = np.where(rays[:, 2] > 0, -stand.camera.position[2] / np.maximum(rays[:, 2], 1e-9), far)
    way = np.minimum(down, far / np.maximum(np.linalg.norm(rays[:, :2], axis=1), 1e-9))
    ground = stand.camera.position[:2] + way[:, None] * rays[:, :2]
    if (rays[:, 2] <= 0).any():  # the horizon is in the picture: the ground begins at the camera
        ground = _hull(ground)
    return np.asarray(ground)


def _view(plan: Plan, stand: Stand) -> Figure:
    width, height = stand.size
    figure = Figure(figsize=(WIDTH, WIDTH * height / width), layout="constrained")
    axes = figure.add_subplot()
    axes.grid(visible=False)
    axes.add_patch(Rectangle((0, 0), width, height, fill=False, ec=INK, lw=1.2))
    for view in plan.outlook.fixed[stand.name]:
        u, v = view.pixels[0]
        if np.isfinite(u) and view.visible_mask[0]:
            axes.plot(u, v, "+", color=INK, ms=max(5.0, 0.35 * float(view.size_px[0])), mew=0.9)
            label = view.target.name.marker
            axes.annotate(label, (u, v), (5, 4), textcoords="offset points", color=SOFT, size=6.5)
    article = planned_article(plan.record, plan.motion)
    if article is not None and len(article.marks):
        axes.plot(*stand.camera.project(article.marks).T, "s", mfc="none", mec=INK, ms=5, mew=0.8)
    for vehicle, line in _lines(plan).items():
        _vehicle(axes, plan, stand, vehicle, line)
    axes.set(
        xlim=(-AROUND * width, (1 + AROUND) * width),
        ylim=((1 + AROUND) * height, -AROUND * height),
        aspect="equal",
    )
    axes.set_xlabel("u (px)")
    axes.set_ylabel("v (px)")
    return figure


def _vehicle(axes: Axes, plan: Plan, stand: Stand, vehicle: str, line: Line) -> None:
    for k, places in enumerate(_outline(plan, vehicle)):
        corners = _hull(stand.camera.project(places))
        if len(corners) >= 3:
            axes.add_patch(
                Polygon(corners, closed=True, fill=False, ec=line.colour, alpha=_fade(k), lw=0.9)
            )
        if k == 1 and len(corners):
            top = corners[np.argmin(corners[:, 1])]
            axes.annotate(
                vehicle, top, (0, 5), textcoords="offset points", color=line.colour, ha="center"
            )
    for mark in plan.outlook.marks[stand.name]:
        if mark.target.name.vehicle == vehicle:
            for k, (u, v, size, visible) in enumerate(_instances(mark)):
                _dot(axes, (u, v), size, line, _fade(k), visible)


def _instances(mark: PlannedMarkView) -> Iterator[tuple[float, float, float, bool]]:
    """Pixel, size (px) and whether it is measured, at each of `INSTANTS`."""
    for instant in INSTANTS:
        i = int(np.argmin(np.abs(mark.time - instant)))
        u, v = mark.pixels[i]
        yield float(u), float(v), float(mark.size_px[i]), bool(mark.visible_mask[i])


def _dot(
    axes: Axes, at: tuple[float, float], size: float, line: Line, alpha: float, filled: bool
) -> None:
    if np.isfinite(at).all() and np.isfinite(size):
        face = line.colour if filled else "none"
        axes.add_patch(
            Circle(at, size / 2, fc=face, ec=line.colour, alpha=alpha * 0.8, lw=0.7, clip_on=True)
        )
