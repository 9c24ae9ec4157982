"""What a person asks of the pictures in a report, beyond what the record says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from calibration.errors import RECORD, RecordError
from tracker.core.units import UnitError, parse
from tracker.results.schema import Results
from tracker.storage.audit_log import Entry, time_of_day


def with_choices(results: Results, times: Sequence[str] = (), slow: float | None = None) -> Results:
    """The results with other times of the photographs (with units) or another slow motion.

    What is not given stays as it was. Raises `Problem` (status `RECORD`) for a time that can't be
    read.
    """
    if not times and slow is None:
        return results
    chosen = tuple(_time(text) for text in times) or results.test.photographs
    slower = results.test.slow_motion if slow is None else slow
    asked = {"photographs": list(chosen), "slow_motion": slower}
    entry = Entry("setting", "pictures of the report", "report", asked, time_of_day())
    test = replace(results.test, photographs=chosen, slow_motion=slower)
    return replace(results, test=test, log=(*results.log, entry))


def _time(text: str) -> float:
    try:
        return parse(text, "time")
    except UnitError as error:
        raise RecordError(error.what, where="--at", remedy=error.remedy, status=RECORD) from None
