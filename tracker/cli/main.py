"""The command line: reads arguments, calls one function, shows its result.

Every command imports what it needs when it runs, so that `--help` answers at once.
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal, NoReturn, TypedDict, Unpack

import click

from calibration.errors import FILM, Problem
from tracker.processes.shortage import machine_problem, require_memory
from tracker.storage.standard_streams import fill_standard_streams

# Many small matrices: more threads cost time, and a second program on the machine far more.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

FOLDER = click.Path(file_okay=False, path_type=Path)


class RecordPath(click.Path):
    """A record.toml, or the folder of a test that holds one."""

    def __init__(self) -> None:
        super().__init__(path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path of the record itself."""
        path = Path(str(super().convert(value, param, ctx)))
        return path / "record.toml" if path.is_dir() else path


RECORD = RecordPath()


class Commands(click.Group):
    """The group of all commands: a `Problem` becomes one message and its exit status."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Read the command line and run the command."""
        fill_standard_streams()
        return super().main(*args, **kwargs)

    def invoke(self, ctx: click.Context) -> object:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except Problem as problem:
            fail(problem)
        except (MemoryError, ImportError, OSError, RuntimeError, SystemError) as error:
            short = machine_problem(error)
            if short is None:
                raise
            fail(short)


def fail(problem: Problem) -> NoReturn:
    """Say what is wrong, where, and what to do; end with the problem's exit status."""
    click.echo(f"impactfilm: {problem}", err=True)
    sys.exit(problem.status)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="impactfilm")
def main() -> None:
    """Vehicle motion, impact speed and occupant risk from the films of impact tests.

    The results inform engineers; they do not replace the test standard, local codes, the
    accredited laboratory or a licensed engineer's judgement.
    """


@main.command()
@click.argument("record", type=RECORD)
@click.option("--out", type=FOLDER, help="Results folder; default: results/ beside the record.")
def analyse(record: Path, out: Path | None) -> None:
    """Analyse the films of a test and write the results folder."""
    require_memory()
    from tracker.film.early import EarlyFilms

    films = EarlyFilms(record)  # they are decoded while the rest loads

    from functools import partial

    from tracker.camera.stage import calibrate_camera
    from tracker.cli.progress import Bars, show_results
    from tracker.pipeline.analyse import analyse as analyse_record
    from tracker.record.load import load_record
    from tracker.results.folder import check_directory, check_own_directory

    directory = out or record.parent / "results"
    (check_own_directory if out is None else check_directory)(directory)
    calibrate = partial(calibrate_camera, opening=films.open)
    with Bars() as bars:
        results = analyse_record(
            load_record(record), bars.progress, calibrate, show_headline=bars.show_headline
        )
        from tracker.pipeline.write_results import write_results  # drawing loads after the numbers

        write_results(results, directory, bars.progress, unopened=())
    show_results(results, directory)


@main.command()
@click.argument("record", type=RECORD)
def check(record: Path) -> None:
    """Say whether a record and its files can be analysed, and what is missing or doubtful.

    Exit status 2 where something is missing without which it can't be analysed.
    """
    from tracker.cli.progress import show_check
    from tracker.pipeline.preflight import check_record

    checks = check_record(record)
    show_check(checks)
    if any(found.state == "missing" for found in checks):
        raise SystemExit(2)


@main.command()
@click.option("--out", type=FOLDER, default=None, help="Default: the scenario's name.")
@click.option(
    "--scenario",
    type=click.Choice(["cushion", "barrier", "pole"]),
    default="cushion",
    help="A car into a crush cushion, a pickup into a rail, a car into a breakaway pole.",
)
def demo(out: Path | None, scenario: str) -> None:
    """Write a demonstration test, analyse it, and set the results beside the truth."""
    from tracker.cli.progress import Bars, show_demo, show_results
    from tracker.demo import load_truth, write_demo, write_pole, write_roadside
    from tracker.pipeline.analyse import analyse as analyse_record
    from tracker.pipeline.write_results import write_results
    from tracker.record.load import load_record

    out = out or Path("demo" if scenario == "cushion" else f"demo-{scenario}")
    with Bars() as bars:
        if scenario == "barrier":
            write_roadside(out, bars.progress)
        elif scenario == "pole":
            write_pole(out, bars.progress)
        else:
            write_demo(out, bars.progress)
        results = analyse_record(load_record(out / "record.toml"), bars.progress)
        write_results(results, out / "results", bars.progress, unopened=())
    show_results(results, out / "results")
    show_demo(results, load_truth(out).headline)


