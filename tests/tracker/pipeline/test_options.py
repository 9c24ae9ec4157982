"""The log of an analysis holds every number that steered it."""

import json
from dataclasses import is_dataclass
from importlib import import_module
from pathlib import Path

import pytest

import calibration
import tracker
from calibration.options import describe_options
from tracker.pipeline.stage_options import STAGES, stage_options
from tracker.storage.audit_log import Entry, log_text, read_log

ELSEWHERE = ("tracker.demo", "tracker.planning", "tracker.report", "tracker.workbench")
"""Their options steer drawings, plans, pages and a server, no result."""


def options_values():
    """Every options value of both packages that steers a result, by its place in the code."""
    for package in (calibration, tracker):
        home = Path(package.__file__).parent
        for file in sorted(home.rglob("*options.py")):
            name = ".".join((package.__name__, *file.relative_to(home).with_suffix("").parts))
            if (
                name in ("calibration.options", "tracker.pipeline.stage_options")
                or name.removesuffix(".options") in ELSEWHERE
            ):
                continue
            for key, value in vars(import_module(name)).items():
                if key.isupper() and is_dataclass(value):
                    yield f"{name}.{key}", value


VALUES = dict(options_values())


@pytest.mark.parametrize("place", VALUES)
def test_every_stage_is_listed(place):
    assert any(listed is VALUES[place] for listed in STAGES.values())


def test_every_option_is_there_with_value_and_unit():
    found = stage_options()
    assert len(found) == sum(len(list(describe_options(value))) for value in VALUES.values())
    for stage, options in STAGES.items():
        for option in describe_options(options):
            assert found[f"{stage}.{option.name}"] == {"value": option.value, "unit": option.unit}


def test_the_entry_survives_the_log():
    entry = Entry("setting", "options of the stages", data={"options": stage_options()})
    (read,) = read_log(log_text([entry]), "log.jsonl")
    assert json.dumps(read.data) == json.dumps(entry.data)


def test_an_analysis_writes_them(quick_demo):
    (place,) = quick_demo.rglob("log.jsonl")
    entries = read_log(place.read_text("utf-8"), "log.jsonl")
    (found,) = [entry for entry in entries if entry.text == "options of the stages"]
    assert found.kind == "setting"
    assert found.data["options"] == stage_options()
