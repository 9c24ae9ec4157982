"""Accelerometers beside the film, as results hold them.

Units and conventions are those of `tracker.results.schema`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from tracker.core.types import Quantity


@dataclass(frozen=True)
class SpragueGeersResult:
    """Metrics of two time histories (Sprague and Geers), 1."""

    magnitude: float | None
    phase: float | None
    comprehensive: float | None


@dataclass(frozen=True)
class VelocityComparison:
    """The accelerometers' velocity against the film's."""

    rms: float | None  # m/s
    max: float | None  # m/s
    sprague_geers: SpragueGeersResult | None = None
    iso18571: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class ChannelFinding:
    """Something wrong with an accelerometer channel."""

    channel: str
    kind: Literal["scale", "offset", "polarity", "saturation", "time_shift", "dropout", "axis_swap"]
    estimate: float | None
    u: float | None
    unit: str
    text: str


@dataclass(frozen=True)
class ChannelAgreement:
    """A channel beside what the film says it should have read; both integrated from time zero."""

    verdict: Literal["agree", "disagree", "undetermined"]
    text: str
    unit: str  # of the integral: m/s, or rad for a rate
    rms: float | None = None
    max: float | None = None
    displacement_rms: float | None = None  # m, or rad s: integrated twice
    displacement_max: float | None = None
    final: Quantity | None = None  # channel less film at the end; u: film and sound channel
    sprague_geers: SpragueGeersResult | None = None
    residual_mean: float | None = None  # share of the film's largest
    residual_sd: float | None = None
    smallest: Mapping[str, float | None] = field(default_factory=dict)
    """By kind, the smallest fault that would have been found in 95 of 100 tests: scale (share),
    offset (SI), time_shift (s), saturation (highest level, SI), dropout (latest time, s)."""
    clock_rival: str | None = None  # error of the film's clock that explains the difference as well
    until: float | None = None  # s, how far the comparison reaches
    w179: bool | None = None  # accepted by NCHRP Web-Only Document 179
    iso18571: float | None = None


@dataclass(frozen=True)
class CrossCheckResult:
    """Whether a vehicle's accelerometers can be believed."""

    verdict: Literal["agree", "disagree", "undetermined"]
    velocity: VelocityComparison | None = None
    findings: tuple[ChannelFinding, ...] = ()
    channels: Mapping[str, ChannelAgreement] = field(default_factory=dict)