@main.command()
@click.argument("directory", type=FOLDER)
@click.option("--verify", is_flag=True, help="Analyse again and compare; nothing is written.")
@click.option(
    "--at", "times", multiple=True, help="A time of the photographs, as '50 ms'; several if wanted."
)
@click.option("--slow", type=click.FloatRange(1, 1e6), help="Marked films slower than life by.")
@click.option(
    "--films", type=FOLDER, help="Folder of the films; default: the one that holds DIRECTORY."
)
def report(
    directory: Path,
    verify: bool,
    times: tuple[str, ...],
    slow: float | None,
    films: Path | None,
) -> None:
    """Write the reports of a results folder again, or verify its numbers.

    --at and --slow hold until the test is analysed again; in the record they are `photographs` and
    `slow_motion`. A film that lies outside the folder of the films is named and not opened: its
    pictures stay as they are.
    """
    from tracker.cli.progress import Bars
    from tracker.pipeline.verify import verify as verify_results
    from tracker.pipeline.write_results import films_outside, write_results
    from tracker.report.asked import with_choices
    from tracker.results.folder import read_results

    if verify and (times or slow is not None or films is not None):
        raise click.UsageError("--verify writes nothing: leave --at, --slow and --films out")
    with Bars() as bars:
        if not verify:
            results = with_choices(read_results(directory), times, slow)
            home = films.resolve() if films else directory.resolve().parent
            outside = films_outside(results, home)
            for camera in outside:
                film = ascii(results.views[camera].film)
                text = f"camera {camera!a}: {film} is not opened, for it lies outside {home}"
                click.echo(f"{text}; name the folder of the films with --films.", err=True)
            write_results(results, directory, bars.progress, unopened=outside)
            return
        record = verify_results(directory, bars.progress)
    click.echo(f"{directory}: verified: {record} gives the same numbers again.")


@main.command()
@click.argument("record", type=RECORD)
@click.option("--results", type=FOLDER, help="Results folder; default: results/ beside the record.")
def correct(record: Path, results: Path | None) -> None:
    """Write corrected accelerometer files beside the originals.

    What the film found wrong with their channels is undone: scale, offset, polarity, delay,
    exchanged channels. The corrections stand in the file. Nothing is ever written over.
    """
    from tracker.pipeline.accelerometer_corrections import write_corrections
    from tracker.record.load import load_record
    from tracker.results.folder import read_results

    loaded = load_record(record)
    written = write_corrections(loaded, read_results(results or record.parent / "results"))
    for one in written:
        click.echo(f"{one.path}:")
        for step in one.steps:
            click.echo(f"  {step}")
        click.echo("To use it, put into the record:")
        click.echo(one.entry)
    if not written:
        click.echo("Nothing to correct: no channel has a fault whose correction is known.")


class NextTest(TypedDict):
    """The test that `predict` is asked for, as its options have it."""

    masses: tuple[str, ...]
    speeds: tuple[str, ...]
    truck_mass: str | None
    blocked: bool
    criteria: str | None
    scatter: float


@main.command()
@click.argument("directory", metavar="DIR", type=FOLDER)
@click.option("--mass", "masses", multiple=True, help="Of the striking vehicle, as '1800 lb'.")
@click.option("--speed", "speeds", multiple=True, help="Impact speed, as '45 mi/h'.")
@click.option("--truck-mass", help="Of the struck vehicle; default: as in the test.")
@click.option("--blocked", is_flag=True, help="The struck vehicle can't move.")
@click.option("--criteria", help="Limits to judge by; default: those of the test.")
@click.option(
    "--scatter",
    type=click.FloatRange(0.0, 0.5),
    default=0.03,
    show_default=True,
    help="Standard uncertainty of the next cushion's force, as a share.",
)
@click.option(
    "--second",
    type=FOLDER,
    help="Results folder of another test of this cushion: how its force depends on speed.",
)
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="JSON file to write.")
def predict(
    directory: Path, second: Path | None, out: Path | None, **wanted: Unpack[NextTest]
) -> None:
    """From one test's force against crush: occupant risk and stroke of another test.

    DIR is the results folder of the test. --mass and --speed may be given several times; each
    mass is tried at each speed. What is not given is as in the test.
    """
    from tracker.cli.predict import show_predictions
    from tracker.mechanics.predict import predict as foresee
    from tracker.mechanics.predict import rate_of
    from tracker.pipeline.prediction_cases import cases_of, criteria_of, write_predictions
    from tracker.results.folder import read_results

    results = read_results(directory)
    limits = criteria_of(results, directory, wanted["criteria"])
    cases = cases_of(
        results,
        wanted["masses"],
        wanted["speeds"],
        wanted["truck_mass"],
        wanted["blocked"],
        wanted["scatter"],
    )
    if second is not None:
        rate = rate_of(results, read_results(second), wanted["scatter"])
        cases = [replace(case, rate=rate) for case in cases]
    predictions = [foresee(results, case, limits) for case in cases]
    if out is not None:
        write_predictions(out, results, predictions)
    show_predictions(results, predictions)


