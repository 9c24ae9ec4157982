"""Numbers that steer a stage: one frozen class a stage, each field with its unit, range and effect.

A stage's options stand in a frozen dataclass whose fields are made by `option`; the log of an
analysis records them (`describe_options`), so that a result names every number that steered it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from typing import Any

TUNED = "chosen on this project's own benches"
"""Source of an option that no publication gives."""


@dataclass(frozen=True)
class Option:
    """One option as a reader sees it."""

    name: str
    value: Any
    unit: str
    bounds: tuple[float, float]
    effect: str
    source: str


def option(
    default: Any, unit: str, bounds: tuple[float, float], effect: str, source: str = TUNED
) -> Any:
    """A field of an options class.

    `default` in `unit` ("1" for a pure number); `bounds`, the values between which the stage was
    tried or makes sense; `effect`, what a larger value does; `source`, the publication, standard or
    bench that the default comes from.
    """
    if not bounds[0] <= default <= bounds[1]:
        raise ValueError(f"the default {default} is outside its bounds {bounds}")
    about = {"unit": unit, "bounds": bounds, "effect": effect, "source": source}
    return field(default=default, metadata=about)


def describe_options(options: Any) -> Iterator[Option]:
    """The fields of an options value, in their order."""
    for entry in fields(options):
        about = entry.metadata
        yield Option(
            entry.name,
            getattr(options, entry.name),
            about["unit"],
            about["bounds"],
            about["effect"],
            about["source"],
        )
