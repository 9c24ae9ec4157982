"""Every number that steers a stage says its unit, its range, its effect and its source."""

import importlib
from dataclasses import FrozenInstanceError, is_dataclass
from pathlib import Path

import pytest

import calibration
import tracker
from calibration.options import describe_options, option


def option_values():
    """Every module-level options value of both packages, by its name."""
    for package in (calibration, tracker):
        home = Path(package.__file__).parent
        for file in sorted(home.rglob("options.py")):
            if file.parent == home:
                continue
            name = ".".join((package.__name__, *file.relative_to(home).with_suffix("").parts))
            module = importlib.import_module(name)
            for key, value in vars(module).items():
                if key.isupper() and is_dataclass(value):
                    yield f"{name}.{key}", value


VALUES = dict(option_values())


def test_the_stages_have_options():
    assert {name.rsplit(".", 2)[0] for name in VALUES} >= {
        "calibration.board",
        "calibration.image_motion",
        "calibration.resection",
        "calibration.scale_bars",
        "calibration.time",
        "tracker.camera",
        "tracker.film",
    }


@pytest.mark.parametrize("name", VALUES)
def test_an_option_says_what_it_does(name):
    entries = list(describe_options(VALUES[name]))
    assert entries
    for entry in entries:
        assert entry.unit, entry.name
        assert entry.effect, entry.name
        assert entry.source, entry.name
        low, high = entry.bounds
        assert low < high, entry.name
        assert low <= entry.value <= high, entry.name


@pytest.mark.parametrize("name", VALUES)
def test_options_do_not_change(name):
    value = VALUES[name]
    with pytest.raises(FrozenInstanceError):
        setattr(value, next(iter(describe_options(value))).name, 1)


def test_a_default_outside_its_bounds_is_refused():
    with pytest.raises(ValueError, match="outside its bounds"):
        option(3.0, "1", (0.0, 1.0), "more of it")
