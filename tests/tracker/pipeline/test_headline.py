"""The first numbers of an analysis: before draws and budgets, and the same values."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.support.small_scene import write_small_test
from tracker.pipeline import analyse as road
from tracker.pipeline.analyse import analyse
from tracker.processes.supervisor import JobProcess
from tracker.record.load import load_record
from tracker.results.headline import headline_of, headline_rows

JOB = """
from tracker.processes.child import announce_result, run_job
def work(report_progress):
    report_progress("motion", 1, 2)
    announce_result({"headline": {"rows": [["car: impact speed", "27.9", "0.1", "m/s"]]}})
    report_progress("motion", 2, 2)
run_job(work)
"""


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory):
    """What an analysis shows, in its order, and its results."""
    record = load_record(write_small_test(tmp_path_factory.mktemp("small")))
    order = []
    assemble = road.assemble_results
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            road, "assemble_results", lambda found: order.append("results") or assemble(found)
        )
        results = analyse(record, show_headline=order.append)
    return order, results


def test_headline_numbers_come_before_the_results_are_assembled(shown):
    order, _ = shown
    headline, then = order
    assert then == "results"
    assert headline.vehicles["car"].impact_speed is not None


def test_first_numbers_are_those_of_the_results(shown):
    (headline, _), results = shown
    first = {label: q for label, q, _ in headline_rows(headline.vehicles, headline.crush)}
    last = {label: q for label, q, _ in headline_of(results)}
    assert set(first) <= set(last)
    for label, quantity in first.items():
        if quantity is None:
            assert last[label] is None
            continue
        assert quantity.value == pytest.approx(last[label].value, rel=1e-12, abs=1e-12)
        # of 60 draws u is known to 9 %, of 300 to 4 % (GUM, E.4.3): four such spreads
        assert quantity.u == pytest.approx(last[label].u, rel=0.4)


def test_a_job_announces_what_it_knows_before_its_end(tmp_path: Path):
    steps, results = [], []
    job = JobProcess((sys.executable, "-c", JOB), tmp_path, {})
    try:
        failure = job.failure(lambda *now: steps.append(now), results.append)
    finally:
        job.close()
    assert failure is None
    assert results == [{"headline": {"rows": [["car: impact speed", "27.9", "0.1", "m/s"]]}}]
    assert steps == [("motion", 1, 2), ("motion", 2, 2)]
