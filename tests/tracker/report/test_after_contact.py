"""The report of what happened after contact, from results made by hand."""

from dataclasses import replace

import numpy as np
import pytest

from tests.support.made_results import made_results
from tracker.cli.progress import show_demo, truth_rows
from tracker.core.types import Quantity
from tracker.report.after_contact import (
    after_contact,
    article_table,
    events_table,
    exit_table,
    marks_table,
)
from tracker.report.blocks import TableBlock
from tracker.report.overlay import Overlay
from tracker.report.plan_view import STRAIGHT_ON, outline_corners, plan_view
from tracker.results.after_contact import (
    ArticleFigure,
    ArticleMarkResult,
    ArticlePath,
    ArticleResult,
    EventResult,
    ExitBoxResult,
    ExitResult,
    FinalResult,
    VehicleOutline,
)
from tracker.results.json import json_text, read_scalars
from tracker.results.schema import Results, View

EXIT = ExitResult(
    0.35,
    0.004,
    "found",
    Quantity(22.352, "m/s", 0.0447),  # 50.0 mi/h, u 0.10
    Quantity(np.radians(-6.5), "rad", np.radians(0.1)),
    None,
    None,
    ExitBoxResult(False, None, "every wheel passed the end of the box inside it", 5.1, 10.0),
)
FINAL = FinalResult(None, None, None, True, "tape", Quantity(70.104, "m", 0.03), None)  # 230 ft


@pytest.fixture
def results() -> Results:
    base = made_results()
    name = next(n for n, v in base.vehicles.items() if v.role == "striking")
    outline = VehicleOutline(0.9, 5.0, 2.0, (-1.5, 0.0, -0.6))
    vehicle = replace(base.vehicles[name], exit=EXIT, final=FINAL, outline=outline)
    start = np.array([2.0, 1.5, -0.7])
    time = np.array([0.0, 0.1])
    path = ArticlePath(
        time, np.array([start, start + np.array([0, 0.4, 0])]), np.full((2, 3), 1e-3), start
    )
    return replace(
        base,
        vehicles={**base.vehicles, name: vehicle},
        article=ArticleResult(ArticleFigure(0.3048, "m", 3.05e-3, "post1", 0.1), offset=1.4),
        article_paths={"post1": path},
        events=(
            EventResult(0.0, "first contact", "found", "contact", None, {"overhead": 30.04}),
            EventResult(0.12, "post breaks", "typed"),
        ),
    )


def rows(found: TableBlock | None) -> dict[str, tuple[str, ...]]:
    assert found is not None
    return {row[0]: row[1:] for row in found.rows}


def test_the_exit_table_is_in_report_units(results: Results) -> None:
    vehicle = next(v for v in results.vehicles.values() if v.exit is not None)

    found = rows(exit_table("car", vehicle, "us"))

    assert found["Exit speed (mi/h)"] == ("50.00 ± 0.10",)
    assert found["Trajectory angle (deg)"][0].endswith("6.50 ± 0.10")
    assert found["Exit box, 16.7 × 32.8 ft"][0].startswith("not crossed")
    assert found["At rest, tape: downstream of impact (ft)"] == ("230.000 ± 0.098",)


def test_an_articles_figure_names_its_mark(results: Results) -> None:
    in_feet = replace(results, test=replace(results.test, report_units="us"))

    found = rows(article_table(in_feet))

    assert found["Dynamic deflection (ft)"] == ("1.000 ± 0.010", "0.100", "post1")


def test_short_lengths_of_an_article_are_in_inches(results: Results) -> None:
    """14 mm read 0.0457 ft; 14 / 25.4 = 0.5512."""
    assert results.article is not None
    short = ArticleFigure(0.014, "m", 2.54e-4, "base", 0.1)
    mark = ArticleMarkResult(Quantity(0.014, "m", 2.54e-4), None, None, False, None)
    article = replace(results.article, dynamic_deflection=short, marks={"base": mark})
    in_feet = replace(results, article=article, test=replace(results.test, report_units="us"))

    assert rows(article_table(in_feet))["Dynamic deflection (in)"][0] == "0.551 ± 0.010"
    marks = marks_table(in_feet)
    assert marks is not None
    assert marks.head[1] == "dynamic (in)"
    assert marks.rows[0][1] == "0.551 ± 0.010"


def test_events_have_frame_numbers_where_a_film_shows_them(results: Results) -> None:
    found = events_table(results)

    assert found is not None
    assert [row[1] for row in found.rows] == ["first contact", "post breaks"]
    column = found.head.index("overhead")
    assert [row[column] for row in found.rows] == ["30.0", "–"]


def test_a_test_without_anything_after_contact_has_no_such_section() -> None:
    assert after_contact(replace(made_results(), events=()), {}) == []


def test_the_plan_view_is_to_scale(results: Results) -> None:
    found = plan_view(results)

    assert found is not None
    axes = found[2].axes[0]
    assert axes.get_aspect() == 1.0
    assert axes.yaxis_inverted()


