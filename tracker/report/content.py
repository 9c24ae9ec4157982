"""The report as blocks: a summary page for the designer, then the reviewer's part, then the
archive's.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from calibration.findings import CODES
from tracker.report import tables
from tracker.report.after_contact import after_contact, events_table
from tracker.report.assumed import assumption_table
from tracker.report.blocks import (
    Beside,
    Block,
    Document,
    Heading,
    Part,
    Photographs,
    Plot,
    TableBlock,
    Text,
    Together,
    halves,
    table,
)
from tracker.report.calibration import calibration
from tracker.report.channels import channels
from tracker.report.first_page import (
    conditions_table,
    criteria_table,
    governing,
    not_judged_sentence,
    paper_head,
    remarks,
    signatures,
)
from tracker.report.instruments import processing, sensor_blocks, smallest_faults
from tracker.report.mechanics import mechanics
from tracker.report.plots import PANELS, SMALL
from tracker.report.sequence import Shots, sequence, summary
from tracker.report.wording import (
    AXES,
    CAUTION,
    CRITERIA,
    DECISION,
    LIMITS,
    OCCUPANT,
    RELATES,
    SOURCES,
    UNCERTAINTY,
    VEHICLE,
    VERDICTS,
    Name,
)
from tracker.results.roles import striking
from tracker.results.schema import Results
from tracker.storage.audit_log import Entry

KEY_MOTION = ("velocity_change", "min_pitch", "max_rise")
KEY_OCCUPANT = {
    "oiv_x": "OIV, x",
    "oiv_y": "OIV, y",
    "ridedown_x": "Ridedown, x",
    "ridedown_y": "Ridedown, y",
    "thiv": "THIV",
    "asi": "ASI",
}
ALONE = {
    "accelerometers_unusable": "No accelerometer can be used: all is from film",
    "accelerometers_alone": "No film shows the occupant risk: it is from accelerometers alone",
}
BLANK = "____"
KEY_NOTE = "x forward, y to the right."
BOTH_NOTE = " Criteria: from film and accelerometers together."


def document(results: Results, plots: Mapping[str, str], shots: Shots | None = None) -> Document:
    """The whole report. `plots` are the captions of the plots in pictures/ by their names,
    `shots` the photographs there.
    """
    test, software = results.test, results.software
    criteria = CRITERIA.get(test.criteria, test.criteria)
    date = f"{test.date} · " if test.date else ""
    kind = "Film analysis" if results.motion or not results.vehicles else "Accelerometers alone"
    return Document(
        test.number,
        test.title or "Impact test",
        f"{date}{kind} by the criteria of {criteria}"
        if test.criteria != "none"
        else f"{date}{kind}",
        f"{software.name} {software.version}",
        "us-letter" if test.report_units == "us" else "a4",
        (
            Part("Summary", "for the designer", _summary(results, plots, summary(shots or {}))),
            Part("How the numbers came about", "for the reviewer", _review(results, plots)),
            Part("All results", "for the archive", _archive(results, plots, sequence(shots or {}))),
        ),
        running=_running(results),
        notice=RELATES,
    )


def _running(results: Results) -> str:
    """Number and revision of the report; spaces to fill in where the record states none."""
    fields = results.test.report
    return f"Report {fields.number or BLANK}, revision {fields.revision or BLANK}"


def _summary(
    results: Results, plots: Mapping[str, str], photographs: Photographs | None
) -> tuple[Block, ...]:
    rule = DECISION if results.decision is None else f"Decision rule: {results.decision.text}"
    rule = f"{rule} {UNCERTAINTY}" if results.criteria else UNCERTAINTY
    return _drop_missing(
        [
            paper_head(results),
            *[Text(text, "lead") for text in [governing(results)] if text],
            Text(headline(results)),
            criteria_table(results),
            Beside(
                *(_drop_missing([t]) for t in (conditions_table(results), _key_occupant(results)))
            ),
            *[Text(text) for text in [_key_motion(results)] if text],
            photographs,
            *([] if photographs and results.criteria else _main_plots(results, plots)),
            *[Text(text, "note") for text in (not_judged_sentence(results), rule)],
            signatures(results),
        ]
    )


def headline(results: Results) -> str:
    """What came out, in a few sentences."""
    sentences = []
    required = [c.verdict for c in results.criteria if not c.preferred and c.kind == "criterion"]
    conditions = [c.verdict for c in results.criteria if c.kind == "test_condition"]
    preferred = [c.verdict for c in results.criteria if c.preferred]
    for verdicts, name in ((required, "required criteria"), (conditions, "test conditions")):
        if verdicts:
            counts = [f"{verdicts.count('pass')} passed", f"{verdicts.count('fail')} failed"]
            counts += [f"{verdicts.count('undetermined')} undetermined"]
            sentences.append(f"Of {len(verdicts)} {name} {', '.join(counts)}.")
    if preferred:
        sentences.append(f"Of {len(preferred)} preferred limits {preferred.count('pass')} are met.")
    for warning in results.warnings:
        if warning.code in ALONE:
            sentences.append(f"{ALONE[warning.code]} ({warning.where.partition('.')[2]}).")
    for vehicle, check in results.cross_check.items():
        ax = check.channels.get("ax")
        until = "" if ax is None or ax.until is None else f" until {1e3 * ax.until:.0f} ms"
        sentences.append(f"Film and accelerometers of {vehicle}: {VERDICTS[check.verdict]}{until}.")
    if results.warnings:
        sentences.append(_counted_warnings(results))
    return " ".join(sentences) or "No criteria were compared."


def _counted_warnings(results: Results) -> str:
    """How many warnings there are, and what the serious ones mean, each once."""
    number = len(results.warnings)
    serious = [w.code for w in results.warnings if w.grade == "serious"]
    meanings = "; ".join(CODES[code].meaning for code in dict.fromkeys(serious))
    which = f", {len(serious)} serious ({meanings})" if serious else ""
    return f"{number} warning{'s' if number > 1 else ''}{which}: see the reviewer's part."


def _key_occupant(results: Results) -> TableBlock | None:
    name = striking(results)
    if name is None:
        return None
    short = {k: Name(text, OCCUPANT[k].kind) for k, text in KEY_OCCUPANT.items()}
    apart = {k: text for k, text in SOURCES.items() if k != "fused"}
    found = tables.occupant(results, name, short, apart)
    if found is None:
        return None
    joined = results.vehicles[name].occupant.fused is not None
    return replace(found, note=KEY_NOTE + (BOTH_NOTE if joined else ""))


def _key_motion(results: Results) -> str:
    """What the summary says of the vehicles' motion; extremes that stand out from their u."""
    name = striking(results)
    if name is None:
        return ""
    rows = []
    for field in KEY_MOTION:
        value = getattr(results.vehicles[name], field)
        if value is not None and not abs(value.value) < 2 * value.u:
            rows.append(tables.movement_row(value, VEHICLE[field], results.test.report_units))
    crush = tables.crush(results)
    if crush:
        rows.append(crush)
    for other, entry in results.vehicles.items():
        way = entry.travel_x if entry.stopping is None else entry.stopping.travel
        if other != name and way is not None:
            whole = entry.stopping is not None or not way.at_end
            label = Name(f"{'Roll-ahead' if whole else 'Travel so far'}, {other}", "length")
            rows.append(tables.movement_row(way, label, results.test.report_units))
        if other != name and entry.end_speed is not None:
            label = Name(f"Speed as the film ends, {other}", "speed")
            rows.append(tables.movement_row(entry.end_speed, label, results.test.report_units))
    figures = [f"{label[:1].lower()}{label[1:]} {value}" for label, value, _ in rows]
    return f"Motion of {name}: {'; '.join(figures)}." if figures else ""


