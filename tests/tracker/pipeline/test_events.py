"""The sequence of events: found and typed ones in one order, with the frames that show them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from tests.support.made_results import made_results
from tests.support.small_scene import record_text
from tracker.core.types import Quantity
from tracker.outcome.contact import ContactEnd
from tracker.pipeline.after_contact import is_typed, typed_ends
from tracker.pipeline.events import events
from tracker.record.load import Record, load_record

TYPED = """
[[test.events]]
time = "0.052 s"
text = "lamp goes out"
[[test.events]]
time = "0.25 s"
text = "contact switch opens"
sets = "exit"
u = "1 ms"
"""


@dataclass(frozen=True)
class Motions:
    """What is read of solved motions."""

    of: dict[str, object]
    draws: range = range(2000)


@pytest.fixture
def record(tmp_path: Path) -> Record:
    (tmp_path / "above.mp4").touch()
    path = tmp_path / "record.toml"
    path.write_text(record_text() + TYPED, encoding="utf-8")
    return load_record(path)


def test_found_and_typed_events_stand_in_one_order_with_their_frames(record: Record) -> None:
    """Frames by hand: a film of 1000 1/s whose frame 20 is time zero shows 0.052 s in frame 72."""
    base = made_results()
    car = replace(
        base.vehicles["car"],
        contact_end=Quantity(0.24, "s", 2e-3),
        max_rise=Quantity(0.3, "m", 0.01, 0.2, at_end=True),
    )
    times = {"above": (np.arange(200) - 20) / 1000.0}
    results = replace(base, vehicles={**base.vehicles, "car": car}, times=times)

    found = events(record, results)

    assert [e.time for e in found] == sorted(e.time for e in found)
    by_text = {e.text: e for e in found}
    assert by_text["first contact"].frames == {"above": 20.0}
    assert by_text["lamp goes out"].frames == {"above": pytest.approx(72.0)}
    assert by_text["lamp goes out"].source == "typed"
    assert by_text["contact switch opens"].frames == {}  # after the film's last frame
    assert by_text["contact of car ends"].u == 2e-3
    assert "greatest ride-up of car" not in by_text  # it may still have grown: no event
    assert by_text["greatest pitch, nose down of car"].time == 0.15


def test_an_event_sets_the_loss_of_contact_in_place_of_the_one_found(record: Record) -> None:
    found = {"car": ContactEnd(0.31, 4e-3, True, np.full(2000, 0.31)), "truck": None}
    motions = Motions({"car": SimpleNamespace(), "truck": SimpleNamespace()})

    ends = typed_ends(record, motions, found)  # type: ignore[arg-type]

    end = ends["car"]
    assert end is not None
    assert (end.end, end.u, end.ended) == (0.25, 1e-3, True)
    assert np.std(end.draws) == pytest.approx(1e-3, rel=0.1)
    assert ends["truck"] is None
    assert is_typed(record, "car")
    assert not is_typed(record, "truck")
