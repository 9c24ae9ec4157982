"""Mechanics in the report: balances, what the cushion did, and the plot of force against crush."""

from __future__ import annotations

from collections.abc import Mapping

from matplotlib.figure import Figure

from calibration.arrays import Array
from tracker.core.types import Quantity
from tracker.core.units import System
from tracker.report.blocks import Block, Heading, Plot, TableBlock, Text, table
from tracker.report.digits import in_report, unit_of
from tracker.report.style import BOTTOM, LEFT, LINES, RIGHT, SOFT, TOP, WIDTH, curve
from tracker.report.tables import name_with_unit, plain
from tracker.results.balances import Mechanics
from tracker.results.schema import Results

HEIGHT = 2.7  # in
NAME = "force-crush"
RESOLVED = 0.004  # s; detail of a motion that is shorter is averaged (the knots of its spline)
EXPLANATION = (
    "Along ground x. The force is the striking vehicle's mass times its deceleration from film, "
    "less what its tyres take; it holds for the cushion and the vehicle's front together. A "
    "residual within twice its standard uncertainty says that film, masses and tyre friction agree."
)


def mechanics(results: Results, plots: Mapping[str, str]) -> list[Block]:
    """The section of the archive's part; empty without mechanics."""
    found = results.mechanics
    if found is None:
        return []
    system = results.test.report_units
    key = f"{found.striking}-{NAME}"
    blocks: list[Block] = [
        Heading("Mechanics"),
        Text(EXPLANATION),
        balances(found, system),
        cushion(found, system),
    ]
    return [*blocks, Plot(key, plots[key])] if key in plots else blocks


def balances(found: Mechanics, system: System) -> TableBlock:
    """Momentum and energy before and after, side by side."""
    m, e = found.momentum, found.energy
    rows = [
        (
            text,
            "" if p is None else in_report(p, "momentum", system),
            in_report(w, "energy", system),
        )
        for text, p, w in (
            ("Before, both vehicles", m.before, e.before),
            (f"After, {found.striking}", m.striking_after, e.striking_after),
            (f"After, {found.struck}", m.struck_after, e.struck_after),
            ("Ground, by tyres", m.tyres, e.tyres),
            ("Cushion and front, from the balance", None, e.absorbed),
            ("Cushion and front, force times closing", None, e.crushing),
            ("Residual", m.residual, e.residual),
        )
    ]
    ends = "contact had ended" if found.contact_ended else "the film ends, contact does not"
    momentum, energy = (unit_of(kind, system)[0] for kind in ("momentum", "energy"))
    return table(
        f"Momentum and energy at {found.at:.3f} s, when {ends}",
        ("", f"momentum ({momentum})", f"energy ({energy})"),
        rows,
        "lcc",
    )


def cushion(found: Mechanics, system: System) -> TableBlock:
    """What the cushion did."""
    metres = unit_of("length", system)
    listed: tuple[tuple[str, Quantity | None, str], ...] = (
        ("Closing speed at contact", found.closing_speed, "speed"),
        ("Greatest closing", found.greatest_closing, "length"),
        ("Energy up to it", found.energy_to_greatest, "energy"),
        ("Energy given back", found.returned, "energy"),
        ("Mean crush force", found.mean_force, "force"),
        (
            f"Largest crush force, at {plain(round(found.peak_at * metres[1], 2))} {metres[0]}",
            found.peak_force,
            "force",
        ),
        ("Restitution", found.restitution, "plain"),
        (f"Tyre friction, {found.struck}", found.friction, "plain"),
        ("Share of the stroke used", found.stroke_used, "plain"),
    )
    rows = [
        (name_with_unit(text, unit_of(kind, system)[0]), in_report(value, kind, system))
        for text, value, kind in listed
        if value is not None
    ]
    return table("What the cushion did", ("", "value"), rows, "lc", _note(found, system))


def force_plot(
    results: Results,
) -> tuple[str, str, Figure, dict[str, Array]] | None:
    """Name, caption, figure and data of force and energy against closing."""
    found, curve_ = results.mechanics, results.force_crush
    if found is None or curve_ is None:
        return None
    system = results.test.report_units
    length, metres = unit_of("length", system)
    figure = Figure(figsize=(WIDTH, HEIGHT))
    figure.subplots_adjust(
        left=LEFT / WIDTH, right=1 - 5 * RIGHT / WIDTH, top=1 - TOP / HEIGHT, bottom=BOTTOM / HEIGHT
    )
    axes = figure.subplots()
    data: dict[str, Array] = {f"closing ({length})": curve_.closing * metres}
    other = axes.twinx()
    for place, kind, line, value, u in (
        (axes, "force", LINES[0], curve_.force, curve_.force_u),
        (other, "energy", LINES[1], curve_.energy, curve_.energy_u),
    ):
        unit, factor = unit_of(kind, system)
        curve(place, curve_.closing * metres, value * factor, u * factor, line, f"{kind} ({unit})")
        data |= {f"{kind} ({unit})": value * factor, f"u_{kind} ({unit})": u * factor}
        place.set_ylim(bottom=0.0)
        place.set_ylabel(unit)
        place.margins(x=0.01)
    mean = found.mean_force.value * unit_of("force", system)[1]
    axes.axhline(mean, color=SOFT, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
    axes.text(
        0.995,
        mean,
        "mean force",
        color=SOFT,
        fontsize=7.0,
        ha="right",
        va="bottom",
        transform=axes.get_yaxis_transform(),
    )
    other.grid(visible=False)
    other.spines["right"].set_visible(True)
    axes.set_xlabel(f"closing of the vehicles since contact ({length})")
    axes.set_title(f"{found.striking} and {found.struck}: force against crush", loc="left")
    handles = [h for a in (axes, other) for h in a.get_legend_handles_labels()[0]]
    axes.legend(handles=handles, loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=2)
    blurred = found.closing_speed.value * RESOLVED * metres
    caption = (
        f"Force between {found.striking} and {found.struck} and the energy taken, against their "
        f"closing up to the greatest, with 95 % bands. Detail shorter than {RESOLVED * 1e3:g} ms, "
        f"{blurred:.2g} {length} at contact, is averaged."
    )
    return f"{found.striking}-{NAME}", caption, figure, data


def _note(found: Mechanics, system: System) -> str:
    unit, factor = unit_of("length", system)
    sentences = []
    if found.friction_source == "assumed":
        sentences.append("The film does not show the tyre friction: it is assumed.")
    if found.cushion_length is not None:
        length = plain(round(found.cushion_length * factor, 2))
        front = plain(round(found.front_crush * factor, 2))
        less = f"less the {front} {unit} that the front took, " if found.front_crush else ""
        bound = "" if found.front_crush else "; the front's crush is in it"
        sentences.append(
            f"Stroke: greatest closing, {less}over the cushion's {length} {unit}{bound}."
        )
    return " ".join(sentences)