def _main_plots(results: Results, plots: Mapping[str, str]) -> list[Block]:
    """The two plots of most use."""
    name = striking(results)
    first = [f"{name}-velocity-x", f"{name}-velocity"]
    chosen = [key for key in first if key + SMALL in plots][:1]
    chosen += [key for key in [f"{name}-attitude"] if key + SMALL in plots]
    if len(chosen) == 2:
        left, right = (Plot(key + SMALL, plots[key + SMALL]) for key in chosen)
        return [Beside((left,), (right,))]
    return [Plot(key, plots[key]) for key in chosen]


def _review(results: Results, plots: Mapping[str, str]) -> tuple[Block, ...]:
    blocks: list[Block | None] = [
        remarks(results),
        Text(AXES),
        *_events_and_assumptions(results),
        *_criteria(results),
        Heading("Warnings"),
        _warnings(results),
        *([Heading("Cameras, survey and time"), *calibration(results)] if results.cameras else []),
        *_of_cameras("Time", {name: c.time_base for name, c in results.cameras.items()}),
        *_of_cameras("Lens", {name: c.lens for name, c in results.cameras.items()}),
        *_plots(plots, results.cameras, ("survey", "steadiness", "lens")),
        halves(tables.mark_fits(results)),
    ]
    if results.cross_check:
        blocks.append(Heading("Film against accelerometers"))
    for vehicle, check in results.cross_check.items():
        blocks += [
            Text(f"Verdict for {vehicle}: {VERDICTS[check.verdict]}."),
            tables.cross_check(vehicle, check, results.test.report_units),
            tables.findings(vehicle, check, results.test.report_units),
            channels(vehicle, check, results.test.report_units),
            smallest_faults(vehicle, check, results.test.report_units),
            *_plots(
                plots, [vehicle], ("velocity-x", "velocity-y", "acceleration-x", "acceleration-y")
            ),
        ]
    blocks += [sensor_blocks(results), *processing(results)]
    if results.budgets:
        blocks += [Heading("Uncertainty"), tables.budget(results)]
    blocks += [
        Heading("Edits made by hand, decisions of the program"),
        *_edits(results),
        Heading("Limits of use"),
        *[Text(limit) for limit in LIMITS],
        Text(CAUTION, "caution"),
        Heading("Software and inputs"),
        _inputs(results),
    ]
    return _drop_missing(blocks)


