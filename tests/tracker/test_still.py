"""Excursions of single fixed targets are hidden; what all of them do is not."""

import numpy as np

from tracker.follow import Followed
from tracker.still import without_slips
from tracker.values import Status, Tracks

FRAMES = 200


def four_targets() -> np.ndarray:
    """Positions (frames, 4, 2) of targets that shake together by some pixels, with noise."""
    rng = np.random.default_rng(3)
    places = np.array([[100.0, 100], [900, 120], [150, 700], [880, 690]])
    shake = np.cumsum(rng.normal(0, 0.3, (FRAMES, 1, 2)), axis=0)
    return places + shake + rng.normal(0, 0.02, (FRAMES, 4, 2))


def followed(position: np.ndarray) -> Followed:
    shape = position.shape[:2]
    covariance = np.broadcast_to(np.eye(2) * 4e-4, (*shape, 2, 2))
    marks = tuple(f"survey.g{i}" for i in range(shape[1]))
    status = np.full(shape, np.int8(Status.MEASURED))
    tracks = Tracks("c", marks, position, covariance, status)
    ones = np.ones(shape)
    return Followed(tracks, ones, ones, ones, {}, ())


def test_what_all_targets_do_together_is_the_picture_s_motion_and_is_kept() -> None:
    kept = without_slips(followed(four_targets()))

    assert kept.tracks.measured.all()


def test_a_short_excursion_of_one_target_is_hidden() -> None:
    position = four_targets()
    position[40:46, 2] += [2.8, -1.0]
    kept = without_slips(followed(position))

    assert np.flatnonzero(~kept.tracks.measured[:, 2]).tolist() == list(range(40, 46))
    assert np.isnan(kept.tracks.position[40:46, 2]).all()
    assert kept.tracks.measured[:, [0, 1, 3]].all()


def test_a_target_that_was_moved_for_good_is_left_to_the_steadiness() -> None:
    position = four_targets()
    position[120:, 1] += [5.0, 0.0]

    assert without_slips(followed(position)).tracks.measured.all()
