"""Excursions of single fixed targets are hidden; what all of them do is not."""

import numpy as np

from tracker.camera.target_slips import reject_slips
from tracker.core.types import Status, Tracks
from tracker.tracking import TrackingResult

FRAMES = 200


def four_targets() -> np.ndarray:
    """Positions (frames, 4, 2) of targets that shake together by some pixels, with noise."""
    rng = np.random.default_rng(3)
    places = np.array([[100.0, 100], [900, 120], [150, 700], [880, 690]])
    shake = np.cumsum(rng.normal(0, 0.3, (FRAMES, 1, 2)), axis=0)
    return places + shake + rng.normal(0, 0.02, (FRAMES, 4, 2))


def followed(position: np.ndarray) -> TrackingResult:
    shape = position.shape[:2]
    covariance = np.broadcast_to(np.eye(2) * 4e-4, (*shape, 2, 2))
    marks = tuple(f"survey.g{i}" for i in range(shape[1]))
    status = np.full(shape, np.int8(Status.MEASURED))
    tracks = Tracks("c", marks, position, covariance, status)
    ones = np.ones(shape)
    return TrackingResult(tracks, ones, ones, ones, {}, ())


def test_what_all_targets_do_together_is_the_picture_s_motion_and_is_kept() -> None:
    kept = reject_slips(followed(four_targets()))

    assert kept.tracks.measured_mask.all()


def test_a_picture_that_turns_and_grows_hides_no_target_but_the_slipped_one() -> None:
    """Film weave turns the picture, too: 1.5 mrad are 0.8 px at the picture's corners."""
    rng = np.random.default_rng(5)
    position = four_targets()
    away = position - [640.0, 512.0]
    turn, growth = 1.5e-3 * rng.standard_normal((2, FRAMES, 1))
    turned = np.stack(
        [
            away[..., 0] * (1 + growth) - away[..., 1] * turn,
            away[..., 1] * (1 + growth) + away[..., 0] * turn,
        ],
        axis=2,
    )
    position = turned + np.array([640.0, 512.0])
    position[40:46, 2] += [2.8, -1.0]

    kept = reject_slips(followed(position)).tracks.measured_mask

    assert np.flatnonzero(~kept[:, 2]).tolist() == list(range(40, 46))
    assert kept[:, [0, 1, 3]].all()


def test_a_short_excursion_of_one_target_is_hidden() -> None:
    position = four_targets()
    position[40:46, 2] += [2.8, -1.0]
    kept = reject_slips(followed(position))

    assert np.flatnonzero(~kept.tracks.measured_mask[:, 2]).tolist() == list(range(40, 46))
    assert np.isnan(kept.tracks.position[40:46, 2]).all()
    assert kept.tracks.measured_mask[:, [0, 1, 3]].all()


def test_a_target_that_was_moved_for_good_is_left_to_the_stabilisation() -> None:
    position = four_targets()
    position[120:, 1] += [5.0, 0.0]

    assert reject_slips(followed(position)).tracks.measured_mask.all()
