"""Values that travel between rooms."""

import pickle

import pytest

from tracker.core.types import SURVEY, Mark, MarkId


def test_a_marks_identity_is_its_text_in_a_file() -> None:
    roof = MarkId("car", "roof1")
    assert {"car.roof1": 1}[roof] == 1
    assert MarkId.parse("car.roof1") == roof
    assert (roof.vehicle, roof.marker, roof.is_fixed) == ("car", "roof1", False)
    assert MarkId.parse("survey.g1").is_fixed
    assert MarkId(SURVEY, "g1") == "survey.g1"


def test_a_marks_identity_stays_one_in_another_process() -> None:
    again = pickle.loads(pickle.dumps(MarkId("car", "roof1")))
    assert type(again) is MarkId
    assert again == "car.roof1"


@pytest.mark.parametrize("text", ["roof1", ".roof1", "car.", ""])
def test_text_that_names_no_mark_is_none(text: str) -> None:
    with pytest.raises(ValueError, match="name no mark"):
        MarkId.parse(text)


def test_a_mark_knows_its_vehicle() -> None:
    assert Mark("car.roof1", "disc", (1.0, 2.0), 0, 9.0).name.vehicle == "car"
