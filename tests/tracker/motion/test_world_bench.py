"""A slice of `tests/bench/world.py`: truth by code that shares nothing with the program."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

BENCH = Path(__file__).parents[2] / "bench" / "world.py"


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    spec = importlib.util.spec_from_file_location("world_bench", BENCH)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
@pytest.mark.parametrize(
    ("effect", "size", "seeds"),
    [("none", 0.0, 3), ("contact", 300.0, 2), ("lens", 1.0, 2), ("postroll", 1.0, 1)],
)
def test_what_is_said_of_the_numbers_survives(
    bench: ModuleType, effect: str, size: float, seeds: int
) -> None:
    """Headline numbers within 4 u, nine of ten within 1.96 u, nothing sound accused."""
    row = bench.Row()
    for seed in range(5000, 5000 + seeds):
        bench.add(row, effect, size, seed)
    assert not row.failed
    z = np.abs(np.concatenate([np.array(v) for v in row.numbers.values()]))
    assert z.max() < 4
    assert np.mean(z < 1.96) > 0.9
    assert not any(row.accused)
    assert np.mean(np.abs(np.concatenate(row.speed)) < 1.96) > 0.85
