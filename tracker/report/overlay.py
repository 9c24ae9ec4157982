"""What is drawn on a frame of a film: marks with their uncertainty, vehicle axes, values."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.arrays import Array
from tracker.core.rigid_body import rotation
from tracker.core.types import STATE, Motion, Status, Tracks
from tracker.core.units import report_unit
from tracker.report.labels import label_places
from tracker.report.options import REPORT
from tracker.results.schema import Results, View

Image = NDArray[np.uint8]

ENLARGED = REPORT.enlarged  # uncertainties are some hundredths of a pixel: shown larger
COVERAGE_2D = 2.4477  # radius of the ellipse that holds 95 % of a normal distribution in a plane
STRIP = 90  # px below the picture, for the values and what has just happened
WIDE = 800  # px: a picture this wide has room for larger letters
MARK, AXES, EDITED = (
    (60, 190, 255),
    ((90, 90, 255), (110, 220, 110), (255, 170, 90)),
    (255, 120, 255),
)
WHITE, BLACK = (255, 255, 255), (0, 0, 0)
FONT = cv2.FONT_HERSHEY_SIMPLEX
SUB = 4  # bits of a pixel's fraction in drawing
ARMS = np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, 1.0]])
CROSS = ARMS[:, None] * np.array([REPORT.open_middle, REPORT.open_middle + 7.0])[:, None]  # px
CIRCLE = np.stack([f(np.arange(0, 2 * np.pi, np.pi / 24)) for f in (np.cos, np.sin)], axis=1)
COLUMN = {name: i for i, name in enumerate(STATE)}


def grey(luma: NDArray[np.uint8] | NDArray[np.uint16], white: int) -> Image:
    """Luma as 8 bits, full scale `white`."""
    if luma.dtype == np.uint8 and white == 255:
        return np.asarray(luma, dtype=np.uint8)
    return cv2.convertScaleAbs(luma, alpha=255.0 / white).astype(np.uint8, copy=False)


@dataclass(frozen=True)
class Overlay:
    """Draws on the frames of one camera."""

    camera: str
    results: Results
    view: View
    slow: float  # how many times slower than life the film is shown; 0 for a photograph

    def annotate_frame(self, frame: int, luma: Image) -> Image:
        """The frame in colour (height + STRIP, width, 3), marks and values on it."""
        height, width = luma.shape
        picture = np.empty((height + STRIP, width, 3), dtype=np.uint8)
        picture[height:] = 0
        cv2.cvtColor(luma, cv2.COLOR_GRAY2BGR, dst=picture[:height])
        inside = picture[:height]
        tracks = self.results.tracks.get(self.camera)
        if tracks is not None and frame < len(tracks.position):
            _marks(inside, tracks, frame)
        time = self.time(frame)
        if time is not None:
            for vehicle, motion in self.results.motion.items():
                self._axes(inside, vehicle, motion, frame, time)
        self._values(picture[height:], frame, time)
        return picture

    def time(self, frame: int) -> float | None:
        """Time of a frame, s; None where it is not known."""
        times = self.results.times.get(self.camera)
        if times is None or frame >= len(times) or not np.isfinite(times[frame]):
            return None
        return float(times[frame])

    def _axes(self, picture: Image, name: str, motion: Motion, frame: int, time: float) -> None:
        camera = self.view.camera
        state = at_time(motion, time)
        if camera is None or state is None or not np.isfinite(state[:3]).all():
            return
        axes = rotation(np.nan_to_num(state[3:6])).T  # rows: x, y, z of the vehicle
        ends = np.vstack([np.zeros(3), axes * [[1.0], [0.6], [0.6]]]) + state[:3]
        pixels = self._in_frame(camera.project(ends), frame)
        if not np.isfinite(pixels).all() or np.abs(pixels).max() > 1e5:
            return
        for end, colour in zip(pixels[1:], AXES, strict=True):
            cv2.arrowedLine(
                picture,
                _fixed_point(pixels[0]),
                _fixed_point(end),
                colour,
                2,
                cv2.LINE_AA,
                SUB,
                0.12,
            )
        cv2.putText(picture, name, _whole(pixels[1], 6), FONT, 0.5, AXES[0], 1, cv2.LINE_AA)

    def _in_frame(self, pixels: Array, frame: int) -> Array:
        """Pixels (n, 2) of the stabilised picture as they lie in a frame."""
        steadiness, centre = self.view.steadiness, self.view.centre
        if steadiness is None or centre is None or frame >= len(steadiness):
            return pixels
        du, dv, turn, scale = np.nan_to_num(steadiness[frame])
        rest = (pixels[:, 0] - centre[0]) + 1j * (pixels[:, 1] - centre[1])
        placed = rest * np.exp(scale + 1j * turn) + du + 1j * dv
        return np.column_stack([placed.real + centre[0], placed.imag + centre[1]])

    def _values(self, strip: Image, frame: int, time: float | None) -> None:
        parts = [] if time is None else [f"t = {time:+.4f} s"]
        parts += [self.camera, f"frame {frame}", self.results.test.number]
        parts += [f"{self.slow:.0f} x slower"] if self.slow else []
        _line(strip, [*parts, f"ellipses: 95 %, enlarged {ENLARGED:.0f} x"], 0)
        if time is not None:
            texts = [self._values_text(v, m, time) for v, m in self.results.motion.items()]
            _line(strip, [text for text in texts if text], 1)
            _line(strip, self._captions(time), 2)

    def _captions(self, time: float) -> list[str]:
        """Events that have just happened, the latest first, for as long as each can be read."""
        shown = REPORT.caption_time
        if self.slow:
            shown /= self.slow
        recent = [e for e in self.results.events if 0.0 <= time - e.time <= shown]
        return [e.text.upper() for e in sorted(recent, key=lambda e: -e.time)]

    def _values_text(self, vehicle: str, motion: Motion, time: float) -> str:
        state, system = at_time(motion, time), self.results.test.report_units
        if state is None:
            return ""
        parts = []
        velocity = state[COLUMN["vx_mps"] : COLUMN["vz_mps"] + 1]
        speed = np.sqrt(np.nansum(velocity**2)) if np.isfinite(velocity).any() else np.nan
        for name, value, kind, digits in (
            ("speed", speed, "speed", 1),
            ("pitch", state[COLUMN["pitch_rad"]], "angle", 1),
            ("yaw", state[COLUMN["yaw_rad"]], "angle", 1),
        ):
            if np.isfinite(value):
                unit, factor = report_unit(kind, system)
                parts.append(f"{name} {value * factor:.{digits}f} {unit}")
        return f"{vehicle}: {', '.join(parts)}" if parts else ""


def at_time(motion: Motion, time: float) -> Array | None:
    """The state (15,) at a time, NaN where not observed; None outside the motion."""
    if len(motion.time) == 0 or not motion.time[0] <= time <= motion.time[-1]:
        return None
    right = int(np.clip(np.searchsorted(motion.time, time), 1, max(len(motion.time) - 1, 1)))
    left = right - 1
    if right >= len(motion.time):
        return np.asarray(np.where(motion.observed_mask[left], motion.state[left], np.nan))
    share = (time - motion.time[left]) / (motion.time[right] - motion.time[left])
    state = (1 - share) * motion.state[left] + share * motion.state[right]
    return np.asarray(
        np.where(motion.observed_mask[left] & motion.observed_mask[right], state, np.nan)
    )


def _marks(picture: Image, tracks: Tracks, frame: int) -> None:
    shown = np.flatnonzero(tracks.measured_mask[frame])
    place = tracks.position[frame, shown]
    edited: NDArray[np.bool_] = np.equal(tracks.status[frame, shown], Status.EDITED)
    known = np.isfinite(tracks.covariance[frame, shown]).all(axis=(1, 2))
    crosses = _corners(place[:, None, None] + CROSS).reshape(len(shown), 4, 2, 2)
    ellipses = _corners(_ellipses(place, tracks.covariance[frame, shown]))
    _lines(picture, crosses.reshape(-1, 2, 2), BLACK, 3)
    for which, colour in ((~edited, MARK), (edited, EDITED)):
        _lines(picture, crosses[which].reshape(-1, 2, 2), colour, 1)
        _lines(picture, ellipses[which & known], BLACK, 3, closed=True)
        _lines(picture, ellipses[which & known], colour, 1, closed=True)
    names = [tracks.marks[i].marker for i in shown]
    for i, name, (u, v) in zip(shown, names, label_places(place, names, picture), strict=True):
        colour = EDITED if tracks.status[frame, i] == Status.EDITED else MARK
        for at, ink in (((u - 1, v), BLACK), ((u + 1, v + 1), BLACK), ((u, v), colour)):
            cv2.putText(picture, name, at, FONT, 0.4, ink, 1, cv2.LINE_AA)


def _ellipses(place: Array, covariance: Array) -> Array:
    """Outlines (n, corners, 2) of the enlarged 95 % ellipses; of marks without one a point."""
    known = np.isfinite(covariance).all(axis=(1, 2), keepdims=True)
    variance, axes = np.linalg.eigh(np.where(known, covariance, 0.0))
    half = COVERAGE_2D * ENLARGED * np.sqrt(np.clip(variance, 0, 4.0))
    return np.asarray(place[:, None] + np.einsum("nij,nj,kj->nki", axes, half, CIRCLE))


def _corners(pixels: Array) -> NDArray[np.int32]:
    """Pixels as whole numbers for drawing, `SUB` bits of them fractions."""
    return np.asarray(np.rint(np.clip(pixels, -1e5, 1e5) * 2**SUB), dtype=np.int32)


def _lines(
    picture: Image,
    lines: NDArray[np.int32],
    colour: tuple[int, int, int],
    width: int,
    closed: bool = False,
) -> None:
    if len(lines):
        cv2.polylines(picture, list(lines), closed, colour, width, cv2.LINE_AA, SUB)


def _line(strip: Image, parts: list[str], row: int) -> None:
    """As many of the parts as the strip is wide for, at least what it shows of the first."""
    scale = 0.5 if strip.shape[1] >= WIDE else 0.4
    room = max(int((strip.shape[1] - 20) / (19 * scale)), 4)  # characters
    text = ""
    for part in parts:
        longer = f"{text}   {part}" if text else part
        if text and len(longer) > room:
            break
        text = longer
    text = text if len(text) <= room else f"{text[: room - 3]}..."
    plain = text.encode("ascii", "replace").decode()
    cv2.putText(strip, plain, (10, 25 + 26 * row), FONT, scale, WHITE, 1, cv2.LINE_AA)


def _fixed_point(pixel: Array) -> tuple[int, int]:
    return round(float(pixel[0]) * 2**SUB), round(float(pixel[1]) * 2**SUB)


def _whole(pixel: Array, shift: int) -> tuple[int, int]:
    return round(float(pixel[0])) + shift, round(float(pixel[1])) - shift
