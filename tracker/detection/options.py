"""Numbers that steer detection: marks found without a good pick."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class DetectionOptions:
    """How fixed targets and vehicles are sought in a whole picture, and when they are believed."""

    # Frames
    frames_tried: int = option(
        3, "1", (1, 20), "frames in which a vehicle without picks is sought until it is found"
    )
    frame_spacing: float = option(
        0.35, "1", (0.01, 0.5), "share of the film from one such frame to the next"
    )
    keyframe_reach: float = option(
        0.15, "1", (0.0, 0.5), "share of the film by which such a frame may move to a keyframe"
    )

    # Fixed targets
    target_marks: int = option(4, "1", (4, 20), "fixed targets that a camera's pose needs")
    pick_u: float = option(4.0, "px", (0.5, 50.0), "standard uncertainty of a hand pick")
    layout_peak_u: float = option(
        2.0, "px", (0.5, 20.0), "standard uncertainty of a fixed target's response peak"
    )
    fix_u: float = option(0.05, "px", (0.005, 1.0), "standard uncertainty of a located mark")
    contradicting_rms: float = option(
        2.0, "px", (0.2, 20.0), "rms residual of fixed targets at which their pose is refused"
    )
    pick_off: float = option(
        2.0, "px", (0.2, 50.0), "distance from the pose's place at which a pick is replaced"
    )
    pick_off_share: float = option(
        0.25, "1", (0.0, 1.0), "growth of that distance with the target's size"
    )
    unknown_size: float = option(
        0.3, "m", (0.01, 3.0), "size of a fixed target for which the survey gives none"
    )
    least_depth: float = option(
        0.5, "m", (0.01, 10.0), "least distance from the camera for which a size in px is taken"
    )

    # Camera pose from the layout of its fixed targets
    layout_share: float = option(
        0.6, "1", (0.3, 1.0), "share of the targets that must agree, where the search is narrow"
    )
    layout_marks_wide: int = option(
        6, "1", (4, 20), "targets that must agree where nothing narrows the search"
    )
    layout_share_wide: float = option(
        0.8, "1", (0.3, 1.0), "share of the targets that must agree where nothing narrows it"
    )
    pick_reach: float = option(
        0.15, "1", (0.01, 1.0), "how far off a very rough pick may be, over the picture's width"
    )
    layout_peaks: int = option(40, "1", (4, 500), "response peaks considered for each size")
    layout_response: float = option(0.6, "1", (0.2, 0.95), "least response considered")
    peaks_near_pick: int = option(6, "1", (1, 50), "peaks tried for a target near its pick")
    peaks_anywhere: int = option(18, "1", (1, 100), "peaks tried for a target without a pick")
    layout_agree: float = option(
        4.0, "px", (0.5, 50.0), "distance within which a peak agrees with a pose"
    )
    layout_agree_share: float = option(
        0.009, "1", (0.001, 0.1), "the same without a lens, over the picture's width"
    )
    layout_lead: float = option(
        1.0, "px", (0.0, 20.0), "by how much a rival pose's mean distance must be larger"
    )
    same_peak: float = option(4.0, "px", (0.5, 50.0), "peaks nearer than this are one")
    same_peak_share: float = option(
        0.4, "1", (0.1, 1.0), "peaks nearer than this share of their size are one"
    )
    poses_tried: int = option(12000, "1", (100, 1_000_000), "most sets of three peaks tried")
    triples_tried: int = option(20, "1", (1, 1000), "most sets of three targets tried")
    targets_apart: float = option(
        8.0, "px", (1.0, 100.0), "least distance of two peaks that a pose is made of"
    )
    rough_position: float = option(
        3.0, "m", (0.1, 100.0), "how far a camera may be from its stated position"
    )
    rough_position_share: float = option(
        0.2, "1", (0.0, 1.0), "the same over its distance from the targets, where that is more"
    )
    angle_low: float = option(
        0.55, "1", (0.1, 1.0), "least angle between two targets over that from the stated position"
    )
    angle_high: float = option(1.8, "1", (1.0, 10.0), "largest angle of that kind")
    size_smallest: float = option(
        9.0, "px", (3.0, 50.0), "smallest of the sizes tried where none is known"
    )
    size_ratio: float = option(1.3, "1", (1.05, 2.0), "ratio of one such size to the one before")
    sizes_tried: int = option(9, "1", (1, 30), "how many such sizes are tried")
    focal_smallest: float = option(
        0.64, "1", (0.1, 5.0), "smallest focal length tried, over the picture's width"
    )
    focal_ratio: float = option(1.25, "1", (1.05, 2.0), "ratio of one focal length to the next")
    focals_tried: int = option(13, "1", (1, 50), "how many focal lengths are tried")

    # Response of a whole picture
    working_size: float = option(
        12.0, "px", (6.0, 40.0), "size to which larger marks are shrunk before filtering"
    )
    ground_reach: float = option(
        1.35, "1", (1.05, 2.0), "reach of a circle's filter over the circle's radius"
    )
    sizes_alike: float = option(
        1.35, "1", (1.05, 2.0), "ratio of sizes that one filter finds together"
    )
    faint: float = option(
        0.03, "1", (0.0, 0.3), "spread over full scale below which a response counts less"
    )
    least_window: float = option(
        0.7, "1", (0.1, 1.0), "least side of a window over the mark's size for a response"
    )

    # Vehicle hypotheses
    vehicle_peaks: int = option(100, "1", (10, 1000), "response peaks of a pattern considered")
    vehicle_peaks_strongest: int = option(
        36, "1", (4, 500), "response peaks of a pattern that poses are made of"
    )
    vehicle_response: float = option(0.55, "1", (0.2, 0.95), "least response considered")
    other_mark_reach: float = option(
        0.6, "1", (0.1, 2.0), "distance, in its sizes, within which a peak is another known mark's"
    )
    response_floor: float = option(
        0.5, "1", (0.0, 0.9), "response of a peak from which it explains a mark"
    )
    poses_refined: int = option(16, "1", (1, 200), "hypotheses that are refined on peaks")
    poses_verified: int = option(3, "1", (1, 50), "refined poses that are verified mark by mark")
    heading_step: float = option(
        18.0, "deg", (5.0, 45.0), "headings tried to either side of the path, seen from the side"
    )
    looks_down: float = option(
        35.0, "deg", (5.0, 85.0), "depression from which a camera counts as looking down"
    )
    plane_u_along: float = option(
        10.0, "m", (0.5, 100.0), "how far a vehicle may be from a plane across its path"
    )
    plane_u_lateral: float = option(
        1.0, "m", (0.1, 20.0), "how far a vehicle may be from its lateral offset"
    )
    plane_u_height: float = option(
        0.5, "m", (0.05, 5.0), "how far a vehicle's origin may be from the ground's height"
    )
    plane_reach: float = option(
        2.5, "1", (1.0, 10.0), "most distance from the plane over its uncertainty"
    )
    highest: float = option(1.5, "m", (0.2, 10.0), "most height of a vehicle's origin")
    peak_u: float = option(1.5, "px", (0.2, 10.0), "standard uncertainty of a response peak")
    foreshortening: float = option(
        0.05, "1", (0.0, 0.5), "share of a pair's distance that foreshortening may take"
    )
    pair_apart: float = option(
        0.2, "m", (0.01, 2.0), "least distance of two marks that give a heading from above"
    )
    same_pose: float = option(0.15, "m", (0.01, 2.0), "hypotheses nearer than this are one")
    same_heading: float = option(
        0.1, "rad", (0.01, 1.0), "hypotheses that differ by less in heading are one"
    )
    distinct_pose: float = option(0.1, "m", (0.01, 2.0), "refined poses nearer than this are one")

    # Verification
    vehicle_marks: int = option(3, "1", (3, 20), "marks that must agree for a vehicle")
    near: float = option(
        0.35, "1", (0.05, 1.0), "reach of a first assignment of peaks, in sizes of the mark"
    )
    near_late: float = option(0.5, "1", (0.1, 1.0), "the last assignment's reach over the first's")
    near_least: float = option(3.0, "px", (1.0, 20.0), "least reach of an assignment or a search")
    near_least_peaks: float = option(
        4.0, "px", (1.0, 20.0), "least reach within which a peak explains a mark"
    )
    search_share: float = option(
        0.25, "1", (0.05, 1.0), "how far from its prediction a mark is located, in sizes"
    )
    like_sectors: float = option(0.7, "1", (0.2, 0.95), "response worth locating sectors for")
    like_cross: float = option(0.5, "1", (0.2, 0.95), "response worth locating a cross for")
    like_disc: float = option(0.65, "1", (0.2, 0.95), "response worth locating a disc for")
    like_ring: float = option(0.5, "1", (0.2, 0.95), "response worth locating a ring for")
    predicted_again: float = option(
        0.15, "1", (0.01, 1.0), "change of a prediction, in sizes, that is worth another try"
    )
    size_low: float = option(
        0.72, "1", (0.3, 1.0), "least size over the expected one that is believed"
    )
    size_high: float = option(
        1.35, "1", (1.0, 3.0), "largest size over the expected one that is believed"
    )
    contradicts: float = option(
        0.6, "px", (0.05, 10.0), "distance from the pose's place at which a mark contradicts it"
    )
    contradicts_share: float = option(
        4.0, "1", (0.0, 20.0), "growth of that distance with the marks' median distance"
    )
    one_place: float = option(
        0.4, "1", (0.1, 1.0), "marks nearer than this share of their size claim one place"
    )
    surveyed_weight: float = option(
        0.5, "1", (0.0, 1.0), "weight of a contradiction of a mark whose place is known"
    )
    overlap: float = option(
        0.5, "1", (0.1, 1.0), "marks of two vehicles nearer than this share of a size clash"
    )
    plain_view: float = option(0.7, "1", (0.1, 1.0), "cosine from which a mark is in plain view")
    plain_share: float = option(
        0.5, "1", (0.0, 1.0), "share of the marks in plain view that must be found"
    )
    few_marks: int = option(
        4, "1", (3, 10), "up to this many marks must fit a vehicle that stands level"
    )
    few_level_u: float = option(
        0.01, "rad", (0.001, 0.2), "standard uncertainty of that vehicle's pitch and roll"
    )
    few_rms: float = option(0.8, "px", (0.1, 10.0), "rms residual that these marks may have")
    lateral_share: float = option(
        0.6, "1", (0.1, 2.0), "uncertainty of the distance from the plane in a fit, over the bound"
    )
    place_u: float = option(20.0, "m", (1.0, 1000.0), "prior uncertainty of place in a fit")
    heading_u: float = option(
        1.0, "rad", (0.05, 3.2), "prior uncertainty of heading in a fit, seen from above"
    )
    heading_u_side: float = option(
        0.3, "rad", (0.05, 3.2), "prior uncertainty of heading in a fit, seen from the side"
    )
    fit_steps: int = option(10, "1", (1, 100), "most Gauss-Newton steps of a fit")
    passes: int = option(2, "1", (1, 10), "rounds of locating marks with an improving pose")

    # Choice among poses
    rival_share: float = option(
        0.9, "1", (0.1, 1.0), "evidence over the best from which another pose is as good"
    )
    chance: float = option(
        3.0, "px", (0.5, 50.0), "residual of marks that agree with a pose by chance"
    )
    rms_floor: float = option(
        0.15, "px", (0.01, 5.0), "residual below which smaller ones count no more"
    )
    same_vehicle: float = option(
        0.25, "m", (0.01, 5.0), "verified poses nearer than this are the same"
    )
    same_facing: float = option(
        0.9, "1", (0.0, 1.0), "cosine of a turn from which two poses face the same way"
    )

    # Visibility behind the vehicle's own body
    skin: float = option(
        0.05, "m", (0.001, 0.5), "depth below the hull up to which a mark is on its surface"
    )
    grazing: float = option(
        0.12, "1", (0.0, 0.9), "cosine of the steepest view at which a mark is looked for"
    )
    buried: float = option(
        0.8, "m", (0.05, 5.0), "way of a line of sight inside the hull that hides a mark"
    )
    thin: float = option(
        0.15, "m", (0.001, 1.0), "thickness, rms, below which marks span no volume"
    )


DETECTION = DetectionOptions()
