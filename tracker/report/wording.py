"""Sentences and names that the report uses in more than one place."""

from __future__ import annotations

from dataclasses import dataclass

CAUTION = (
    "These results inform engineers. Where life safety is at stake this report defers to the test "
    "standard, local codes, the accredited laboratory and licensed engineers; it does not replace "
    "any of them. A verdict stated here is the comparison of a number with a limit, not an "
    "acceptance of the device."
)

LIMITS = (
    "Numbers hold for rigid motion of the part of a vehicle that carries the marks; deformation of "
    "that part shows as residuals of its marks.",
    "Occupant numbers are those of the flail-space model: a free point mass. They rank tests; they "
    "are not a prediction of injury.",
    "What no camera determines is left empty. A plot or table without a column says that the films "
    "do not show it.",
    "Uncertainties cover the measurement as described here: picture noise, survey, lens, camera, "
    "time base and the smoothness of motion. They do not cover a wrong record.",
)

UNCERTAINTY = (
    "The number after ± is a standard uncertainty (coverage factor k = 1), with two significant "
    "digits; the value is rounded to the same place (JCGM 100:2008, 7.2.6). Bands in plots cover "
    "p = 95 % (k = 1.96, normal distribution)."
)

DECISION = (
    "Decision rule: a limit is met where the probability that the true value meets it is at least "
    "95 %, failed where it is at most 5 %, and undetermined between (normal distribution, the "
    "stated uncertainty)."
)

RELATES = (
    "These results relate only to the item tested. This report is reproduced only in full, unless "
    "the laboratory has agreed in writing."
)

RESIDUAL = (
    "Residual: measured place of a target in the stabilised picture (mean over the film) less "
    "where the calibrated camera projects its surveyed place; u to the right, v down. Expected: "
    "the standard deviation that the stated uncertainties let expect of it. Withheld: the same "
    "with the camera calibrated again without that target, so that the target is an independent "
    "check; its expected size is larger by what the camera is then less certain."
)

AXES = (
    "Ground axes: x along the intended path of the striking vehicle, y to the right, z down; "
    "vehicle axes: x forward, y right, z down (SAE J1733, SAE J670). Yaw + = nose to the right, "
    "pitch + = nose up, roll + = right side down. Time is zero at first contact. A braking vehicle "
    "gives a positive longitudinal occupant impact velocity; ridedown keeps the sign of the "
    "vehicle's acceleration."
)

CRITERIA = {
    "nchrp230": "NCHRP Report 230",
    "nchrp350": "NCHRP Report 350",
    "mash2009": "MASH 2009",
    "mash2016": "MASH 2016",
    "en1317": "EN 1317",
    "en1317-1998": "EN 1317 (1998)",
    "en1317-2010": "EN 1317 (2010)",
    "none": "no criteria set",
}


@dataclass(frozen=True)
class Name:
    """How a field of the results is called and in which kind of unit it is shown."""

    text: str
    kind: str


VEHICLE = {
    "impact_speed": Name("Impact speed", "speed"),
    "impact_angle": Name("Impact angle", "angle"),
    "impact_offset": Name("Impact offset, + to the right", "length"),
    "velocity_change": Name("Change of velocity along x", "speed"),
    "max_pitch": Name("Greatest pitch, nose up", "angle"),
    "min_pitch": Name("Greatest pitch, nose down", "angle"),
    "max_roll": Name("Greatest roll, right side down", "angle"),
    "min_roll": Name("Greatest roll, left side down", "angle"),
    "max_yaw": Name("Greatest yaw, nose right", "angle"),
    "min_yaw": Name("Greatest yaw, nose left", "angle"),
    "max_rise": Name("Greatest rise of the cg", "small_length"),
    "travel_x": Name("Travel along x", "length"),
    "travel_y": Name("Travel along y", "length"),
    "end_speed": Name("Speed as the film ends", "speed"),
    "contact_end": Name("End of contact", "time"),
}

OCCUPANT = {
    "oiv_x": Name("Occupant impact velocity, longitudinal", "occupant_speed"),
    "oiv_y": Name("Occupant impact velocity, lateral", "occupant_speed"),
    "oiv_time": Name("Time of occupant impact", "time"),
    "ridedown_x": Name("Ridedown acceleration, longitudinal", "acceleration_g"),
    "ridedown_y": Name("Ridedown acceleration, lateral", "acceleration_g"),
    "thiv": Name("THIV", "speed"),
    "phd": Name("PHD", "acceleration_g"),
    "asi": Name("ASI, means over 50 ms", "plain"),
    "asi_13hz": Name("ASI, 13 Hz filter", "plain"),
    "mean50_x": Name("Largest 50 ms mean, longitudinal", "acceleration_g"),
    "mean50_y": Name("Largest 50 ms mean, lateral", "acceleration_g"),
    "velocity_change_x": Name("Velocity change in contact, longitudinal", "speed"),
    "velocity_change_y": Name("Velocity change in contact, lateral", "speed"),
}

SOURCES = {"film": "Film", "accelerometer": "Accelerometer", "fused": "Both"}

VERDICTS = {
    "agree": "agree",
    "disagree": "DISAGREE",
    "undetermined": "undetermined",
    "pass": "pass",
    "fail": "FAIL",
}
