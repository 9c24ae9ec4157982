"""Numbers that steer how one camera's film becomes a calibrated, timed set of tracks."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option

_HANDS = "hand picks of several people on this project's rendered films"


@dataclass(frozen=True)
class CameraOptions:
    """Hand picks, regions of light, contradictions, repeated frames, slips of fixed targets."""

    pick_u: float = option(
        4.0, "px", (0.5, 20), "rough hand picks bear less on the first guess of the pose", _HANDS
    )
    bar_pick_u: float = option(
        2.0, "px", (0.2, 10), "scale bars picked by hand bear less on the camera", _HANDS
    )
    line_pick_u: float = option(
        1.0, "px", (0.2, 5), "a straight line must be bent more to be called bent", _HANDS
    )
    line_sigmas: float = option(
        3.0, "1", (2, 5), "a straight line must be bent more to be called bent", "3-sigma rule"
    )
    board_frames: int = option(
        60, "1", (10, 1000), "more frames of a clip of the calibration board are searched"
    )
    board_frames_used: int = option(
        20, "1", (4, 200), "more of those frames, the ones that differ most, give the lens"
    )
    region_pixels: int = option(
        40_000, "px", (1e3, 1e7), "larger regions are averaged in full, not every second row"
    )
    stabilised_regions_px: float = option(
        0.2, "px", (0.0, 2), "the picture must move more for regions of light to be moved with it"
    )
    conflict_px: float = option(
        6.0,
        "px",
        (2, 50),
        "a pick must be farther from its target to contradict the survey",
        _HANDS,
    )
    conflict_sizes: float = option(
        0.5, "size of the mark", (0, 2), "likewise, in proportion to the mark", _HANDS
    )
    conflict_share: float = option(
        0.5, "1", (0.1, 1), "more picks must contradict for all of them to be called rough", _HANDS
    )
    repeat_moving_px: float = option(
        0.3, "px a frame", (0.05, 2), "marks must move faster for repeated frames to be looked for"
    )
    repeat_step: float = option(
        0.12, "usual step", (0.02, 0.5), "longer steps still count as a repeated frame"
    )
    repeat_window: int = option(
        7, "frame", (3, 50), "the usual step comes from more frames on either side"
    )
    repeat_marks: int = option(2, "1", (1, 10), "more marks must be seen in both frames")
    repeat_steps: int = option(4, "1", (2, 20), "more steps must be known near a frame")
    repeat_share: float = option(
        0.4, "1", (0.1, 0.5), "a larger share of the film may be repeated frames"
    )
    repeat_jump: float = option(
        1.5,
        "usual step",
        (1.2, 1.9),
        "the step after a repeat must be longer for the repeat to stand for a lost frame",
        "half way between one step and two",
    )
    repeat_marks_quantile: float = option(
        0.75, "1", (0.5, 1), "a frame's step is that of its faster marks"
    )
    repeat_window_quantile: float = option(
        0.6, "1", (0.5, 1), "the usual step is that of the faster frames nearby"
    )
    slip_px: float = option(
        0.5, "px", (0.1, 5), "fixed targets may be farther off the others before they are hidden"
    )
    slip_usual_px: float = option(
        0.1, "px", (0.02, 1), "the common motion follows targets that are farther off"
    )
    slip_rounds: int = option(10, "1", (3, 50), "the common motion is refined more often")
    slip_frames: int = option(
        25, "frame", (3, 500), "longer excursions are hidden; a target moved for good is not"
    )
    weave_frames: int = option(
        8, "frame", (2, 100), "films must be longer for weave to widen a given lens"
    )
    weave_memory: float = option(
        0.5, "1", (0.1, 0.9), "most of the variance that may be lost to taking a short film's mean"
    )


CAMERA = CameraOptions()


@dataclass(frozen=True)
class BackgroundOptions:
    """Patches of the background that stabilise a film without fixed targets."""

    patches: int = option(36, "1", (9, 400), "more patches, spread over the picture, are followed")
    fewest: int = option(8, "1", (4, 50), "more of them must agree for there to be a background")
    half_side: int = option(10, "px", (4, 40), "patches are larger")
    agreement_px: float = option(
        1.0, "px", (0.2, 5), "patches may be farther from the common motion"
    )
    frames_share: float = option(
        0.6, "1", (0.3, 1), "a patch must agree in more frames, and more patches in most frames"
    )
    scatter_ratio: float = option(
        1.7,
        "median scatter",
        (1.1, 5),
        "patches that scatter more (shadows, grass, trees) are still used",
    )
    extent: float = option(
        0.3, "picture", (0.1, 0.9), "patches must spread over more of the picture, both ways"
    )
    vehicle_margin: float = option(
        0.5, "extent of the marks", (0, 3), "a vehicle is taken to reach farther beyond its marks"
    )
    least_margin: float = option(
        0.04, "picture's width", (0, 0.3), "likewise, where its marks lie close together"
    )
    least_noise_px: float = option(
        0.005, "px", (1e-4, 0.1), "patches are never taken to be more certain than this"
    )
    return_px: float = option(
        0.3, "px", (0.05, 2), "a patch may end farther off when it is followed back again"
    )
    corners_tried: int = option(
        20, "1", (1, 100), "more corners for each wanted patch are searched for the best"
    )
    corner_quality: float = option(
        0.02, "best corner", (1e-3, 0.2), "only stronger corners are followed", "OpenCV's tutorial"
    )
    corner_block: int = option(7, "px", (3, 31), "corners of coarser texture are preferred")
    pyramid_levels: int = option(3, "1", (0, 6), "larger motions between frames are followed")
    flow_steps: int = option(30, "1", (5, 200), "optical flow is iterated more often")
    flow_step_px: float = option(0.003, "px", (1e-4, 0.1), "optical flow stops at larger steps")
    texture_floor: float = option(
        1e-3, "grey level^2", (1e-9, 1), "patches without texture are taken to be less certain"
    )


BACKGROUND = BackgroundOptions()


@dataclass(frozen=True)
class SeenAgainOptions:
    """Marks that were out of sight for long."""

    unseen: int = option(
        300, "frames", (50, 100_000), "marks must be lost for longer to be looked for again"
    )
    frames: int = option(12, "1", (0, 100), "more frames are looked at for a vehicle's lost marks")
    free_reach: float = option(
        3.0, "size of the mark", (0.5, 20), "a mark of the article may have moved farther meanwhile"
    )
    own_share: float = option(
        0.4, "1", (0.1, 0.5), "share of the distance to the next mark that is a mark's own"
    )
    stand: int = option(
        10, "frames", (2, 200), "a mark of the article must have stood for longer when it was lost"
    )
    stand_share: float = option(
        0.1, "size of the mark", (0.01, 1), "a mark that moves more than this does not stand"
    )
    contrast: float = option(
        0.6, "1", (0.1, 1), "contrast over the last one that a mark of the article must have again"
    )


SEEN_AGAIN = SeenAgainOptions()
