"""Fixed targets whose pick contradicts the survey, in a rendered picture of known truth."""

from dataclasses import replace

import numpy as np
import pytest

from tests.support import small_scene
from tests.support.rendered_film import film_of
from tracker.camera.pick_conflicts import reconcile_picks
from tracker.core.types import Mark
from tracker.film import Film

PX = small_scene.TARGET * small_scene.FOCAL / small_scene.HEIGHT


@pytest.fixture(scope="module")
def film() -> Film:
    return film_of(lambda _: small_scene.picture(0), 1)


def marks(**elsewhere: tuple[float, float]) -> tuple[Mark, ...]:
    """The fixed targets at their true pixels, but for those stated to be elsewhere."""
    return tuple(
        Mark(f"survey.{name}", "quadrant", elsewhere.get(name, small_scene.pixel(*at)), 0, PX)
        for name, at in small_scene.FIXED.items()
    )


def test_good_picks_are_left_alone(film: Film) -> None:
    rough = marks(g1=tuple(np.add(small_scene.pixel(*small_scene.FIXED["g1"]), 3)))
    assert reconcile_picks(film, rough, marks(), "here") == (marks(), [])


def test_two_targets_picked_where_the_other_is_are_named_together(film: Film) -> None:
    g1, g2 = (small_scene.pixel(*small_scene.FIXED[n]) for n in ("g1", "g2"))

    kept, warnings = reconcile_picks(film, marks(g1=g2, g2=g1), marks(), "here")

    assert kept == marks()
    assert [w.code for w in warnings] == ["picks_exchanged"]
    assert "g1 and g2" in warnings[0].text


def test_a_pick_on_something_else_is_named_and_the_target_found(film: Film) -> None:
    kept, warnings = reconcile_picks(film, marks(g3=(240.0, 100.0)), marks(), "here")

    assert kept == marks()
    assert [w.code for w in warnings] == ["pick_contradicts"]
    assert "g3 was picked at (240, 100)" in warnings[0].text


@pytest.mark.parametrize("place", [(240.0, 60.0), (-90.0, 60.0)])
def test_a_target_with_wrong_coordinates_is_followed_where_it_was_picked(
    film: Film, place: tuple[float, float]
) -> None:
    """Nothing is where the coordinates have it: the pose then shows how wrong they are."""
    kept, warnings = reconcile_picks(film, marks(), marks(g4=place), "here")

    assert not warnings
    assert [m.pixel for m in kept] == [m.pixel for m in marks()]


def test_picks_that_are_all_rough_are_no_contradiction(film: Film) -> None:
    rough = [replace(m, pixel=(m.pixel[0] + 40, m.pixel[1])) for m in marks()]
    assert reconcile_picks(film, rough, marks(), "here") == (marks(), [])
