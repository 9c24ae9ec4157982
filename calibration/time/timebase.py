"""The time of every frame, and the frame of time zero.

Where a light blinks at a known rate, the times are its; else the movie's own time stamps where
they run at the camera's nominal rate; else the nominal rate. The time of a frame is the middle of
its exposure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.arrays import Array
from calibration.errors import RECORD, CalibrationError
from calibration.findings import Diagnostic
from calibration.time.clock_spline import ClockFit
from calibration.time.flash import onset
from calibration.time.options import TIME
from calibration.time.timing_light import TimingLightSignal, frame_map

__all__ = ["FlashSignal", "TimeBase", "TimingLightSignal", "time_base"]


WHOLE_FRAME_U = 1 / math.sqrt(12)
"""Of a time zero given as a whole frame number: somewhere in that frame interval."""


@dataclass(frozen=True)
class FlashSignal:
    """Mean grey (frames,) of a flash's region, and the grey level at which the picture is full.

    `lag` is the time from contact to the light, `lag_u` its standard uncertainty, s. A lamp whose
    lag nobody stated may have come on `late` by as much, s. `coded`: frames of a movie.
    """

    grey: Array
    white: float = math.inf
    rest: Array | None = None  # (frames,) mean grey of the whole picture, which shows flicker
    lag: float = 0.0
    lag_u: float = 0.0
    late: float = 0.0
    coded: bool = False


@dataclass(frozen=True)
class TimeBase:
    """When a camera's frames were exposed. Times are relative to time zero if it is known, else to
    frame 0.
    """

    seconds: Array  # (frames,) middle of each exposure
    seconds_u: Array  # (frames,) s, of the time since zero as far as the rate makes it uncertain
    rate: float  # 1/s, mean over the film
    rate_u: float
    zero_frame: float  # frame number, fractions of a frame allowed; NaN if not known
    zero_frame_u: float  # NaN if not known
    source: str  # where the times come from, in words
    findings: tuple[Diagnostic, ...] = ()
    clock: ClockFit | None = field(default=None, repr=False)  # of a timing light
    zero_common_u: float = 0.0  # s, beside it: the lamp's lag, a rise too quick to see
    zero_late: float = 0.0  # s, by how much a lamp whose lag nobody stated may be late

    def at(self, frame: Array) -> Array:
        """Times (n,) s at frame numbers (n,), fractions allowed; straight on beyond the film."""
        frame = np.asarray(frame, dtype=np.float64)
        last = len(self.seconds) - 1
        inside = np.clip(frame, 0, last)
        known = np.interp(inside, np.arange(last + 1), self.seconds)
        return np.asarray(known + (frame - inside) / self.rate)

    def with_zero(self, frame: float, u: float, source: str) -> TimeBase:
        """The same times counted from another zero, such as a contact found from the motion."""
        seconds = self.seconds - self.at(np.array([frame]))[0]
        if self.clock is not None:
            number = np.arange(len(seconds), dtype=np.float64)
            seconds_u = self.clock.u_between(number, frame)
        else:
            seconds_u = np.abs(seconds) * self.rate_u / self.rate
        return replace(
            self,
            seconds=seconds,
            seconds_u=seconds_u,
            zero_frame=frame,
            zero_frame_u=u,
            source=f"{self.source}; time zero from {source}",
        )

    def with_findings(self, *findings: Diagnostic) -> TimeBase:
        """The same with further findings."""
        return replace(self, findings=(*self.findings, *findings))


def time_base(
    frames: int,
    *,
    rate: float | None,
    stated: bool = True,
    stamps: Array | None = None,
    zero: float | FlashSignal | None = None,
    exposure: float | None = None,
    timing_light: TimingLightSignal | None = None,
    where: str = "the film",
) -> TimeBase:
    """The times of a film's frames and its time zero.

    Parameters
    ----------
    frames : how many frames the film has.
    rate : the nominal frame rate, 1/s; None or NaN if unknown.
    stated : whether the record states `rate`; False if it is the movie's own.
    stamps : (frames,) s, the movie's time stamps as they are; NaN or None without.
    zero : frame number of time zero, fractions allowed; or the signal in which a flash shows it;
        None without either.
    exposure : s; None if unknown.
    timing_light : brightness, rate and duty of a light that blinks at a known rate.
    where : the place that an error names.

    Without `zero`, or where no flash is seen, the zero is left open (NaN). Raises
    `CalibrationError` (status RECORD) if neither a rate nor usable stamps are known.
    """
    nominal = None if rate is None or not rate > 0 else rate
    base = _nominal_times(frames, nominal, stamps, where)
    if not stated and timing_light is None:
        text = f"the record states no frame rate; the movie's own {base.rate:.6g} 1/s is taken"
        base = base.with_findings(Diagnostic("rate_not_stated", text))
    if timing_light is not None:
        base = _light_times(base, timing_light, nominal if stated else None, exposure)
    if zero is None:
        return base
    if isinstance(zero, FlashSignal):
        return _zero_by_flash(base, zero, exposure)
    if not 0 <= zero <= frames - 1:
        text = f"time zero, frame {zero:g}, lies outside the film's frames 0 to {frames - 1}"
        base = base.with_findings(Diagnostic("zero_outside", text))
    u = WHOLE_FRAME_U if float(zero).is_integer() else TIME.part_frame_u
    return base.with_zero(float(zero), u, "the record")


def _zero_by_flash(base: TimeBase, flash: FlashSignal, exposure: float | None) -> TimeBase:
    """The same from the moment a flash comes on; the zero stays open where none is seen."""
    duty = None if exposure is None else exposure * base.rate
    found = onset(
        flash.grey,
        white=flash.white,
        duty=duty,
        rest=flash.rest,
        rate=base.rate,
        coded=flash.coded,
    )
    base = base.with_findings(*found.findings)
    if math.isnan(found.frame):
        return base
    hidden = math.hypot(found.hidden, found.hidden_u) / base.rate
    base = base.with_zero(found.frame - flash.lag * base.rate, found.u, "the flash")
    common_u = math.hypot(hidden, flash.lag_u)
    return replace(base, zero_common_u=common_u, zero_late=flash.late)


def _nominal_times(
    frames: int, nominal: float | None, stamps: Array | None, where: str
) -> TimeBase:
    """Times from the stamps if they are usable, else from the nominal rate."""
    stamped = None if stamps is None or len(stamps) != frames else _stamped_times(stamps, nominal)
    if stamped is not None:
        return stamped
    if nominal is None:
        raise CalibrationError(
            "the frame rate is not known: the record gives none and the film has no usable stamps",
            where=where,
            remedy='add frame_rate, as frame_rate = "1000 1/s"',
            status=RECORD,
        )
    seconds = np.arange(frames) / nominal
    findings: tuple[Diagnostic, ...] = ()
    played = math.nan if stamps is None or frames < 2 else float(np.median(np.diff(stamps)))
    apart = abs(played * nominal - 1)
    if (
        played > 0
        and apart > TIME.usable
        and (apart < TIME.playback_share or 1 / played > TIME.playback_rate)
    ):
        text = (
            f"the movie's time stamps are {1 / played:.6g} to the second, the stated rate is "
            f"{nominal:g}; the stated rate is taken"
        )
        findings = (Diagnostic("rate_disagrees", text),)
    return _from_frame_zero(
        seconds, nominal, TIME.rate_u * nominal, f"the rate of {nominal:g} 1/s", findings
    )


def _from_frame_zero(
    seconds: Array, rate: float, rate_u: float, source: str, findings: tuple[Diagnostic, ...]
) -> TimeBase:
    """A time base counted from frame 0, its zero not known."""
    seconds = seconds - seconds[0]
    u = seconds * rate_u / rate
    return TimeBase(seconds, u, rate, rate_u, math.nan, math.nan, source, findings)


def _stamped_times(stamps: Array, nominal: float | None) -> TimeBase | None:
    """Times by stamps, freed from their rounding where they run evenly; None if not usable.

    Frames missing from the film leave gaps of whole frame intervals.
    """
    steps = np.diff(stamps)
    if len(steps) < 2 or not np.all(np.isfinite(steps)) or np.any(steps <= 0):
        return None
    usual = float(np.mean(steps[steps < TIME.gap_steps * np.median(steps)]))
    interval = usual if nominal is None else 1 / nominal
    slots = np.rint(steps / interval)
    if np.median(slots) != 1 or np.any(slots < 1):
        return None
    slot = np.concatenate([[0.0], np.cumsum(slots)])
    (pitch, start), covariance = np.polyfit(slot, stamps, 1, cov="unscaled")
    residual = stamps - start - pitch * slot
    scatter = float(np.sqrt(np.mean(residual**2)))
    pitch_u = math.hypot(scatter * math.sqrt(covariance[0, 0]), TIME.rate_u * pitch)
    rate, rate_u = 1 / float(pitch), pitch_u / float(pitch) ** 2
    if nominal is not None and abs(rate / nominal - 1) > TIME.usable:
        return None
    findings: tuple[Diagnostic, ...] = ()
    if nominal is None:
        pass
    elif abs(rate / nominal - 1) > max(TIME.different, TIME.different_sigmas * rate_u / rate):
        text = (
            f"the movie's time stamps are {rate:.6g} to the second, the stated rate is "
            f"{nominal:g}; the time stamps are taken"
        )
        findings = (Diagnostic("rate_disagrees", text),)
    elif abs(rate - nominal) < TIME.different_sigmas * rate_u:
        rate, rate_u, pitch = nominal, TIME.rate_u * nominal, 1 / nominal
    if scatter > TIME.uneven * pitch:
        text = "the movie's time stamps run unevenly; they are taken as they are"
        findings += (Diagnostic("stamps_uneven", text),)
        return _from_frame_zero(stamps, rate, rate_u, "the movie's time stamps", findings)
    return _from_frame_zero(
        pitch * slot, rate, rate_u, f"the movie's time stamps ({rate:.6g} 1/s)", findings
    )


def _light_times(
    base: TimeBase, light: TimingLightSignal, nominal: float | None, exposure: float | None
) -> TimeBase:
    """Times by a timing light; those of `base` where the light is of no use."""
    duty = None if exposure is None else exposure * base.rate
    found = frame_map(light, nominal=nominal, duty_exposure=duty)
    if isinstance(found, Diagnostic):
        return base.with_findings(found)
    number = np.arange(len(base.seconds), dtype=np.float64)
    seconds = found.clock.seconds(number)
    if not np.all(np.diff(seconds) > 0):
        text = "the timing light gives times that run backwards, so it is not used"
        return base.with_findings(Diagnostic("timing_light_unusable", text))
    u = found.clock.u_between(number, 0.0)
    length = float(seconds[-1] - seconds[0])
    rate = (len(number) - 1) / length
    rate_u = rate * float(u[-1]) / length
    findings = [*found.findings]
    off = TIME.different_sigmas * math.hypot(rate_u, base.rate_u) / rate
    if abs(rate / base.rate - 1) > max(TIME.light_different, off):
        text = (
            f"the timing light gives {rate:.6g} frames/s, {base.source} {base.rate:.6g}; "
            "the light is taken"
        )
        findings.append(Diagnostic("rate_disagrees", text))
    source = f"a timing light of {light.rate:g} 1/s ({found.edges} edges)"
    fields = _from_frame_zero(seconds, rate, rate_u, source, (*base.findings, *findings))
    return replace(fields, seconds_u=u, clock=found.clock)
