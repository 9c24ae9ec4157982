"""What a person sees in the terminal while many tests are done: a bar for each one under way, a
line for each one that has ended, a table at the end.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, TaskID, TextColumn
from rich.table import Table
from rich.text import Text

from tracker.batch.child_process import Outcome, Task
from tracker.cli.progress import LiveBars


class Lines(LiveBars):
    """A `tracker.batch.run.Watch` on standard error."""

    def __init__(self, total: int, console: Console | None = None) -> None:
        super().__init__(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            MofNCompleteColumn(),
            TextColumn("{task.fields[stage]}", markup=False),
            console=console,
        )
        self._all = self.bars.add_task("all tests", total=total, stage="")
        self._lock = threading.Lock()
        self._running: dict[Task, TaskID] = {}

    def progress(self, task: Task, stage: str, done: int, total: int) -> None:
        """Move the test's bar."""
        with self._lock:
            if task not in self._running:
                self._running[task] = self.bars.add_task(str(task.record), total=None, stage="")
            bar = self._running[task]
        self.bars.update(bar, stage=stage, completed=done, total=total or None)

    def ended(self, outcome: Outcome) -> None:
        """A line for the test in place of its bar."""
        with self._lock:
            bar = self._running.pop(outcome.task, None)
        if bar is not None:
            self.bars.remove_task(bar)
        line = f"{outcome.state:<10}{outcome.seconds:7.1f} s  {_test_name(outcome)}"
        self.console.print(line, highlight=False, markup=False, soft_wrap=True)
        self.bars.advance(self._all)


def show_outcomes(outcomes: Sequence[Outcome], console: Console | None = None) -> None:
    """How many tests were done, and a table of those that failed."""
    target = console or Console()
    counts = {
        state: sum(outcome.state == state for outcome in outcomes)
        for state in ("done", "unchanged", "failed")
    }
    if counts["failed"]:
        table = Table(title="Failed", title_justify="left", show_header=False)
        for outcome in outcomes:
            if outcome.state == "failed":
                table.add_row(Text(_test_name(outcome), overflow="fold"))
        target.print(table)
    summary = ", ".join(f"{number} {state}" for state, number in counts.items())
    target.print(f"{len(outcomes)} tests: {summary}", highlight=False)


def _test_name(outcome: Outcome) -> str:
    """The test, and why it failed; a reason that names the test already stands alone."""
    record = str(outcome.task.record)
    if not outcome.text:
        return record
    return outcome.text if record in outcome.text else f"{record}: {outcome.text}"
