"""Numbers that steer the processes of this program."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class ProcessOptions:
    """How often a process reports, and how long it may take."""

    report_interval: float = option(
        0.1, "s", (0.0, 2.0), "a stage's progress is reported less often"
    )
    patience: float = option(
        60.0, "s", (0.1, 600.0), "a film that decodes slowly is given up later"
    )
    end_wait: float = option(
        5.0, "s", (0.1, 60.0), "an analysis asked to end has longer before it is killed"
    )
    answer_bytes: int = option(
        2**24, "byte", (2**16, 2**30), "a longer answer, other than a frame, is read"
    )
    least_memory: int = option(
        2**31,
        "byte",
        (2**28, 2**36),
        "analyses under a higher limit of mapped memory are refused at once",
    )
    shown_length: int = option(
        300, "1", (40, 4000), "more of the last line of a failed program is shown"
    )


PROCESSES = ProcessOptions()
"""The values in use."""
