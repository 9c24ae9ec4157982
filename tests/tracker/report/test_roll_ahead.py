"""A truck that still rolls as the film ends: one roll-ahead on every page and screen.

By hand: 4.0 m in feet is 4.0 / 0.3048 = 13.123; 2.5 m/s in mi/h is 2.5 / 0.44704 = 5.592.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from tests.support.made_results import made_results
from tracker.core.types import Quantity
from tracker.report.content import document
from tracker.results.headline import headline_cells, headline_of
from tracker.results.schema import Results, Stopping
from tracker.results.series import row_of


@pytest.fixture
def rolling() -> Results:
    """1.274 m so far, 4.0 m to rest by its tyres' friction, still 2.5 m/s."""
    base = made_results()
    truck = replace(
        base.vehicles["truck"],
        travel_x=Quantity(1.274, "m", 0.0094, at_end=True),
        end_speed=Quantity(2.5, "m/s", 0.01),
        stopping=Stopping(Quantity(4.0, "m", 0.1), "friction"),
    )
    return replace(base, vehicles={**base.vehicles, "truck": truck})


def test_report_series_and_terminal_state_the_same_way_to_rest(rolling: Results) -> None:
    terminal = {row[0]: row[1:] for row in headline_cells(headline_of(rolling), "us")}
    assert terminal["truck: roll-ahead to rest"][0].startswith("13.1")
    assert terminal["truck: travel after contact"][0].startswith(">= 4.18")
    assert terminal["truck: speed as the film ends"][0].startswith("5.59")

    assert row_of(rolling, Path()).values["roll_ahead"] == Quantity(4.0, "m", 0.1)

    pages = str(document(rolling, {}))
    assert "roll-ahead, truck (ft) 13.12 ± 0.33" in pages
    assert "speed as the film ends, truck (mi/h) 5.592 ± 0.022" in pages
    assert "travel so far" not in pages


def test_without_friction_the_way_so_far_is_not_called_the_roll_ahead(rolling: Results) -> None:
    truck = replace(rolling.vehicles["truck"], stopping=None)
    results = replace(rolling, vehicles={**rolling.vehicles, "truck": truck})

    pages = str(document(results, {}))
    assert "travel so far, truck (ft) ≥ 4.180 ± 0.031" in pages
    assert "roll-ahead" not in pages.lower()
    assert row_of(results, Path()).values["roll_ahead"] == truck.travel_x
    assert truck.travel_x is not None
    assert truck.travel_x.at_end
