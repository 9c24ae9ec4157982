"""Page 1 of the report: what came out, by which rule, what was not judged, and who signs for it."""

from __future__ import annotations

from tracker.report import tables
from tracker.report.blocks import Form, TableBlock, table
from tracker.report.digits import NONE, value_with_u
from tracker.report.options import REPORT
from tracker.report.tables import name_with_unit, plain, verdict_word
from tracker.results.schema import Results
from tracker.results.verdicts import Criterion

HEAD = ("criterion", "value, ± u (k = 1)", "U (k = 2)", "limit", "margin", "verdict")
SHORT = {" against intended": " less intended", "mass of the": "mass,", " vehicle (": " ("}
MARGIN_NOTE = "Margin: what is left to the limit, as a share of it."
END_NOTE = " ≥, ≤: at least; the record ends while it may still grow, or shows it smoothed."


def paper_head(results: Results) -> Form:
    """Who made the report, for whom, of what: lines to fill in where the record says nothing."""
    fields, test = results.test.report, results.test
    return Form(
        (
            ("Laboratory", ", ".join(t for t in (fields.laboratory, fields.address) if t)),
            ("Report", fields.number),
            ("Revision", fields.revision),
            ("Client", fields.client),
            ("Issued", fields.issued),
            ("Test date", test.date or ""),
            ("Item tested", fields.article),
            ("Site", fields.site),
            ("Weather", fields.weather),
        ),
        (3.0, 1.6, 1.2),
    )


def signatures(results: Results) -> Form:
    """Lines for those who answer for the report."""
    fields = results.test.report
    return Form(
        (
            ("Analysed by", fields.analysed_by),
            ("Checked by", fields.checked_by),
            ("Approved by", fields.approved_by),
            ("Signature, date", ""),
            ("Signature, date", ""),
            ("Signature, date", ""),
        ),
        (1.0, 1.0, 1.0),
    )


def remarks(results: Results) -> Form:
    """Method and deviations from it: lines to fill in where the record says nothing."""
    fields = results.test.report
    return Form((("Method", fields.method), ("Deviations", fields.deviations)), (1.0, 1.0))


def governing(results: Results) -> str:
    """The criterion that governs, with its value, its limit and its margin; empty without one."""
    found = [entry for entry in results.criteria if entry.governs and entry.value is not None]
    sentences = []
    for entry in found:
        row = tables.verdict_row(entry, results.test.report_units)
        margin = "" if entry.margin is None else f", margin {100 * entry.margin:.1f}\u00a0%"
        sentences.append(f"Governs: {row[0]} {row[1]}, limit {row[2]}{margin}: {row[3]}.")
    return " ".join(sentences)


def not_judged_sentence(results: Results) -> str:
    """What the standard asks for beside this, in a sentence."""
    names = [entry.name for entry in results.not_judged]
    if not names:
        return ""
    return f"Not judged here, though the criteria ask for it: {'; '.join(names)}."


def criteria_table(results: Results) -> TableBlock | None:
    """The criteria with k = 1 and k = 2, the limit and what is left to it; no test conditions."""
    chosen = [entry for entry in results.criteria if entry.kind == "criterion"]
    chosen, others = _room(chosen)
    if not chosen:
        return None
    rows = [_row(entry, results) for entry in chosen]
    note = MARGIN_NOTE
    if any(entry.at_end for entry in chosen):
        note += END_NOTE
    if others:
        note += f" {others} preferred limits that are met: see the reviewer's part."
    return table("Criteria", HEAD, rows, "lcrrrl", note)


def _room(entries: list[Criterion]) -> tuple[list[Criterion], int]:
    """As many as there is room for: preferred limits that are met give way first."""
    if len(entries) <= REPORT.criteria_rows:
        return entries, 0
    met = [entry for entry in entries if entry.preferred and entry.verdict == "pass"]
    remaining = [entry for entry in entries if entry not in met]
    return remaining, len(entries) - len(remaining)


def _row(entry: Criterion, results: Results) -> tuple[str, ...]:
    system = results.test.report_units
    name, value, limit, _ = tables.verdict_row(entry, system)
    factor = tables.criterion_unit(entry, system)[1]
    expanded = NONE if entry.u is None else plain(float(f"{2 * entry.u * factor:.2g}"))
    margin = NONE if entry.margin is None else f"{100 * entry.margin:.1f} %".replace("-", "−")
    mark = " ◂ governs" if entry.governs else ""
    return name, value, expanded, limit, margin, verdict_word(entry) + mark


def conditions_table(results: Results) -> TableBlock | None:
    """Conditions of the test with their tolerances, apart from the criteria."""
    found = tables.conditions(results)
    judged = [entry for entry in results.criteria if entry.kind == "test_condition"]
    if found is None or not judged:
        return found
    system = results.test.report_units
    rows = []
    for entry in judged:
        unit, factor = tables.criterion_unit(entry, system)
        u = None if entry.u is None else entry.u * factor
        value = NONE if entry.value is None else value_with_u(entry.value * factor, u)
        limit = NONE if entry.limit is None else plain(abs(entry.limit) * factor)
        sign = "≥ " if entry.sense == "least" else "± "
        rows.append(
            (name_with_unit(_short(entry.name), unit), value, sign + limit, verdict_word(entry))
        )
    head = ("test condition", "value", "allowed", "")
    return table("Test conditions", head, rows, "lcrl", found.note)


def _short(name: str) -> str:
    """A condition's name for half a page."""
    for long, short in SHORT.items():
        name = name.replace(long, short)
    return name