def _events_and_assumptions(results: Results) -> list[Block]:
    """On one page, where it has room: what happened when, and what was taken as given."""
    events, assumed = events_table(results), assumption_table(results)
    parts: list[Block | None] = [Heading("Sequence of events"), events] if events else []
    parts += [Heading("Assumptions"), *assumed] if assumed else []
    return [Together(_drop_missing(parts))] if parts else []


def _of_cameras(what: str, texts: Mapping[str, str]) -> list[Block]:
    """A sentence of each camera; one for all that say the same."""
    return [
        Text(f"{what}, {', '.join(name for name in texts if texts[name] == text)}: {text}")
        for text in dict.fromkeys(texts.values())
        if text
    ]


def _criteria(results: Results) -> Sequence[Block]:
    if not results.criteria:
        return []
    blocks: list[Block | None] = [
        Heading("Criteria"),
        None if results.decision is None else Text(results.decision.text),
        tables.verdicts(results),
        tables.not_judged(results),
    ]
    return _drop_missing(blocks)


def _archive(
    results: Results, plots: Mapping[str, str], photographs: Photographs | None
) -> tuple[Block, ...]:
    blocks: list[Block | None] = [Heading("Photographs"), photographs] if photographs else []
    for name in results.vehicles:
        blocks += [
            Heading(f"Vehicle {name}"),
            tables.movement(results, name),
            tables.occupant(results, name),
            *_plots(plots, [name], [panel.key for panel in PANELS]),
        ]
    crush = tables.crush(results)
    if crush:
        blocks += [
            Heading("Crush"),
            table("Closing of the vehicles", tables.MOTION_HEAD, [crush], "lcr"),
        ]
    blocks += mechanics(results, plots)
    blocks += after_contact(results, plots)
    blocks += [Heading("Files"), Text(FILES), Heading("What was done"), _log(results)]
    return _drop_missing(blocks)


FILES = (
    "results.json: every number here, in SI. motion/, points/, tracks/: time histories as CSV, "
    "with standard uncertainties. mechanics/: force against crush. results.h5: the same as HDF5. "
    "pictures/: plots as SVG and PDF with their data as CSV. films/: marked films. iso13499/: the "
    "motion as ISO/TS 13499 channels. log.jsonl: inputs, settings, edits and decisions."
)


def _warnings(results: Results) -> Block:
    rows = [(entry.where, entry.text, entry.code) for entry in results.warnings]
    if not rows:
        return Text("None.")
    return table("Warnings", ("where", "warning", "code"), rows, "lll")


def _edits(results: Results) -> list[Block]:
    """What holds in the record by hand, and what the program decided by itself."""
    acts = [e for e in results.log if e.kind == "edit" and e.where in results.software.inputs]
    by_hand = _counted_rows(e for e in results.log if e.kind == "edit" and e not in acts)
    decided = _counted_rows(e for e in results.log if e.kind == "decision")
    blocks: list[Block] = []
    for caption, rows, none in (
        ("Edits made by hand", by_hand, "No edits by hand: the program measured every mark."),
        ("Decisions of the program", decided, "No decisions had to be made."),
    ):
        shown = [row[1:] for row in rows]
        blocks.append(table(caption, ("where", "what"), shown, "ll") if rows else Text(none))
    if acts:
        text = f"{len(acts)} changes of the record in the workbench: see What was done."
        blocks.append(Text(text, "note"))
    return blocks


def _log(results: Results) -> Block:
    rows = _counted_rows(entry for entry in results.log if entry.kind != "output")
    if not rows:
        return Text("No log was kept.")
    return table("Log", ("kind", "where", "what"), rows, "lll")


def _counted_rows(entries: Iterable[Entry]) -> list[tuple[str, str, str]]:
    """Rows of a log; entries that say the same are one row with their number."""
    times = Counter((entry.kind, entry.where, _entry_text(entry)) for entry in entries)
    return [
        (kind, where, text if count == 1 else f"{text} ({count} times)")
        for (kind, where, text), count in times.items()
    ]


def _entry_text(entry: Entry) -> str:
    """An entry's text with its data; the digests of inputs have a table of their own, and the text
    of an edit is complete.
    """
    if entry.kind in ("input", "edit") or not entry.data:
        return entry.text
    if any(isinstance(value, Mapping) for value in entry.data.values()):
        return f"{entry.text}: see log.jsonl"
    return f"{entry.text}: " + ", ".join(f"{key} {value}" for key, value in entry.data.items())


def _inputs(results: Results) -> TableBlock:
    software = results.software
    return table(
        f"{software.name} {software.version}; SHA-256 of the inputs",
        ("file", "SHA-256"),
        list(software.inputs.items()),
        "lm",
    )


def _plots(plots: Mapping[str, str], names: Iterable[str], kinds: Iterable[str]) -> list[Block]:
    wanted = [f"{name}-{kind}" for name in names for kind in kinds]
    return [Plot(key, plots[key]) for key in wanted if key in plots]


def _drop_missing(blocks: Iterable[Block | None]) -> tuple[Block, ...]:
    return tuple(block for block in blocks if block is not None)
