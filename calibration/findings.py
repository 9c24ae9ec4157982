"""What the reader of the results must know: one value, and the list of all its codes.

A diagnostic's code is its identity: tests, reports and the JSON file go by it, never by its text.
Every code that either package uses is registered here once, with its grade and its meaning.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

Grade = Literal["information", "caution", "serious"]
"""information: how a number came about; caution: a number is less certain than planned, and its
uncertainty says so; serious: a number may be wrong beyond its uncertainty, or is missing."""


@dataclass(frozen=True)
class Code:
    """What a registered code means."""

    grade: Grade
    meaning: str


@dataclass(frozen=True)
class Diagnostic:
    """A registered code, one plain sentence, and the place in the record it is about."""

    code: str
    text: str
    where: str = ""

    @property
    def grade(self) -> Grade:
        """The code's grade; "caution" for a code of another version of the program."""
        return CODES[self.code].grade if self.code in CODES else "caution"

    def at(self, where: str) -> Diagnostic:
        """The same, about a place that its finder was not given."""
        return replace(self, where=where)


_INFORMATION: dict[str, str] = {
    # lens
    "lens_corners_left_out": "single corners of a calibration board were left out as outliers",
    "lens_picture_blind": "no calibration board was found in a picture",
    "lens_picture_left_out": "a picture of the calibration board disagrees and was left out",
    "line_straight": "a straight line of the scene is straight in the picture: distortion is small",
    # camera
    "steady_background": "background patches helped the fixed targets to stabilise the picture",
    "tilt_estimated": "the scale bars show how the camera is tilted",
    "line_blind": "a scale bar along the line of sight gives nothing of the camera's roll",
    # time
    "flash_slow": "the lamp rises over part of a frame or more: its onset was fitted",
    "flash_unread": "frames about the flash could not be decoded",
    "rate_not_stated": "the movie's own frame rate was taken",
    # film
    "film_interlaced": "the film is interlaced; its even lines are used",
    "frames_repeated": "frames are copies of the one before",
    # targets
    "markers_found": "a vehicle's markers were found without picks",
    "marks_seen_again": "marks that were out of sight for long were found again",
    "targets_found": "fixed targets were found without picks",
    # motion
    "marks_rejected": "single positions of marks were rejected as outliers",
    "noise_correlated": "errors of marks are correlated in time; the uncertainties include it",
    # occupant
    "no_occupant_contact": "occupant velocity is the vehicle's velocity change during contact",
    # accelerometers
    "accelerometer_note": "how an accelerometer file was read or corrected",
}

