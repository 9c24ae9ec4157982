import os
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def real() -> Callable[[str], Path]:
    """Gives the folder of a real data set by its name; skips the test where it is absent."""
    data = Path(os.environ.get("IMPACTFILM_REAL", "../shared/real"))
    data = data if data.is_absolute() else (ROOT / data).resolve()

    def folder(name: str) -> Path:
        if not (data / name).is_dir():
            pytest.skip(
                f"the real data set '{name}' is not in {data}; "
                "set IMPACTFILM_REAL to the folder that holds it"
            )
        return data / name

    return folder
