"""Numbers that steer the joint estimate of motion, one frozen class a part of it. Those of outliers
and warnings stand in `robust.options`.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class PriorOptions:
    """What is believed of a motion before any film is seen, and how its smoothness is found.

    Densities are spectral densities of white jerk, of places in m2/s5, of angles in rad2/s5.
    """

    level_u: float = option(0.05, "rad", (0.005, 0.5), "roll and pitch before contact: freer")
    place_u_x: float = option(5.0, "m", (0.5, 100), "cg at the anchor, along x: freer")
    place_u_yz: float = option(2.0, "m", (0.5, 100), "cg at the anchor, along y and z: freer")
    heading_u: float = option(0.3, "rad", (0.05, 3), "yaw at the anchor: freer")
    speed_u_x: float = option(20.0, "m/s", (2, 200), "speed along x at the anchor: freer")
    speed_u_yz: float = option(2.0, "m/s", (0.2, 50), "speed along y and z: freer")
    angular_rate_u: float = option(0.5, "rad/s", (0.05, 10), "rates of angles: freer")
    speed_u_share: float = option(2.0, "1", (1, 10), "sd of a rate over that of the start poses")
    acceleration_u: float = option(
        50.0, "m/s2", (5, 500), "acceleration at the anchor where contact is not known: freer"
    )
    angular_acceleration_u: float = option(20.0, "rad/s2", (2, 500), "the same of angles")
    rolling_acceleration_u: float = option(
        5.8,
        "m/s2",
        (0.5, 50),
        "acceleration just before contact: freer (tyres give at most 1 g either way, a fall 1 g: "
        "10 m/s2 over the root of 3)",
        "friction of dry asphalt 0.7 to 1.0; common practice, no source",
    )
    acceleration_u_share: float = option(
        2.0, "1", (0.5, 10), "sd of the acceleration over speed by the film's length"
    )
    jump_u_x: float = option(500.0, "m/s2", (50, 5000), "acceleration's jump at contact along x")
    jump_u_yz: float = option(300.0, "m/s2", (50, 5000), "the same along y and z")
    jump_u_angle: float = option(300.0, "rad/s2", (10, 5000), "the same of angles")
    jump_u_share: float = option(10.0, "1", (1, 50), "the same over speed by the film's length")
    start_u: float = option(
        0.02, "m or rad", (1e-3, 0.2), "how far the first motion may pass beside start poses"
    )
    density_before_place: float = option(
        10.0, "m2/s5", (0.1, 1e3), "expected before contact: 10 is 1 m/s2 in 0.1 s"
    )
    density_before_angle: float = option(1.0, "rad2/s5", (0.01, 1e2), "the same of angles")
    density_after_path: float = option(
        1e5, "m2/s5", (1e3, 1e7), "expected after contact along x: 1e5 is 100 m/s2 in 0.1 s"
    )
    density_after_across: float = option(1e4, "m2/s5", (1e2, 1e6), "the same along y and z")
    density_after_angle: float = option(1e3, "rad2/s5", (10, 1e5), "the same of angles")
    density_first_factor: float = option(
        30.0, "1", (1, 1e3), "first densities over those expected after contact: a freer start"
    )
    expected_dof: float = option(
        0.2, "1", (0.01, 5), "degrees of freedom that expected densities count for", "MacKay 1992"
    )
    decisive_dof: float = option(
        0.1, "1", (0.01, 1), "degrees of freedom from which on a density must have converged"
    )
    density_least: float = option(1e-4, "1/s5", (0, 1), "a smoother motion at the least")
    density_most: float = option(1e12, "1/s5", (1e8, 1e16), "a rougher motion at the most")
    density_rolling_place: float = option(
        1e3,
        "m2/s5",
        (1e2, 1e8),
        "the most before contact, where only tyres and springs act (1e3 is 10 m/s2 in 0.1 s, a "
        "full braking): lasting errors of marks are sooner taken for accelerations",
    )
    density_rolling_angle: float = option(1e3, "rad2/s5", (10, 1e8), "the same of angles")
    unseen_density_place: float = option(
        0.1, "m2/s5", (1e-3, 10), "of a component that no film shows: it wanders more"
    )
    unseen_density_angle: float = option(1.0, "rad2/s5", (1e-2, 100), "the same of angles")
    unseen_acceleration: float = option(0.3, "m/s2", (0.01, 10), "sd before contact of the same")
    unseen_angular_acceleration: float = option(1.0, "rad/s2", (0.01, 10), "the same of angles")
    unseen_jump: float = option(2.0, "m/s2", (0.1, 100), "sd of its jump at contact")
    unseen_angular_jump: float = option(5.0, "rad/s2", (0.1, 100), "the same of angles")
    unseen_speed_share: float = option(
        0.02, "1", (0.001, 0.5), "its speed over that in the plane of motion (sd; rad/s likewise)"
    )
    displacement_u_y: float = option(
        3.0, "m", (0.5, 100), "how far a vehicle goes from its place at contact, along y: freer"
    )
    displacement_u_z: float = option(1.0, "m", (0.1, 100), "the same along z")
    displacement_u_angle: float = option(0.5, "rad", (0.05, 10), "the same of angles")
    displacement_step: float = option(0.025, "s", (1e-3, 0.5), "instants of that belief: fewer")
    unseen_speed_least: float = option(5.0, "m/s", (0, 50), "least speed that this share is of")
    outlier_jerk_sds: float = option(
        3.2, "sd", (2, 10), "from here on a jerk stands out: fewer are given way to"
    )
    outlier_jerk_dof: float = option(
        4.0, "1", (1, 30), "Student t of outlying jerks: shorter tails", "Lange et al. 1989"
    )
    outlier_jerks: int = option(3, "1", (0, 20), "most outlying jerks of a component")
    onset_time: float = option(
        0.01, "s", (0, 0.05), "for so long after contact a pulse sets in more abruptly"
    )
    onset_factor: float = option(30.0, "1", (1, 1e3), "density then over that of the crush")
    pulse_time: float = option(
        0.25, "s", (0.05, 1), "after contact, until the motion is thought to quieten: later"
    )
    settling_time: float = option(
        0.75, "s", (0.2, 5), "after contact, until it is thought to have settled: later"
    )
    blow_gain: float = option(
        12.0,
        "1",
        (3, 100),
        "gain of log evidence from which on a rough time is a blow of its own: fewer",
        "at most 8 in motions of one blow; this project's benches",
    )
    blow_least: float = option(0.015, "s", (5e-3, 0.1), "length of such a time at the least")
    blow_ends: int = option(6, "1", (2, 20), "beginnings and ends of such times at the most")
    least_stretch: float = option(
        0.1, "s", (0.02, 1), "what a film must show beyond these for a density of its own"
    )
    step_share: float = option(
        0.8, "1", (0.2, 1), "share of a step to the fixed point where steps swing (logarithm)"
    )
    step_lengthening: float = option(
        4.0, "1", (1, 20), "greatest lengthening where steps go on one way", "Aitken 1926"
    )
    step_most: float = option(3.0, "1", (0.5, 10), "greatest step of a density (logarithm)")


@dataclass(frozen=True)
class KnotOptions:
    """Where the knots of a motion's spline stand."""

    spacing: float = option(
        2.0, "1", (0.5, 4), "times 1 / w apart: at 2 a speed's sd between knots is half of its u"
    )
    least_frames: float = option(2.0, "1", (1, 10), "least distance of knots, frame intervals")
    least_intervals: int = option(8, "1", (2, 50), "intervals over a stretch at the least")
    most_intervals: int = option(
        150, "1", (40, 1000), "intervals over a stretch, or `most_over`, at the most: finer knots"
    )
    most_over: float = option(
        0.3, "s", (0.05, 1), "length that `most_intervals` are for in shorter stretches: coarser"
    )
    growth: float = option(1.3, "1", (1, 2), "growth of intervals with the distance from contact")
    first_step: float = option(4e-3, "s", (1e-4, 0.1), "first knots: distance about contact")
    first_intervals: float = option(40.0, "1", (5, 1000), "least intervals over a film at first")
    first_frames: float = option(2.5, "1", (1, 10), "the same in frame intervals, at the least")
    first_growth: float = option(1.12, "1", (1, 2), "growth of the first intervals")
    first_longest: float = option(5.0, "1", (1, 50), "longest of the first intervals over these")
    steady_after: float = option(0.15, "s", (0, 1), "time after contact without growth")
    steady_before: float = option(3.0, "1", (0, 50), "intervals before contact without growth")
    steady_outside: float = option(
        0.2, "s", (0, 1), "time without growth where contact is outside the film"
    )
    clock_margin: float = option(
        3.0, "sd", (0, 10), "how far a motion reaches beyond its film, sds of the time zeros"
    )
    clock_margin_most: float = option(0.02, "s", (0, 0.5), "the same at the most")