_CAUTION: dict[str, str] = {
    # lens
    "lens_coverage": "distortion is extrapolated outside the part of the picture the board covers",
    "lens_differs": "the survey contradicts the given lens beyond its uncertainty",
    "line_bent": "a straight line of the scene is bent in the picture: distortion is not modelled",
    # camera
    "distance_vague": "the camera's distance from the plane of motion is poorly known",
    "focal_from_position": "focal length rests on the stated rough position of the camera",
    "focal_undetermined": "the survey cannot separate focal length and distance",
    "position_differs": "the camera comes out far from its stated rough position",
    "survey_blunder": "a surveyed target contradicts the others and was left out",
    "survey_misfit": "the survey fits worse than its stated uncertainty; it was widened",
    "survey_swapped": "two surveyed targets are exchanged and were left out",
    "view_guessed": "the record does not state from where the camera looks",
    "picks_exchanged": "the picks of two fixed targets are exchanged",
    "pick_contradicts": "the pick of a fixed target contradicts the survey",
    # motion of the picture
    "picture_shake": "marks of a frame shift together more than stabilisation explains",
    "steady_misfit": "fixed targets scatter more than their uncertainty; it was widened",
    "steady_unchecked": "no fixed target shows whether the picture moved",
    "steady_unseen": "no fixed target is seen in some frames",
    "target_moved": "a fixed target moved and was not used from there on",
    # time
    "cameras_disagree": "cameras do not agree on where the vehicles are; their u was widened",
    "time_zero_disagrees": "clocks and motion give different moments of contact",
    "flash_at_end": "the flash comes on as the film ends",
    "flash_repeated": "more than one flash is seen; the first is taken",
    "flash_saturated": "the flash saturates its region: its onset is known to a frame only",
    "flash_short": "the flash is too short for its onset to be interpolated",
    "rate_disagrees": "two sources of the frame rate disagree",
    "stamps_disordered": "time stamps of the movie do not increase",
    "stamps_uneven": "time stamps of the movie are uneven",
    "timing_light_dark": "the timing light's region shows no blinking light",
    "timing_light_edges": "few edges of the timing light are resolved",
    "timing_light_missed": "pulses of the timing light are missing",
    "timing_light_scatter": "the timing light scatters more than it should",
    "timing_light_unusable": "the timing light cannot be used; time comes from the frame rate",
    # film
    "film_cut_short": "the film ends before its stated end",
    "frame_damaged": "frames are damaged",
    "frames_dropped": "frames are missing from the film",
    # targets
    "mark_not_found": "no mark was found at a pick",
    "markers_not_found": "a vehicle's markers are neither picked nor found",
    "vehicle_out_of_sight": "no mark of a vehicle is seen in a long last part of a film",
    "vehicle_unseen_between": "nothing shows a vehicle for long in the midst of its motion",
    "targets_not_found": "fixed targets are neither picked nor found",
    # motion
    "joint_opens": "a joint's place on its two vehicles differs beyond the uncertainty",
    "mark_flexes": "a mark swings or drifts against its vehicle after contact and counts for less",
    "mark_left_out": "a mark does not move with its vehicle as surveyed and was left out",
    "mark_scatters": "a mark scatters more than the others and has less weight",
    "marker_survey_wrong": "a marker stands far from its surveyed place, which was left out",
    "noise_larger": "marks scatter more than their uncertainty; it was raised",
    "survey_larger": "markers stand farther from their surveyed places than stated",
    "occupant_open": "the films leave figures of occupant risk open",
    "ridedown_smoothed": "ridedown from film is the least that it can be: the film shows less",
    # accelerometers
    "accelerometers_alone": "occupant risk is from accelerometers alone",
    "accelerometer_replaced": "the sensor block that should judge can't; another one does",
    "accelerometers_disagree": "two sensor blocks of one vehicle give different figures",
    "channel_fault": "a channel is at fault: figures that need it are left out",
    "accelerometers_unusable": "no accelerometer of the vehicle can be used",
}

_SERIOUS: dict[str, str] = {
    "marks_outnumbered": "of a vehicle's marks no more are kept than contradict its motion",
    "attitude_steep": "pitch came near 90 degrees, where yaw and roll are not distinguished",
    "camera_below_ground": "the camera comes out below ground: an axis has the wrong sign",
    "contact_unclear": "no moment of contact is distinct: time zero is uncertain",
    "film_ends_early": "the film ends before occupant impact",
    "film_ends_in_contact": "the film ends while contact goes on: figures are at least so large",
    "readings_end_in_contact": "accelerometer readings end while contact goes on",
    "film_unusable": "a film cannot be used",
    "clock_or_channel": "a channel's fault and an error of the film's clock explain as much",
    "severity_class": "the class of ASI hangs on the edition of the standard, that is its filter",
    "ridedown_window": "ridedown hangs on where its windows begin",
    "flash_not_found": "no flash is seen",
    "pose_ambiguous": "two poses of the camera explain the survey alike",
    "scale_contradiction": "scale bars, their depths and the lens contradict each other",
    "survey_contradiction": "one of several surveyed targets is wrong, unknown which",
    "targets_disagree": "one of two fixed targets moved, unknown which",
    "vehicle_unseen": "no film shows a marker of the vehicle",
    "zero_outside": "time zero lies outside the film",
}


def _registry() -> Mapping[str, Code]:
    grades: tuple[tuple[Grade, dict[str, str]], ...] = (
        ("information", _INFORMATION),
        ("caution", _CAUTION),
        ("serious", _SERIOUS),
    )
    return MappingProxyType(
        {code: Code(grade, text) for grade, codes in grades for code, text in codes.items()}
    )


CODES = _registry()
"""Every code of both packages."""
