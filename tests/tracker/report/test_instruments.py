"""What the report says of filters, sensor blocks, and the end of contact: none of it may be
missing beside the figures that hang on it.
"""

from __future__ import annotations

from dataclasses import replace

from tests.support.made_results import made_results
from tracker.core.types import Quantity
from tracker.outcome.processing import PROCESSING
from tracker.report.content import document
from tracker.report.instruments import sensor_blocks
from tracker.results.channels import ChannelFinding
from tracker.results.headline import headline_cells, headline_of
from tracker.results.schema import AccelerometerResult, OccupantResult


def test_every_sensor_block_stands_with_its_rate_class_figures_and_faults() -> None:
    """By hand: 12.192 m/s is 40.00 ft/s."""
    near = AccelerometerResult(
        "cg", "car", True, (), OccupantResult(oiv_x=Quantity(12.192, "m/s", 0.03048)), 10_000.0, 180
    )
    fault = ChannelFinding("ay", "dropout", 0.05, 1e-3, "s", "died at 50 ms")
    rear = AccelerometerResult("rear", "car", False, (fault,), None, 20_000.0, None)
    results = replace(made_results(), accelerometers=(near, rear))

    table = sensor_blocks(results)

    assert table is not None
    first, second = (dict(zip(table.head, row, strict=True)) for row in table.rows)
    assert (first["block"], first["judges"], first["samples (1/s)"]) == ("cg", "yes", "10000")
    assert first["CFC"] == "180"
    assert first["OIV, x (ft/s)"] == "40.00 ± 0.10"
    assert (second["judges"], second["CFC"]) == ("no", "none")
    assert second["OIV, x (ft/s)"].strip("\u2007\u2008") == "–"
    assert second["faults"] == "ay: dropout"


def test_filters_and_means_stand_in_the_report() -> None:
    pages = str(document(replace(made_results(), processing=PROCESSING), {}))

    for word in ("SAE J211-1", "CFC 180", "10 ms", "50 ms", "13 Hz", "not filtered"):
        assert word in pages


def test_the_end_of_contact_is_printed_with_its_uncertainty() -> None:
    base = made_results()
    car = replace(base.vehicles["car"], contact_end=Quantity(0.1834, "s", 2.1e-3))
    ended = replace(base, vehicles={**base.vehicles, "car": car})
    lasting = replace(car, contact_end=Quantity(0.2, "s", 1e-3, at_end=True))

    assert "0.1834 ± 0.0021" in str(document(ended, {}))
    terminal = {row[0]: row[1:] for row in headline_cells(headline_of(ended), "us")}
    assert terminal["car: end of contact"] == ("0.1834", "0.0021", "s")
    open_end = replace(base, vehicles={**base.vehicles, "car": lasting})
    assert "≥ 0.2000 ± 0.0010" in str(document(open_end, {}))
