"""Numbers that steer the location and the measurement of marks in one picture.

Compiled functions take their copies when they are compiled, and numba keeps compiled code on disk
by the time stamp of its own module: after a change here, delete the `__pycache__` beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class MarkOptions:
    """How marks are sought near a pick, fitted, judged, and measured where they are covered."""

    # Candidates near a pick
    working_size: float = option(
        16.0, "px", (8.0, 40.0), "size at which patterns are correlated; larger ones are shrunk"
    )
    candidate_score: float = option(0.5, "1", (0.2, 0.95), "least correlation of a candidate")
    soft_score: float = option(
        0.38, "1", (0.2, 0.95), "least correlation in the softened picture, where else is nothing"
    )
    soft_blur: float = option(0.7, "px", (0.1, 5.0), "how much that picture is softened")
    candidates: int = option(6, "1", (1, 50), "candidates fitted in full for each size")
    size_step: float = option(
        1.08, "1", (1.01, 1.3), "ratio of sizes for which banks of renderings are kept"
    )
    flat_energy: float = option(
        0.5, "grey²", (0.0, 100.0), "energy of a window below which nothing is correlated"
    )
    size_smallest: float = option(8.0, "px", (3.0, 50.0), "smallest size tried where none is known")
    size_ratio: float = option(1.35, "1", (1.05, 2.0), "ratio of one size tried to the next")
    sizes_tried: int = option(11, "1", (1, 30), "how many sizes are tried where none is known")
    size_low: float = option(
        0.8, "1", (0.5, 1.0), "smaller size tried, over the known one, where nothing plain is found"
    )
    size_high: float = option(
        1.25, "1", (1.0, 2.0), "larger size tried, over the known one, where nothing plain is found"
    )
    search_share: float = option(
        0.5, "1", (0.1, 2.0), "how far from a pick a mark is sought, in sizes"
    )
    search_least: float = option(4.0, "px", (1.0, 50.0), "how far from a pick a mark is sought")
    largest_size: float = option(
        160.0, "px", (20.0, 2000.0), "size taken for the search where none is known"
    )
    noise_size: float = option(
        40.0, "px", (10.0, 500.0), "size taken for the noise's window where none is known"
    )
    noise_half_least: int = option(12, "px", (3, 100), "least half width of the noise's window")
    noise_half_most: int = option(60, "px", (10, 500), "largest half width of the noise's window")

    # Fit at a pick
    first_passes: int = option(8, "1", (1, 100), "passes of a candidate's first fit")
    full_passes: int = option(25, "1", (1, 200), "passes of a fit with the paint's proportions")
    least_weight: float = option(
        12.0, "px", (1.0, 1000.0), "pixels' weights that a first fit must keep"
    )
    rest_factor: float = option(
        4.0, "1", (1.0, 20.0), "unexplained part over the best one's up to which a fit goes on"
    )
    rest_margin: float = option(0.1, "1", (0.0, 1.0), "unexplained part allowed besides")
    same_place: float = option(0.1, "px", (0.01, 5.0), "fits nearer than this are one")
    same_shape: float = option(0.05, "1", (0.001, 0.5), "fits whose affines differ by less are one")
    choice_factor: float = option(
        1.5, "1", (1.0, 10.0), "unexplained part over the best one's for a nearer fit to win"
    )
    choice_margin: float = option(0.02, "1", (0.0, 0.5), "unexplained part allowed besides")
    plain: float = option(0.95, "1", (0.5, 1.0), "explained part from which no other size is tried")
    blur_share: float = option(0.25, "1", (0.05, 1.0), "most blur over the size, besides a pixel")
    sane_size_low: float = option(0.6, "1", (0.2, 1.0), "least size over the known one")
    sane_size_high: float = option(1.6, "1", (1.0, 5.0), "largest size over the known one")
    obliquity: float = option(
        4.5, "1", (1.5, 20.0), "largest ratio of a seen mark's axes: tilts up to 77 degrees"
    )
    edgeless: float = option(
        0.6, "1", (0.1, 1.0), "residual over that with an edge below which a mark has no outer edge"
    )
    edgeless_size: float = option(
        0.75, "1", (0.3, 1.0), "size over that with an edge at which a mark without one starts"
    )
    other_outline: float = option(
        0.98, "1", (0.5, 1.0), "residual over the best one's below which an outline is taken"
    )
    clutter_noise: float = option(
        0.02, "1", (0.0, 0.2), "least noise over contrast in a fit that weights clutter out"
    )
    clutter_first: float = option(
        0.3, "1", (0.05, 1.0), "first scale over contrast of a fit that weights clutter out"
    )
    clutter_last: float = option(0.15, "1", (0.02, 1.0), "last scale over contrast of that fit")
    clutter_visible: float = option(
        0.5, "1", (0.1, 1.0), "share of the window that must be left of it"
    )
    cluttered_residual: float = option(
        4.0, "1", (1.5, 20.0), "residual over noise from which a mark is fitted as part of clutter"
    )
    cluttered_visible: float = option(
        0.6, "1", (0.3, 1.0), "share of the window that such a fit must explain"
    )
    other_clutter: float = option(
        1.25, "1", (1.0, 2.0), "what such a fit with another outer edge than the usual one is worse"
    )
    cluttered_contrast: float = option(
        12.0, "1", (4.0, 50.0), "least contrast of such a fit over the noise with what of it clumps"
    )
    cluttered_gain: float = option(
        0.6, "1", (0.1, 1.0), "most of its residual over contrast, over that of a fit to all"
    )
    cluttered_farther: float = option(
        0.1, "1", (0.0, 1.0), "how much farther from the pick it may be than one to all, over size"
    )
    cluttered_rest: float = option(
        0.08, "1", (0.01, 0.5), "most of such a fit's residual over the contrast"
    )
    located_visible: float = option(
        0.4, "1", (0.1, 1.0), "visible part below which a mark is not located"
    )
    explained: float = option(
        0.8, "1", (0.3, 0.99), "part of the window's variance that a mark must explain"
    )
    located_residual: float = option(
        2.0, "1", (1.0, 10.0), "residual over noise up to which that doesn't matter"
    )
    located_contrast: float = option(
        4.0, "1", (1.0, 20.0), "least contrast of a located mark over the noise"
    )
    located_variance: float = option(
        0.2, "px²", (0.01, 2.0), "variance of place beyond which texture may pass for a mark"
    )

    # Measurement from a prediction
    clean_rest: float = option(
        0.025, "1", (0.0, 0.2), "residual over contrast up to which a mark is clean, whatever noise"
    )
    clean_ratio: float = option(
        1.3, "1", (1.0, 3.0), "residual over noise up to which the whole shape is believed"
    )
    whole_visible: float = option(
        0.82, "1", (0.5, 1.0), "visible part from which the whole shape may be fitted"
    )
    patch_visible: float = option(
        0.3, "1", (0.05, 1.0), "least visible part of a mark that is partly covered"
    )
    patch_ratio: float = option(
        2.0, "1", (1.0, 5.0), "residual over noise up to which a partly covered mark is believed"
    )
    half_visible: float = option(0.5, "1", (0.2, 1.0), "visible part for the limit `half_ratio`")
    half_ratio: float = option(
        1.45, "1", (1.0, 3.0), "residual over noise believed from `half_visible` on"
    )
    less_visible: float = option(0.45, "1", (0.2, 1.0), "visible part for the limit `less_ratio`")
    less_ratio: float = option(
        1.15, "1", (1.0, 3.0), "residual over noise believed from `less_visible` on"
    )
    least_visible: float = option(
        0.33, "1", (0.1, 1.0), "visible part for the limit `least_ratio`; less is never believed"
    )
    least_ratio: float = option(
        1.08, "1", (1.0, 3.0), "residual over noise believed from `least_visible` on"
    )
    misfit: float = option(
        0.03, "1", (0.0, 1.0), "share of a misfit's energy that goes into the place's variance"
    )
    misfit_occluded: float = option(
        0.06, "1", (0.0, 1.0), "the same for marks that are partly covered"
    )
    usual_occluded: float = option(
        0.8, "1", (0.3, 1.0), "mean square over the noise of a covered mark's clean fit"
    )
    search: float = option(3.0, "px", (0.5, 50.0), "how far from its prediction a mark is believed")
    measure_passes: int = option(12, "1", (1, 100), "passes of a clean fit")
    window_off: float = option(
        0.7, "px", (0.1, 5.0), "distance from its start at which a mark's window is taken again"
    )
    light_jump: float = option(
        3.0, "1", (1.0, 10.0), "change of the lighting, in its sd, at which its prior was wrong"
    )

    # Checks of a measurement
    fault_visible: float = option(0.2, "1", (0.05, 0.5), "visible part below which all is covered")
    lifeless_ratio: float = option(
        0.25, "1", (0.05, 0.9), "residual over noise below which the rest shows no noise: clipped"
    )
    lifeless_visible: float = option(0.5, "1", (0.1, 1.0), "visible part for that check")
    contrast_low: float = option(0.33, "1", (0.05, 1.0), "least contrast over the one before")
    contrast_high: float = option(3.0, "1", (1.0, 20.0), "largest contrast over the one before")
    contrast_significance: float = option(
        6.0, "1", (1.0, 30.0), "least contrast over its standard deviation"
    )
    growth_low: float = option(0.7, "1", (0.3, 1.0), "least size over the one before")
    growth_high: float = option(1.4, "1", (1.0, 3.0), "largest size over the one before")
    place_variance: float = option(
        1.0, "px²", (0.01, 10.0), "variance of place from which it is not determined"
    )

    # Partly covered marks
    tukey: float = option(
        4.685,
        "1",
        (2.0, 10.0),
        "scale of Tukey's weights in standard deviations; larger: less robust",
        "Holland and Welsch 1977: 95 % efficient for normal noise",
    )
    occluded_first: float = option(
        0.45, "1", (0.1, 1.0), "first scale of the weights over the contrast"
    )
    occluded_second: float = option(
        0.2, "1", (0.05, 1.0), "second scale of the weights over the contrast"
    )
    occluded_passes: int = option(8, "1", (1, 100), "passes of these first fits")
    occluded_last_passes: int = option(20, "1", (1, 100), "passes of the last fits")
    misfit_sigma: float = option(
        2.5, "1", (1.0, 10.0), "residual over noise from which a pixel doesn't fit"
    )
    misfit_crowd: float = option(
        0.4, "1", (0.1, 1.0), "share of a pixel's neighbours that make a patch that doesn't fit"
    )

    # Priors: how far a fit may move what it starts from; W is the size of the inverse affine
    light_drift: float = option(
        5e-4, "1", (0.0, 0.1), "usual change of the lighting across half a mark between pictures"
    )
    affine_sd: float = option(0.5, "W", (0.01, 5.0), "sd of a clean mark's inverse affine")
    affine_sd_patch: float = option(0.2, "W", (0.01, 5.0), "the same for a patch")
    affine_sd_bare: float = option(
        0.05, "W", (0.001, 5.0), "the same for a mark without an outer edge"
    )
    blur_sd: float = option(1.0, "px", (0.01, 10.0), "sd of a clean mark's edge")
    grey_sd: float = option(10.0, "contrast", (0.1, 100.0), "sd of a clean mark's greys")
    light_sd: float = option(0.5, "W", (0.01, 5.0), "largest sd of the lighting")
    proportion_sd: float = option(0.3, "1", (0.01, 2.0), "sd of radii and of a bar's width")
    step_sd: float = option(2.0, "contrast", (0.1, 10.0), "sd of a ring's steps of grey")
    occluded_affine_sd: float = option(
        0.003, "W", (1e-4, 0.1), "sd of a covered mark's inverse affine"
    )
    occluded_blur_sd: float = option(0.02, "px", (1e-3, 1.0), "sd of a covered mark's edge")
    occluded_grey_sd: float = option(
        0.04, "contrast", (1e-3, 1.0), "sd of a covered mark's greys where no mark is clean"
    )
    occluded_grey_sd_known: float = option(
        0.01, "contrast", (1e-3, 1.0), "the same where clean marks show the picture's brightness"
    )
    occluded_light_sd: float = option(
        0.02, "W", (1e-3, 1.0), "largest sd of a covered mark's lighting"
    )
    occluded_light_drift: float = option(
        2.0, "1", (0.0, 20.0), "drift of a covered mark's lighting over the usual one"
    )

    # Compiled fit
    last_gain: float = option(
        0.01, "1", (1e-6, 1.0), "gain in cost from which a step is the last: 0.1 sd"
    )
    clipped_weight: float = option(
        0.02, "1", (0.0, 1.0), "weight of a clipped pixel that the model has brighter than white"
    )
    edge_sd_low: float = option(0.2, "px", (0.05, 1.0), "sharpest edge that a fit tries")
    edge_sd_high: float = option(50.0, "px", (5.0, 500.0), "softest edge that a fit tries")
    clumped: float = option(
        1.0, "1", (0.0, 5.0), "correlation of neighbours, in its sd, from which noise clumps"
    )
    area_change: float = option(
        50.0, "1", (2.0, 1000.0), "largest change of a mark's area that a fit tries"
    )

    # Windows
    window_largest: float = option(
        2000.0, "px", (100.0, 20000.0), "half width of a window beyond which there is no mark"
    )
    disc_rim: float = option(
        24.0, "px", (3.0, 500.0), "depth of a disc's rim that is fitted; its middle may be spoilt"
    )
    ground: float = option(1.0, "px", (0.0, 20.0), "ground taken in beyond the edge's blur")
    edge_sds: float = option(3.0, "1", (1.0, 6.0), "extent of an edge in its sd")
    blurred_path: float = option(
        0.3, "px", (0.01, 5.0), "motion during the exposure below which it is left out"
    )
    path_step: float = option(
        2.5, "1", (0.5, 5.0), "length of the path for two points, in the edge's sd"
    )

    # Patches
    patch_size: float = option(21.0, "px", (7.0, 200.0), "size of a patch of which none is given")
    patch_change: float = option(
        0.15, "1", (0.0, 1.0), "how unlike itself a texture becomes, over its spread"
    )
    patch_spread: float = option(3.0, "1", (1.0, 20.0), "least spread of a patch over the noise")
    patch_information: float = option(
        4.0, "1/px²", (0.1, 100.0), "least information of a patch on its place, any direction"
    )
    patch_clipped: float = option(0.3, "1", (0.0, 1.0), "most of a patch that may be burnt out")


MARKS = MarkOptions()