@dataclass(frozen=True)
class ContactOptions:
    """How first contact is found from the motion."""

    place_u: float = option(10.0, "m", (1, 1e3), "prior of the place along the path: freer")
    speed_u: float = option(50.0, "m/s", (5, 500), "prior of the speed along it: freer")
    acceleration_u: float = option(50.0, "m/s2", (5, 500), "prior of the acceleration: freer")
    hard_jump_u: float = option(500.0, "m/s2", (50, 5000), "acceleration's jump of a hard blow")
    soft_jump_u: float = option(1.0, "m/s2", (0.01, 50), "the same of a soft one")
    density_before: float = option(
        100.0, "m2/s5", (1, 1e4), "the most before contact: 100 is 3 m/s2 in 0.1 s"
    )
    least_gain: float = option(
        3.0, "1", (0, 20), "gain of log evidence below which contact is called unclear"
    )
    margin_frames: float = option(5.0, "1", (1, 50), "frames at the ends where contact can't be")
    margin_share: float = option(0.02, "1", (0, 0.2), "share of the film likewise")
    coarse_steps: int = option(80, "1", (20, 500), "steps of the first scan: finer")
    coarse_frames: float = option(2.0, "1", (0.5, 10), "least step of it, frames")
    coarse_reach: float = option(1.5, "1", (1, 5), "reach about the likely time, steps: farther")
    direction_share: float = option(
        0.25, "1", (0.05, 1), "share of a motion's knots, from the first, that gives its direction"
    )
    frame_u_x: float = option(3.0, "m", (0.3, 30), "how far one frame may see x from the solution")
    frame_u_yz: float = option(0.03, "m", (0.003, 1), "the same of y and z")
    frame_u_angle: float = option(0.01, "rad", (0.001, 0.1), "the same of angles")
    density_steps: int = option(12, "1", (3, 100), "most steps to the densities of a time")
    density_gain: float = option(0.05, "1", (1e-4, 1), "gain of log evidence that ends them")


