"""What a person asks to be predicted, read from text, and the answer as a file."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from calibration.errors import RECORD, RecordError
from tracker.core.types import Quantity
from tracker.core.units import UnitError, parse
from tracker.criteria import Criteria, load_criteria
from tracker.mechanics.predict import Case, Prediction, known_mechanics
from tracker.pipeline.verify import record_of
from tracker.results.schema import Results
from tracker.results.verdicts import Criterion
from tracker.storage.atomic_write import put

LIGHTEST, HEAVIEST = 100.0, 2e5  # kg
FASTEST = 100.0  # m/s


def cases_of(
    results: Results,
    masses: Sequence[str],
    speeds: Sequence[str],
    struck_mass: str | None,
    blocked: bool,
    scatter: float,
) -> list[Case]:
    """Every mass at every speed; what is not given is as in the test.

    Raises Problem where a text is no quantity, or no plausible one, or the test shows no force.
    """
    if blocked and struck_mass is not None:
        raise RecordError(
            "a blocked truck has no mass to give",
            where="--truck-mass",
            remedy="leave out --blocked or --truck-mass",
            status=RECORD,
        )
    known = known_mechanics(results)[0]
    own = results.vehicles[known.striking].mass or 0.0
    heavy = [_mass(text, "--mass") for text in masses] or [own]
    fast = [_speed(text) for text in speeds] or [known.closing_speed.value]
    struck = None if struck_mass is None else _mass(struck_mass, "--truck-mass")
    return [Case(mass, speed, struck, blocked, scatter=scatter) for mass in heavy for speed in fast]


def criteria_of(results: Results, directory: Path, asked: str | None) -> Criteria:
    """The limits asked for (a file is looked for where the program was called), else the test's.

    Raises Problem where there are none of that name.
    """
    if asked is not None:
        return load_criteria(asked)
    name = results.test.criteria
    folder = record_of(results, directory).parent if name.endswith(".toml") else Path()
    return load_criteria(name, folder)


def write_predictions(path: Path, results: Results, predictions: Sequence[Prediction]) -> None:
    """Write the predictions as JSON, SI, in the form of `results.json`.

    Raises Problem where the file's name is not one of JSON or it can't be written.
    """
    if path.suffix.lower() != ".json":
        raise RecordError(
            "predictions are written as JSON",
            where=str(path),
            remedy="name a file that ends in .json",
            status=RECORD,
        )
    content = {
        "schema": 1,
        "test": results.test.number,
        "predictions": [_plain(prediction) for prediction in predictions],
    }
    put(
        path,
        (json.dumps(content, indent=1) + "\n").encode(),
        what="the file can't be written",
        remedy="choose a folder that can be written to",
    )


def _plain(prediction: Prediction) -> dict[str, Any]:
    case = prediction.case
    return {
        "mass": case.mass,
        "speed": case.speed,
        "truck_mass": prediction.struck_mass,
        "blocked": case.blocked,
        "scatter": case.scatter,
        "rate": _quantity(case.rate),
        "figures": {name: _quantity(q) for name, q in prediction.figures.items()},
        "criteria": [_criterion(c) for c in prediction.criteria],
        "notes": list(prediction.notes),
    }


def _quantity(quantity: Quantity | None) -> dict[str, Any] | None:
    if quantity is None:
        return None
    return {"value": quantity.value, "unit": quantity.unit, "u": quantity.u}


def _criterion(criterion: Criterion) -> dict[str, Any]:
    names = ("name", "value", "limit", "unit", "verdict", "source", "u", "note")
    return {name: getattr(criterion, name) for name in names}


def _mass(text: str, where: str) -> float:
    return _within(text, "mass", LIGHTEST, HEAVIEST, where, "from 100 kg to 200 t")


def _speed(text: str) -> float:
    return _within(text, "speed", 0.1, FASTEST, "--speed", "from 0.1 to 100 m/s")


def _within(text: str, kind: str, low: float, high: float, where: str, span: str) -> float:
    try:
        value = parse(text, kind)
    except UnitError as error:
        raise RecordError(error.what, where=where, remedy=error.remedy, status=RECORD) from None
    if not low <= value <= high:
        raise RecordError(
            f"{text!r} is not plausible here",
            where=where,
            remedy=f"check it; it should be {span}",
            status=RECORD,
        )
    return value
