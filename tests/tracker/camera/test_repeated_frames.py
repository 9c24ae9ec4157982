"""Copies of frames are known by the vehicles that stand still in them."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.time.timebase import time_base
from tracker.camera.repeated_frames import (
    RepeatedFrames,
    correct_repeat_times,
    find_repeats,
    hide_repeats,
    repeat_diagnostics,
)
from tracker.core.types import Status, Tracks

FRAMES, SPEED, BRAKING = 90, 3.0, 0.05  # px a frame, px a frame^2 after the middle


def tracks_of(shown: np.ndarray, marks: int = 4, noise: float = 0.02) -> Tracks:
    """Marks of a car at the frames `shown` of a film without faults; the picture weaves."""
    rng = np.random.default_rng(2)
    late = np.clip(shown - 45.0, 0, None)
    along = SPEED * shown - BRAKING / 2 * late**2
    place = np.zeros((len(shown), marks + 1, 2))
    place[:, :marks, 0] = along[:, None]
    place += 100.0 * rng.random((marks + 1, 2)) + noise * rng.standard_normal(place.shape)
    place += rng.normal(0, 0.1, (FRAMES, 1, 2))[shown]  # a copy weaves as its original did
    names = (*(f"car.m{k}" for k in range(marks)), "survey.g1")
    status = np.full(place.shape[:2], Status.MEASURED, dtype=np.int8)
    covariance = np.broadcast_to(noise**2 * np.eye(2), (*status.shape, 2, 2))
    return Tracks("side", names, place, covariance, status)


def test_a_scan_that_stopped_has_frames_too_many() -> None:
    shown = np.sort(np.append(np.arange(FRAMES), [11, 30, 31, 60]))
    copies = np.flatnonzero(np.diff(shown) == 0) + 1

    found = find_repeats(tracks_of(shown))

    assert found.frames.tolist() == copies.tolist()
    assert found.inserted
    (warning,) = repeat_diagnostics(found, "cameras.side")
    assert "frames too many" in warning.text


def test_a_camera_that_filled_in_lost_frames_lost_no_time() -> None:
    shown = np.arange(FRAMES)
    shown[[20, 21, 50]] = [19, 19, 49]

    found = find_repeats(tracks_of(shown))

    assert found.frames.tolist() == [20, 21, 50]
    assert not found.inserted


def test_every_fifth_frame_doubled_by_a_transfer_to_video_is_found() -> None:
    shown = np.sort(np.append(np.arange(80), np.arange(3, 80, 4)))

    found = find_repeats(tracks_of(shown))

    assert found.frames.tolist() == (np.flatnonzero(np.diff(shown) == 0) + 1).tolist()
    assert found.inserted


def test_a_picture_that_weaves_about_a_car_at_rest_repeats_nothing() -> None:
    weave = np.random.default_rng(3).normal(0, 0.7, (FRAMES, 1, 2))
    weave[70:75] = weave[70]  # and stands still for once
    tracks = tracks_of(np.zeros(FRAMES, np.int64))
    tracks = replace(tracks, position=tracks.position + weave)

    assert not len(find_repeats(tracks).frames)


def test_a_car_that_comes_to_rest_repeats_nothing() -> None:
    assert not len(find_repeats(tracks_of(np.arange(FRAMES), noise=0.05)).frames)
    still = tracks_of(np.zeros(FRAMES, dtype=int))
    assert not len(find_repeats(still).frames)


def test_copies_show_no_marks_and_take_no_time() -> None:
    shown = np.sort(np.append(np.arange(FRAMES), [11, 30, 60]))
    tracks, nan = tracks_of(shown), np.full(len(shown), np.nan)
    found = find_repeats(tracks)
    clock = time_base(len(shown), stamps=nan, rate=500.0, stated=True, zero=31.5)

    cleaned, times = hide_repeats(tracks, found), correct_repeat_times(clock, found)

    assert (cleaned.status[found.frames] == Status.HIDDEN).all()
    assert np.isnan(cleaned.position[found.frames]).all()
    assert times.seconds == pytest.approx((shown - np.interp(31.5, range(len(shown)), shown)) / 500)
    lost = RepeatedFrames(found.frames, inserted=False)
    assert correct_repeat_times(clock, lost) is clock


def test_a_car_that_enters_beside_a_standing_truck_is_no_copy() -> None:
    """While one of its marks is missed, the marks that move are fewer, and the frame is no copy."""
    shown = tracks_of(np.arange(FRAMES), marks=3)
    rng = np.random.default_rng(5)
    still = np.tile(300.0 + 100.0 * rng.random((5, 2)), (FRAMES, 1, 1))
    still += shown.position[:, -1:] - shown.position[:1, -1:]  # weaves with the picture
    place = np.concatenate([shown.position, still], axis=1)
    status = np.full(place.shape[:2], Status.MEASURED, dtype=np.int8)
    status[:, :3][rng.random((FRAMES, 3)) < 0.3] = Status.HIDDEN
    names = (*shown.marks, *(f"truck.m{k}" for k in range(5)))
    covariance = np.broadcast_to(4e-4 * np.eye(2), (*status.shape, 2, 2))

    found = find_repeats(Tracks("side", names, place, covariance, status))

    assert not len(found.frames)