@dataclass(frozen=True)
class ClockOptions:
    """How a camera of unknown time zero is brought to the others' time."""

    aligned_u: float = option(0.02, "s", (1e-3, 0.5), "prior of the offset after it: freer")
    aligned_u_steps: float = option(5.0, "1", (1, 20), "the same in steps of the scan")
    scan_steps: int = option(1500, "1", (100, 10000), "offsets that are tried: finer")
    scan_step_least: float = option(5e-4, "s", (1e-5, 0.01), "their least distance")
    scan_frames: int = option(25, "1", (5, 500), "frames that are compared: slower")
    least_share: float = option(
        0.3, "1", (0, 1), "an offset must compare this share of what the best could"
    )


@dataclass(frozen=True)
class SolverOptions:
    """The two rounds of Gauss-Newton iterations."""

    first_steps: int = option(12, "1", (1, 100), "most steps of the first round: slower")
    second_steps: int = option(27, "1", (5, 200), "most steps of the second: slower")
    last_steps: int = option(8, "1", (1, 50), "most steps at the end, nothing else changing")
    first_decrement: float = option(
        100.0, "1", (1, 1e4), "squared step, posterior sds, that ends the first round: sooner"
    )
    second_decrement: float = option(
        1.0, "1", (0.01, 100), "the same of the second round, once all else has converged"
    )
    last_decrement: float = option(
        1e-5, "1", (1e-10, 1e-2), "the same of the last steps; what is left is smaller still"
    )
    last_decrement_sensors: float = option(
        1e-2, "1", (1e-6, 1), "the same with accelerometers, whose step at contact bends the way"
    )
    unsettled: float = option(
        25.0, "1", (1, 1e3), "squared last step from which on the solution is refused"
    )
    rejecting_steps: int = option(6, "1", (1, 50), "steps that reject marks")
    update_after: int = option(2, "1", (0, 10), "steps before noise and knots are updated")
    near: float = option(
        1.0, "1", (0.1, 5), "change of jerk densities (logarithm) at which the knots are placed"
    )
    converged: float = option(
        0.15, "1", (0.01, 1), "change of densities and noise (logarithm) that counts as none"
    )
    converged_noise: float = option(
        0.03, "1", (1e-3, 0.5), "change of marks' noise after which it isn't updated any more"
    )
    damped_noise_after: int = option(
        12, "1", (1, 100), "steps after which noise goes half of its way: it may swing between two"
    )
    jitter_estimates: int = option(4, "1", (0, 20), "most estimates of a camera's common jitter")
    jitter_change: float = option(
        0.1, "1", (0.01, 1), "relative change of the jitter that counts as none"
    )
    unobserved_sd: float = option(
        0.3,
        "1",
        (0.05, 1),
        "posterior over prior sd at contact from which on a component is unobserved: fewer are",
    )
    objective_tolerance: float = option(
        1e-9, "1", (0, 1e-3), "relative rise of the objective that a step may make"
    )
    first_shortening: float = option(0.4, "1", (0.1, 0.9), "share of a step that is tried first")
    shortening: float = option(0.3, "1", (0.1, 0.9), "share of that at each further trial")
    shortest_step: float = option(1e-3, "1", (1e-6, 0.1), "share at which the trials end")
    lost_mark_cost: float = option(
        1e6, "1", (1e3, 1e9), "cost of a measured mark that a camera model can't show"
    )


