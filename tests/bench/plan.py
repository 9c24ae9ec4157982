"""Plan against fact: predicted and achieved uncertainties of a test that was analysed.

    python tests/bench/plan.py RECORD RESULTS

Takes the record as a plan (its films are not opened), with the vehicles where the results have
them at time zero and films as long as they were, and prints both uncertainties of each headline
number.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from calibration.arrays import Array
from tracker.core.types import Quantity
from tracker.planning.layout import stands
from tracker.planning.motion import planned_motion
from tracker.planning.noise import AssumedPicture
from tracker.planning.numbers import numbers
from tracker.planning.predict import predict
from tracker.record.load import PlannedRecord, load_planned
from tracker.results.folder import read_results
from tracker.results.schema import Results


def placed(record: PlannedRecord, results: Results) -> PlannedRecord:
    """The record with the vehicles where they were at time zero; level and straight."""
    vehicles = {}
    for name, table in record.vehicles.items():
        motion = results.motion[name]
        cg = [np.interp(0.0, motion.time, motion.state[:, k]) for k in range(3)]
        at = tuple(np.subtract(cg, table.cg).tolist())
        vehicles[name] = table.model_copy(update={"at_contact": at})
    return record.model_copy(update={"vehicles": vehicles})


def achieved(results: Results, key: str) -> Quantity | None:
    """What the films gave."""
    vehicle, _, field = key.partition(".")
    if key == "crush":
        quantity = results.crush.max_dynamic if results.crush else None
    else:
        of = results.vehicles[vehicle]
        quantity = getattr(of, field, None) or getattr(of.occupant.film, field, None)
    return quantity


def main(record_path: Path, results_path: Path) -> None:
    results = read_results(results_path)
    record = placed(load_planned(record_path), results)
    times = np.concatenate(list(results.times.values()))
    span = (float(times.min()), float(times.max()))
    outlook = predict(record, stands(record), planned_motion(record), span, AssumedPicture())
    ratios: dict[str, list[float]] = {"all": []}
    for number in numbers(outlook):
        fact = achieved(results, number.key)
        if fact is None:
            continue
        expected = number.quantity
        ratio = expected.u / fact.u
        for which in ("all", number.key.partition(".")[0]):
            ratios.setdefault(which, []).append(ratio)
        print(f"{number.label:48} {expected.u:9.3g} {fact.u:9.3g} {ratio:6.2f}")
    for which, found in ratios.items():
        reported(which, np.array(found))


def reported(which: str, ratios: Array) -> None:
    """One line about ratios of plan over fact."""
    within = np.mean((ratios > 1 / 1.2) & (ratios < 1.2))
    low, high = np.percentile(ratios, [10, 90])
    print(
        f"{which}: {len(ratios)}, plan over fact {np.exp(np.mean(np.log(ratios))):.2f} (geometric "
        f"mean), {low:.2f} to {high:.2f} (10 to 90 %); {100 * within:.0f} % within a factor of 1.2"
    )


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