def test_a_path_beyond_the_films_is_drawn_as_such_and_not_as_data(results: Results) -> None:
    """The outline's 5 m twice, along the last velocity; a vehicle at rest has none."""
    name = next(n for n, v in results.vehicles.items() if v.outline is not None)
    us = replace(results, test=replace(results.test, report_units="si"))
    motion = us.motion[name]
    observed = np.ones_like(motion.observed_mask)
    state = motion.state.copy()
    state[-1, [0, 1, 6, 7]] = 10.0, 2.0, 3.0, 4.0
    us = replace(
        us, motion={**us.motion, name: replace(motion, state=state, observed_mask=observed)}
    )
    resting = replace(us.vehicles[name], rest=True)

    found, without = plan_view(us), plan_view(replace(us, vehicles={**us.vehicles, name: resting}))

    assert found is not None
    assert without is not None
    lines = [x for x in found[2].axes[0].lines if x.get_label() == STRAIGHT_ON]
    assert len(lines) == 1
    assert lines[0].get_linestyle() == "--"
    assert lines[0].get_xydata() == pytest.approx(np.array([[10.0, 2.0], [16.0, 10.0]]))
    assert max(found[3]["y (m)"]) < 9.0
    assert not [x for x in without[2].axes[0].lines if x.get_label() == STRAIGHT_ON]


def test_the_plan_view_shows_the_article_undeformed_and_at_its_greatest(results: Results) -> None:
    """Face at y 1.4 m, post at y 1.5 m that moves 0.4 m, its neighbour 0.1 m: in ft, by hand."""
    assert results.article is not None
    first = results.article_paths["post1"]
    start = np.array([4.0, 1.5, -0.7])
    second = replace(
        first, start=start, position=np.array([start, start + np.array([0.0, 0.1, 0.0])])
    )
    article = replace(results.article, width=0.3)
    both = {"post1": first, "post2": second}
    found = plan_view(replace(results, article=article, article_paths=both))

    assert found is not None
    lines = {line.get_label(): line for line in found[2].axes[0].lines}
    undeformed = lines["article, undeformed"].get_xydata() * 0.3048
    greatest = lines["at 0.100 s, greatest"].get_xydata() * 0.3048
    assert undeformed == pytest.approx(np.array([[1.0, 1.4], [5.0, 1.4]]))
    assert greatest == pytest.approx(np.array([[2.0, 1.8], [4.0, 1.5]]))


def test_an_outline_turns_about_the_cg() -> None:
    # A quarter turn to the right: forward becomes right. The cg is 1.5 m behind the axes' origin.
    outline = VehicleOutline(0.9, 5.0, 2.0, (-1.5, 0.0, -0.6))

    corners = outline_corners(outline, np.array([10.0, 3.0, np.pi / 2]))

    assert corners[:4].max(axis=0) == pytest.approx([11.0, 3.0 + 2.4])
    assert corners[:4].min(axis=0) == pytest.approx([9.0, 3.0 - 2.6])


def test_results_after_contact_come_back_from_json(results: Results) -> None:
    back = read_scalars(json_text(results), "here")

    assert back["article"] == results.article
    assert back["events"] == results.events
    assert back["vehicles"] == results.vehicles


def test_a_marked_film_names_an_event_when_it_happens(results: Results) -> None:
    overlay = Overlay("overhead", results, View("none"), slow=40.0)

    assert overlay._captions(0.125) == ["POST BREAKS"]
    assert overlay._captions(0.115) == []
    assert overlay._captions(0.5) == []


@pytest.mark.parametrize("width", [320, 1280])
def test_a_caption_stands_on_a_line_of_its_own_whatever_the_values_need(
    results: Results, width: int
) -> None:
    """Values of two vehicles fill a line of most pictures: the caption was left out there."""
    black = np.zeros((64, width), np.uint8)

    def strip(text: str) -> np.ndarray:
        events = (EventResult(0.12, text, "found"),)
        shown = replace(results, events=events, times={"overhead": np.array([0.125])})
        return Overlay("overhead", shown, View("none"), 40.0).annotate_frame(0, black)[64:]

    long = "the left front wheel of the pickup leaves the ground and the post behind it breaks off"
    some, none, longest = strip("post breaks"), strip(""), strip(long * 3)
    assert some.any()
    assert np.any(some != none)
    rows = np.flatnonzero(np.any(some != none, axis=(1, 2)))
    assert rows.min() > 55  # below the values
    assert not longest[:, -6:].any()  # ends inside the picture


def test_the_demonstrations_table_shows_the_loss_of_contact(
    results: Results, capsys: pytest.CaptureFixture[str]
) -> None:
    name = next(n for n, v in results.vehicles.items() if v.exit is not None)
    truth = {f"{name}.exit.time": 0.349, f"{name}.final.downstream": 70.1, "article.width": 1.0}

    found = {label: film for label, film, _, _ in truth_rows(results, truth)}
    show_demo(results, truth)

    assert found[f"{name}: exit: time"] == Quantity(0.35, "s", 0.004)
    assert found[f"{name}: final: downstream"] == Quantity(70.104, "m", 0.03)
    assert "0.3500 ± 0.0040 s" in capsys.readouterr().out
