"""The plot of a lens calibration: where the board's corners were seen and how far off they lay."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from matplotlib.figure import Figure

from calibration.arrays import Array
from tracker.report.style import LINES, SOFT, WIDTH
from tracker.results.schema import View

HEIGHT = 3.0  # in
ARROW = 0.04  # of the picture's width: an arrow of the largest usual residual


def lens_plot(
    camera: str, view: View | None
) -> tuple[str, str, Figure, Mapping[str, Array]] | None:
    """Name, caption, figure and data of the plot; None where no board was seen.

    Left each corner in the picture with its residual, much enlarged: a pattern in the arrows is
    distortion that the lens model doesn't hold. Right the residuals themselves.
    """
    if view is None or view.lens_fit is None or view.camera is None:
        return None
    corners, off = view.lens_fit[:, :2], view.lens_fit[:, 2:]
    width, height = view.camera.lens.size
    usual = float(np.percentile(np.linalg.norm(off, axis=1), 95))
    scale = ARROW * width / usual
    figure = Figure(figsize=(WIDTH, HEIGHT))
    picture, cloud = figure.subplots(1, 2, gridspec_kw={"width_ratios": (1.55, 1.0)})
    figure.subplots_adjust(left=0.08, right=0.985, top=0.88, bottom=0.15, wspace=0.26)
    colour = LINES[0].colour
    picture.quiver(
        *corners.T,
        *(scale * off).T,
        angles="xy",
        scale_units="xy",
        scale=1,
        color=colour,
        width=0.002,
    )
    picture.set_xlim(0, width)
    picture.set_ylim(height, 0)
    picture.set_aspect("equal")
    picture.set_xlabel("u (px)")
    picture.set_ylabel("v (px)")
    picture.set_title(f"{camera}: corners of the board, residuals x {scale:.0f}", loc="left")
    cloud.plot(*off.T, ".", markersize=2.2, color=colour)
    reach = 1.1 * float(np.abs(off).max())
    cloud.set_xlim(-reach, reach)
    cloud.set_ylim(-reach, reach)
    cloud.set_aspect("equal")
    for line in (cloud.axhline, cloud.axvline):
        line(0.0, color=SOFT, linewidth=0.8)
    cloud.set_xlabel("du (px)")
    cloud.set_ylabel("dv (px)")
    rms = float(np.sqrt(np.mean(np.sum(off**2, axis=1))))
    cloud.set_title(f"residuals, {rms:.2f} px rms", loc="left")
    caption = (
        f"Camera {camera}: what the lens leaves of the board's corners (left, arrows enlarged "
        f"{scale:.0f} times; an ordered pattern would be distortion that the lens doesn't hold)."
    )
    data = {
        "u (px)": corners[:, 0],
        "v (px)": corners[:, 1],
        "du (px)": off[:, 0],
        "dv (px)": off[:, 1],
    }
    return f"{camera}-lens", caption, figure, data