@main.command()
@click.argument("directories", metavar="DIR...", type=FOLDER, nargs=-1, required=True)
@click.option("--out", type=FOLDER, default=Path("series"), show_default=True)
def series(directories: tuple[Path, ...], out: Path) -> None:
    """Set several tests beside each other: one table and one page over their results folders."""
    from tracker.cli.series import show_series
    from tracker.report.series import check_series, write_series
    from tracker.results.folder import read_results
    from tracker.results.series import read_rows

    check_series(out)
    rows = read_rows(directories, read_results)
    write_series(rows, out)
    show_series(rows)
    click.echo(f"Series in {out}")


@main.command()
@click.argument("records", metavar="RECORD...", type=RECORD, nargs=-1, required=True)
@click.option(
    "--jobs", type=click.IntRange(1), help="Tests at a time; default: by cores and free memory."
)
@click.option("--cluster", "address", metavar="ADDRESS", help="Do it on a Dask cluster.")
@click.option(
    "--out", type=FOLDER, default=Path("series"), show_default=True, help="The page over all tests."
)
def batch(records: tuple[Path, ...], jobs: int | None, address: str | None, out: Path) -> None:
    """Analyse many tests, each into results/ beside its record.

    What is done already, from the same inputs, is left alone; a failed test stops no other.
    """
    require_memory()
    from tracker.batch.run import batch as do_all
    from tracker.batch.run import cluster, default_jobs, tasks_of, this_machine, with_rows
    from tracker.cli.batch import Lines, show_outcomes
    from tracker.cli.series import show_series
    from tracker.report.series import check_series, write_series

    if address is not None and jobs is not None:
        raise click.UsageError("--jobs is for this machine: leave it out with --cluster")
    check_series(out)
    tasks = tasks_of(records)
    with Lines(len(tasks)) as lines:
        here = this_machine(jobs or default_jobs(), lines)
        outcomes = do_all(tasks, here if address is None else cluster(address, lines), lines)
    rows, outcomes = with_rows(outcomes)
    if rows:
        write_series(rows, out)
        show_series(rows)
        click.echo(f"Series in {out}")
    show_outcomes(outcomes)
    if any(outcome.state == "failed" for outcome in outcomes):
        sys.exit(FILM)


@main.command()
@click.argument("record", type=RECORD)
@click.option("--out", type=FOLDER, help="Folder of the plan; default: plan/ beside the record.")
@click.option("--sheets", is_flag=True, help="Write the marks to print, true to scale, instead.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), help="Default: by report_units.")
def plan(
    record: Path, out: Path | None, sheets: bool, paper: Literal["a4", "letter"] | None
) -> None:
    """Before the test: what this layout will see, and the uncertainty to expect."""
    from tracker.cli.plan import show_plan
    from tracker.cli.progress import Bars
    from tracker.planning import make_plan, write_plan, write_sheets
    from tracker.record.load import load_planned

    planned = load_planned(record)
    directory = out or record.parent / "plan"
    if sheets:
        click.echo(f"Sheets in {write_sheets(planned, directory, paper)}")
        return
    with Bars() as bars:
        made = make_plan(planned, bars.progress)
        write_plan(made, directory)
    show_plan(made, directory)


@main.command("open")
@click.argument("record", type=click.Path(path_type=Path), required=False)
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Default: any free port.")
@click.option("--browser/--no-browser", default=True, help="Open the page in the browser.")
def open_(record: Path | None, port: int, browser: bool) -> None:
    """Open the workbench in the browser, on this machine only.

    RECORD is a record.toml or the folder of a test; without it the start page is shown.
    """
    from tracker.processes.contexts import get_ready

    get_ready()  # the decoders' process loads while the server does
    from tracker.workbench.serve import open_workbench

    open_workbench(record, port, browser, click.echo)


if __name__ == "__main__":
    main()
