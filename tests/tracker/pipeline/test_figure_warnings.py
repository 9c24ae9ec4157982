"""Remarks on figures that hang on a convention or on where a record ends."""

from dataclasses import dataclass, fields, replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from tracker.core.types import Quantity
from tracker.pipeline.figure_warnings import figure_warnings
from tracker.results.schema import Occupant, OccupantResult, VehicleResult


@dataclass(frozen=True)
class Table:
    """What is read of a record's vehicle."""

    role: str = "striking"


def codes(occupant, contact=None, criteria="mash2016"):
    test = SimpleNamespace(criteria=criteria, decision="guarded")
    record = SimpleNamespace(vehicles={"car": Table()}, test=test, folder=Path())
    result = VehicleResult(role="striking", occupant=occupant, contact_end=contact)
    return {w.code for w in figure_warnings(record, {"car": result}, {"car"}, set())}


def by_windows(centred, after, u=0.1):
    return Occupant(
        film=OccupantResult(
            oiv_x=Quantity(10.0, "m/s", 0.01),
            oiv_time=Quantity(0.1, "s", 1e-4),
            ridedown_x=Quantity(centred, "g", u),
            ridedown_x_after=Quantity(after, "g", u),
        )
    )


@pytest.mark.parametrize(
    ("centred", "after", "reported"),
    [
        (-16.5, -15.24, True),  # 12 u apart
        (-12.0, -11.9, False),
        (-20.75, -20.60, True),  # near the limit of 20.49 g: a fail, and an undetermined one
    ],
)
def test_a_ridedown_that_hangs_on_its_windows_is_reported(centred, after, reported):
    assert ("ridedown_window" in codes(by_windows(centred, after))) == reported


def test_a_film_that_ends_in_contact_is_reported():
    open_end = Quantity(0.12, "s", 1e-3, at_end=True)
    occupant = by_windows(-12.0, -12.0)
    assert "film_ends_in_contact" in codes(occupant, open_end)
    assert "film_ends_in_contact" not in codes(occupant, Quantity(0.12, "s", 1e-3))


def test_an_occupant_who_reaches_nothing_is_reported():
    none = Occupant(film=OccupantResult(oiv_x=Quantity(-2.0, "m/s", 0.01)))
    assert "no_occupant_contact" in codes(none)
    assert "no_occupant_contact" not in codes(by_windows(-12.0, -12.0))


@pytest.mark.parametrize(("filtered", "warned"), [(1.44, True), (1.35, False)])
def test_an_asi_whose_class_hangs_on_the_edition_is_warned_of(filtered, warned):
    """Half-sine of 17.5 g over 100 ms: 1.313 by 50 ms means (B), 1.44 by the 13 Hz filter (C)."""
    asi = Occupant(
        film=OccupantResult(asi=Quantity(1.313, "1", 0.005), asi_13hz=Quantity(filtered, "1", 0.02))
    )
    for criteria in ("en1317", "en1317-2010"):
        assert ("severity_class" in codes(asi, criteria=criteria)) == warned
    assert "severity_class" not in codes(asi, criteria="mash2016")


def test_what_a_film_leaves_open_is_said() -> None:
    """Which figures want which quantity: `film_occupant`; each that is None has its sentence."""
    q = Quantity(-12.0, "m/s", 0.1)
    whole = OccupantResult(**{f.name: q for f in fields(OccupantResult)})
    assert "occupant_open" not in codes(Occupant(film=whole))
    assert "occupant_open" in codes(Occupant())
    for missing in (
        ("oiv_y", "ridedown_y", "mean50_y", "velocity_change_y", "thiv", "phd", "asi", "asi_13hz"),
        ("thiv", "phd"),
        ("asi", "asi_13hz"),
    ):
        part = replace(whole, **dict.fromkeys(missing))
        assert "occupant_open" in codes(Occupant(film=part)), missing
