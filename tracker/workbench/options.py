"""Numbers that steer the workbench's server."""

from __future__ import annotations

from dataclasses import dataclass

from calibration.options import option


@dataclass(frozen=True)
class WorkbenchOptions:
    """What is kept, for how long, and how often the page is notified of changes."""

    event_interval: float = option(
        0.25, "s", (0.05, 5.0), "the page shows changes of record, results and analysis later"
    )
    silence: float = option(15.0, "s", (1.0, 60.0), "a sign of life is sent less often")
    body_bytes: int = option(2 * 2**20, "byte", (2**16, 2**26), "longer requests are read")
    recent_tests: int = option(12, "1", (1, 100), "more tests stand on the first page")
    listed_folders: int = option(500, "1", (50, 5000), "more folders are listed")
    name_bytes: int = option(200, "byte", (50, 240), "longer names of dropped films are taken")
    arrival_share: float = option(
        0.9, "1", (0.1, 1.0), "dropped films may take a larger part of the free space"
    )
    undo_steps: int = option(400, "1", (10, 10_000), "more changes can be undone")
    label_length: int = option(120, "1", (40, 1000), "longer labels of changes are kept")
    zip_level: int = option(1, "1", (0, 9), "results are packed smaller, but later")
    history_bytes: int = option(2**24, "byte", (2**20, 2**30), "longer lists of changes are read")
    results_bytes: int = option(2**26, "byte", (2**20, 2**32), "a longer results.json is read")
    warm_delay: float = option(
        6.0, "s", (0.0, 60.0), "what fits marks is loaded later, after the page stands"
    )
    copy_spacing: int = option(
        4, "frame", (1, 100), "films with rarer whole frames are read without a working copy"
    )
    copy_share: float = option(
        0.25, "1", (0.0, 0.9), "working copies take a larger part of the free disk space"
    )
    snap_reach: float = option(
        0.75, "mark size", (0.1, 3.0), "a mark farther from the pointer is snapped to"
    )
    snap_least: float = option(6.0, "px", (1.0, 50.0), "small marks are sought farther off")
    snap_limit: float = option(
        0.3, "px", (0.02, 2.0), "a fainter mark, with a larger u, still counts as one"
    )
    pointing: float = option(
        0.5, "px", (0.05, 5.0), "u of a drawn line's ends, each way, is larger"
    )
    calibration_bytes: int = option(
        400_000_000, "byte", (0, 10**11), "calibrations of more changes are remembered"
    )
    tracking_bytes: int = option(
        400_000_000, "byte", (0, 10**11), "tracks of more changes are remembered"
    )
    passes_bytes: int = option(
        600_000_000, "byte", (0, 10**11), "more films are followed again only from a change on"
    )
    solution_bytes: int = option(
        600_000_000, "byte", (0, 10**11), "motions of more changes are remembered"
    )


WORKBENCH = WorkbenchOptions()
"""The values in use."""
