"""Numbers that steer a lens from pictures of a board, or from given coefficients."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option

_REFOCUSED = (
    "about what a chessboard leaves, or a lens refocused by a little; common practice, no source"
)


@dataclass(frozen=True)
class LensOptions:
    """Pictures and corners of a calibration board, and what a given lens leaves open."""

    fewest_pictures: int = option(
        4, "1", (3, 50), "more pictures must show the board", "Zhang's method asks for three"
    )
    fewest_corners: int = option(
        8,
        "1",
        (4, 100),
        "a board seen in part must show more corners; its pose has six unknowns, its lens more",
    )
    picture_outlier: float = option(
        3.0, "median rms", (1.5, 20), "pictures may disagree more before they are left out"
    )
    corner_outlier: float = option(
        12.0, "median distance", (4, 50), "corners may lie farther off before they are left out"
    )
    corners_share: float = option(
        0.9, "1", (0.5, 1), "pictures with fewer good corners are kept whole"
    )
    coverage: float = option(
        0.6, "picture", (0.1, 1), "the board must cover more, or extrapolation is reported"
    )
    refine_steps: int = option(60, "1", (5, 500), "corners are refined in more steps")
    refine_step_px: float = option(
        1e-4, "px", (1e-6, 0.1), "refining corners stops at larger steps"
    )
    refine_least: int = option(
        2, "px", (1, 10), "the window in which a corner is refined is larger at least"
    )
    refine_most: int = option(11, "px", (3, 50), "likewise, at most", "OpenCV's tutorial")
    dot_least_area: float = option(
        20.0, "px²", (4.0, 500.0), "smaller discs of a board of discs are not sought"
    )
    dot_least_distance: float = option(
        4.0, "px", (2.0, 50.0), "discs nearer to each other than this count as one"
    )
    dot_window: float = option(
        0.55, "spacing", (0.4, 0.8), "half width of the window from which a disc's centre is taken"
    )
    dot_contrast: float = option(
        0.1, "grey of the ground", (0.01, 0.9), "discs with less contrast are not taken"
    )
    dot_corrections: int = option(
        2, "1", (0, 10), "passes in which centroids of discs are corrected to their centres"
    )
    dot_step: float = option(
        1e-3, "radius", (1e-6, 0.1), "step over which a disc's image is differentiated"
    )
    given_focal_u: float = option(
        1e-3, "1", (1e-5, 0.1), "a focal length that comes without one is less certain", _REFOCUSED
    )
    given_aspect_u: float = option(
        1e-4, "1", (1e-6, 0.01), "pixels are less certainly square", "sensors are made far better"
    )
    given_centre_u: float = option(
        2.0, "px", (0.1, 20), "a principal point that comes without one is less certain", _REFOCUSED
    )
    given_k1_u: float = option(0.01, "1", (1e-4, 0.2), "the same of k1", _REFOCUSED)
    given_k2_u: float = option(0.02, "1", (1e-4, 0.5), "the same of k2", _REFOCUSED)
    given_k3_u: float = option(0.02, "1", (1e-4, 0.5), "the same of k3", _REFOCUSED)
    given_decentring_u: float = option(5e-4, "1", (1e-6, 0.02), "the same of p1, p2", _REFOCUSED)
    largest_file: int = option(2**20, "byte", (2**14, 2**26), "larger lens files are read")
    largest_picture: int = option(
        2**28, "byte", (2**20, 2**31), "larger pictures of the board are read, as files and decoded"
    )


OPTICS = LensOptions()