@dataclass(frozen=True)
class StartOptions:
    """Start poses of a vehicle, and places of its unsurveyed markers."""

    headings: int = option(12, "1", (4, 72), "headings that are tried: slower, surer")
    instants: int = option(24, "1", (4, 200), "start poses over a film")
    level_u: float = option(0.1, "rad", (0.01, 1), "roll and pitch of the first pose: freer")
    known_heading_u: float = option(0.2, "rad", (0.02, 1), "yaw about a stated heading: freer")
    heading_u: float = option(1.0, "rad", (0.1, 4), "yaw about a heading that is tried: freer")
    guess_z: float = option(-0.6, "m", (-3, 0), "z of a cg that nothing is known of")
    guess_u_x: float = option(100.0, "m", (1, 1e3), "its sd along x")
    guess_u_y: float = option(10.0, "m", (1, 1e3), "its sd along y")
    guess_u_z: float = option(2.0, "m", (0.1, 100), "its sd along z")
    neighbour_u_place: float = option(3.0, "m", (0.1, 30), "change from the pose before: freer")
    neighbour_u_tilt: float = option(0.2, "rad", (0.02, 2), "the same of roll and pitch")
    neighbour_u_yaw: float = option(0.4, "rad", (0.02, 4), "the same of yaw")
    tolerance_px: float = option(
        2.0, "px", (0.1, 20), "residuals well beyond it lose their pull (Cauchy loss)"
    )
    steps: int = option(25, "1", (5, 200), "most steps to a pose: slower")
    least_gain: float = option(1e-3, "1", (1e-9, 0.1), "share of the cost whose gain ends them")
    damping: float = option(1e-6, "1", (1e-12, 1), "first damping over the diagonal: shorter steps")
    damping_fall: float = option(0.2, "1", (0.01, 1), "its factor after a good step")
    damping_rise: float = option(10.0, "1", (1, 100), "its factor after a bad step")
    damping_raised: float = option(1e-4, "1", (1e-9, 1), "least damping after a bad step")
    damping_most: float = option(1e6, "1", (1, 1e12), "damping at which the fit ends")
    heading_cost: float = option(
        1e-3, "1", (0, 1), "cost of facing backwards, among headings that fit alike"
    )
    guess_weight: float = option(
        1e-4, "1", (1e-8, 1), "weight of the guessed place beside lines of sight"
    )
    lost_mark_cost: float = option(1e3, "1", (1, 1e6), "cost of a mark that can't be projected")
    nearest_frame: float = option(
        0.75, "1", (0.5, 3), "frame intervals by which an instant may miss a frame"
    )
    place_frames: int = option(40, "1", (2, 500), "frames that place an unsurveyed marker")
    place_weight: float = option(
        0.01, "1", (1e-6, 1), "weight of the surveyed markers' middle for its place"
    )


