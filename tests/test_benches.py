"""Benches are run by hand; here only that each still starts after names have moved."""

import importlib
from pathlib import Path

import pytest

BENCHES = sorted(
    path.stem
    for path in (Path(__file__).parent / "bench").glob("*.py")
    if path.stem != "fuzz_readers"  # what fuzz.py feeds
)


@pytest.mark.parametrize("name", BENCHES)
def test_a_bench_finds_all_that_it_measures_and_says_how_it_is_run(name: str) -> None:
    bench = importlib.import_module(f"tests.bench.{name}")

    assert f"python tests/bench/{name}.py" in (bench.__doc__ or "")
