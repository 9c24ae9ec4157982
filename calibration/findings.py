"""Something a calibration noticed that the reader of the results must know."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """A short machine-readable code and one plain sentence."""

    code: str
    text: str