@dataclass(frozen=True)
class NoiseOptions:
    """How the errors of marks are modelled and estimated."""

    error_memory: float = option(
        40.0, "frames", (5, 500), "correlation of correlated errors falls to 1/e: they last longer"
    )
    correlated_floor_px: float = option(
        0.015,
        "px",
        (0, 0.2),
        "least sd of correlated errors (texture, coding, blur), which residuals hardly show: "
        "larger u",
        "0.01 px on rendered films, neighbours in part by the same; this project's benches",
    )
    pooled_dof: float = option(
        10.0, "1", (0, 1e3), "degrees of freedom that all marks of a camera count for in each"
    )
    clear_sds: float = option(
        3.0, "sd", (1, 10), "correlation at long lags from which correlated errors are looked for"
    )
    clear_share: float = option(0.02, "1", (0, 0.5), "the same as a share of the variance")
    unabsorbed_share: float = option(
        0.3, "1", (0.05, 1), "least share of correlated errors that a fit leaves in residuals"
    )
    most_share: float = option(0.9, "1", (0.1, 1), "most of the variance that is correlated")
    clear_lag: float = option(0.05, "1", (0, 0.5), "lag-one correlation below which it counts as 0")
    clear_lag_sds: float = option(2.0, "sd", (0, 10), "the same in its own sd")
    most_lag_one: float = option(0.95, "1", (0.5, 0.999), "greatest lag-one correlation")
    fewest: int = option(40, "1", (5, 1000), "residuals or pairs from which noise is estimated")
    white_share: float = option(
        0.2, "1", (0.01, 1), "least share of a fit's residual variance beside that of white noise"
    )
    least_dof_share: float = option(
        0.05, "1", (0.001, 1), "least degrees of freedom of a mark over its residuals"
    )
    frame_floor: float = option(
        0.25, "1", (0.01, 1), "least variance over the marks' own, with many residuals; else 1"
    )
    frame_floor_marks: int = option(200, "1", (10, 1e5), "positions that count as many")
    least_motion_share: float = option(
        0.02, "1", (1e-3, 0.5), "least share of coordinates that a free motion takes"
    )
    most_motion_share: float = option(0.95, "1", (0.5, 1), "most of it")


@dataclass(frozen=True)
class SensorOptions:
    """Accelerometers and rate sensors that join the films."""

    offset_u_acceleration: float = option(
        5.0, "m/s2", (0.01, 100), "offset of a channel that nothing is known of: freer"
    )
    offset_u_rate: float = option(0.05, "rad/s", (1e-4, 10), "the same of a rate")
    fewest: int = option(5, "1", (1, 1000), "values that a channel must have")
    shift_step: float = option(
        5e-4, "s", (1e-5, 1e-2), "over which the effect of a time shift is taken: smoother"
    )
    least_dof_share: float = option(
        0.2, "1", (0.01, 1), "least degrees of freedom of a channel over its values"
    )
    latest: float = option(
        0.3, "s", (0, 10), "a motion is followed by its sensors alone up to this time"
    )


PRIOR = PriorOptions()
KNOTS = KnotOptions()
CONTACT = ContactOptions()
CLOCKS = ClockOptions()
SOLVER = SolverOptions()
START = StartOptions()
NOISE = NoiseOptions()
SENSORS = SensorOptions()
