"""The report says the numbers of the results, in the units asked for, and asks nothing outside."""

import csv
import html.parser
import json
import re
import shutil
import subprocess
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from calibration.findings import Diagnostic
from tests.support.made_results import TIME, made_results
from tracker.cli.main import main
from tracker.core.types import STATE, Motion, Quantity, Tracks
from tracker.pipeline.write_results import write_results
from tracker.report import digits
from tracker.report.blocks import Beside, TableBlock
from tracker.report.channels import channels
from tracker.report.content import document, headline
from tracker.report.tables import budget, verdict_row, verdicts
from tracker.results.channels import CrossCheckResult
from tracker.results.folder import read_results
from tracker.results.schema import (
    Budget,
    ConditionsResult,
    CrushResult,
    Curve,
    Results,
    Share,
    Software,
    VehicleResult,
)


def tidy(text):
    """Text with one kind of minus and space."""
    return re.sub(r"\s+", " ", text.replace("−", "-"))


class Page(html.parser.HTMLParser):
    """Text and addresses of a page."""

    def __init__(self, text):
        super().__init__()
        self.words, self.addresses, self.skipped = [], [], 0
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.skipped += tag == "style"
        self.addresses += [value for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag):
        self.skipped -= tag == "style"

    def handle_data(self, data):
        if not self.skipped:
            self.words.append(data)

    @property
    def text(self):
        return tidy(" ".join(self.words))


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    place = tmp_path_factory.mktemp("test") / "results"
    write_results(made_results(), place, unopened=())
    return place


@pytest.fixture(scope="module")
def page(written):
    return Page((written / "report.html").read_text(encoding="utf-8"))


# JCGM 100:2008, 7.2.2 and 7.2.6 (from memory): 100.02147 g with u = 0.35 mg; 10.05762 ohm with
# u = 27 mohm is stated as 10.058 ohm.
@pytest.mark.parametrize(
    ("value", "u", "shown"),
    [
        (100.02147, 0.00035, ("100.02147", "0.00035")),
        (10.05762, 0.027, ("10.058", "0.027")),
        (28.05, 0.999, ("28.0", "1.0")),
        (9.9649, 0.0996, ("9.96", "0.10")),
        (4567.0, 123.4, ("4570", "120")),
        (-0.0004, 0.031, ("0.000", "0.031")),
        (-5.157, 0.12, ("−5.16", "0.12")),
        (12.0, float("nan"), ("12.00", "")),
        (float("nan"), 0.1, ("–", "")),
    ],
)
def test_an_uncertainty_has_two_digits_and_its_value_the_same_place(value, u, shown):
    assert digits.round_with_u(value, u) == shown


def test_a_criterion_whose_value_may_still_grow_shows_at_least():
    results = made_results()
    first = replace(results.criteria[0], value=-0.3, u=0.001, at_end=True)
    assert verdict_row(first, "si")[1].startswith("≤ ")
    assert verdict_row(replace(first, at_end=False), "si")[1][0] in "-−"


def test_a_value_that_may_still_have_grown_is_marked():
    """1.309 rad of roll in the last frame stood there as if it were the greatest."""
    growing = Quantity(1.309, "rad", 0.001, 0.329, at_end=True)
    assert digits.in_report(growing, "plain", "si") == "≥ 1.3090 ± 0.0010"
    down = Quantity(-1.309, "rad", 0.001, 0.329, at_end=True)
    assert digits.in_report(down, "plain", "si") == "≤ −1.3090 ± 0.0010"


@pytest.mark.parametrize("exponent", range(-9, 10))
def test_rounding_never_moves_a_value_by_more_than_a_twentieth_of_its_uncertainty(exponent):
    rng = np.random.default_rng(exponent + 9)
    for u in 10.0**exponent * rng.uniform(1, 10, 50):
        value = float(rng.uniform(-1000, 1000) * u)
        shown, spread = digits.round_with_u(value, float(u))
        assert abs(float(shown.replace("−", "-")) - value) <= 0.0501 * u
        assert float(spread) == pytest.approx(u, rel=0.051)


def test_numbers_below_each_other_are_of_one_width():
    cells = digits.align_cells(["61.475 ± 0.047", "−0.5 ± 1.2", "4570", "–"])
    assert len({len(cell) for cell in cells}) == 1
    assert cells[0].index("±") == cells[1].index("±")


def test_page_json_and_csv_say_the_same_numbers(written, page):
    raw = json.loads((written / "results.json").read_text(encoding="utf-8"))
    car = raw["vehicles"]["car"]
    speed = car["impact_speed"]
    shown = digits.value_with_u(speed["value"] / 0.44704, speed["u"] / 0.44704)
    assert f"Speed (mi/h) 62 {shown}" in page.text
    velocity = car["occupant"]["film"]["oiv_x"]
    assert (
        tidy(digits.value_with_u(velocity["value"] / 0.3048, velocity["u"] / 0.3048)) in page.text
    )
    pitch = car["min_pitch"]
    assert (
        tidy(digits.value_with_u(np.degrees(pitch["value"]), np.degrees(pitch["u"]))) in page.text
    )
    with (written / "motion" / "car.csv").open(encoding="utf-8") as file:
        motion = list(csv.DictReader(file))
    lowest = min(float(row["pitch_rad"]) for row in motion)
    assert lowest == pytest.approx(pitch["value"], abs=1e-4)
    with (written / "pictures" / "car-attitude.csv").open(encoding="utf-8") as file:
        drawn = list(csv.DictReader(file))
    assert min(float(row["pitch (deg)"]) for row in drawn) == pytest.approx(
        np.degrees(lowest), abs=1e-6
    )


def test_every_number_of_a_vehicle_stands_on_the_page(page):
    results = made_results()
    for name, kind in (("travel_x", 0.3048), ("max_rise", 0.0254), ("velocity_change", 0.44704)):
        entry = getattr(results.vehicles["car"], name)
        assert tidy(digits.value_with_u(entry.value / kind, entry.u / kind)) in page.text, name
    for residual in results.cameras["overhead"].survey_residuals_px.values():
        assert f"{residual:.3f}" in page.text
    for name, digest in results.software.inputs.items():
        assert f"{name} {digest}" in page.text


def tables(blocks):
    for block in blocks:
        if isinstance(block, Beside):
            yield from tables((*block.left, *block.right))
        elif isinstance(block, TableBlock):
            yield block


def test_units_are_those_asked_for(page):
    metric = document(made_results("si"), {})
    cells = {
        cell
        for part in metric.parts
        for table in tables(part.blocks)
        for row in table.rows
        for cell in row
    }
    units = {unit for cell in cells for unit in re.findall(r"\((\D+)\)$", cell)}
    assert {"km/h", "m", "m/s", "kg", "deg"} <= units
    assert not {"mi/h", "ft", "lb", "ft/s"} & units
    assert "(mi/h)" in page.text
    assert "(km/h)" not in page.text


def test_nothing_on_the_page_is_asked_from_outside(page):
    outside = [a for a in page.addresses if not a.startswith(("data:", "#"))]
    assert outside == []
    assert len([a for a in page.addresses if a.startswith("data:image/svg")]) > 8


def test_text_from_a_record_can_not_become_markup(written, page):
    assert "u <b>& kept</b>" in page.text
    assert "<b>& kept" not in (written / "report.html").read_text(encoding="utf-8")


def test_warnings_edits_versions_and_limits_of_use_are_said(page):
    for phrase in (
        "no camera determines the roll of car",
        "mark placed by hand in frame 51",
        "impactfilm 0.1.0",
        "defers to the test standard, local codes, the accredited laboratory",
        "k = 1",
        "p = 95 %",
        "DISAGREE",
    ):
        assert phrase in page.text, phrase


def test_plots_leave_out_what_no_camera_determines(written):
    header = (written / "pictures" / "car-attitude.csv").read_text(encoding="utf-8").split("\n")[0]
    assert "pitch" in header
    assert "roll" not in header


def test_results_of_nothing_still_make_a_report(tmp_path):
    empty = Results(ConditionsResult("N-1 <script>"), Software("0"))
    write_results(empty, tmp_path / "results", unopened=())
    text = (tmp_path / "results" / "report.html").read_text(encoding="utf-8")
    assert "<script>" not in text
    assert headline(empty) == "No criteria were compared."


def test_the_same_results_give_the_same_bytes_also_when_read_from_a_folder(written):
    again = written.with_name("again")
    write_results(read_results(written), again, unopened=())
    files = [p.relative_to(written) for p in written.rglob("*") if p.is_file()]
    assert len(files) > 15
    for name in files:
        if name.name != "log.jsonl":  # holds the time of day
            assert (again / name).read_bytes() == (written / name).read_bytes(), name


def test_every_number_with_its_uncertainty_stands_in_page_and_pdf(written, page):
    if shutil.which("pdftotext") is None:
        pytest.skip("poppler-utils is not installed")
    printed = pdf_text(written / "report.pdf")
    cells = {
        tidy(re.sub("[\u2007\u2008]", "", cell))
        for part in document(made_results(), {}).parts
        for table in tables(part.blocks)
        for row in table.rows
        for cell in row
        if "±" in cell
    }
    shown = tidy(re.sub("[\u2007\u2008]", "", page.text))
    assert len(cells) > 30
    assert [cell for cell in cells if cell not in shown] == []
    assert [cell for cell in cells if cell not in printed] == []


@pytest.mark.browser
def test_a_browser_shows_the_page_without_a_request_or_a_message(written):
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("chromium is not installed")
    # a thread of its own: another test's browser may hold this one's event loop
    with ThreadPoolExecutor(1) as beside:
        seen = beside.submit(look_at, (written / "report.html").as_uri(), chromium).result()
    assert seen["reported"] == []
    assert [url for url in seen["asked"] if not url.startswith(("data:", "file:"))] == []
    assert seen["broken"] == 0
    assert seen["fits"]


def look_at(address, chromium):
    """What a browser says, asks for and shows of a page."""
    from playwright.sync_api import sync_playwright

    reported, asked = [], []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=BROWSER)
        tab = browser.new_page()
        tab.on("console", lambda message: reported.append(message.text))
        tab.on("pageerror", lambda error: reported.append(str(error)))
        tab.on("request", lambda request: asked.append(request.url))
        tab.goto(address)
        broken = tab.evaluate("[...document.images].filter(i => !i.naturalWidth).length")
        fits = tab.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        browser.close()
    return {"reported": reported, "asked": asked, "broken": broken, "fits": fits}


BROWSER = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def odd(results):
    """Results with everything that can be missing or not a number, missing or not a number."""
    nan, motion = float("nan"), results.motion["car"]
    gaps = motion.observed_mask.copy()
    gaps[100:200] = False
    nothing = np.full_like(motion.state, nan)
    unseen = np.zeros_like(motion.observed_mask)
    quantity = Quantity(nan, "m/s", nan, nan)
    return replace(
        results,
        vehicles={
            "car": replace(results.vehicles["car"], impact_speed=quantity),
            "truck": VehicleResult(max_pitch=Quantity(0.1, "rad", nan, nan)),
        },
        crush=CrushResult(None, None),
        motion={
            "car": replace(motion, observed_mask=gaps & np.isin(STATE, ("x_m", "pitch_rad"))),
            "truck": Motion(motion.time, nothing, nothing, unseen),
            "trailer": Motion(TIME[:0], nothing[:0], nothing[:0], unseen[:0]),
            "other": Motion(TIME[:1], motion.state[:1], motion.u[:1], motion.observed_mask[:1]),
        },
        curves=(
            Curve("car", "velocity_x", "film", "m/s", TIME, TIME * nan),
            Curve("car", "velocity_x", "accelerometer", "m/s", TIME[:0], TIME[:0]),
            Curve("car", "velocity_x", "fused", "m/s", TIME, 0 * TIME, TIME * nan),
        ),
        tracks={"side": Tracks("side", (), *(np.zeros((5, 0, *n)) for n in ((2,), (2, 2), ())))},
        times={},
    )


def test_whatever_is_missing_a_report_is_made(tmp_path):
    write_results(odd(made_results()), tmp_path / "results", unopened=())
    page = Page((tmp_path / "results" / "report.html").read_text(encoding="utf-8"))
    assert not re.search(r"\b(nan|inf|None)\b", page.text)
    raw = json.loads((tmp_path / "results" / "results.json").read_text(encoding="utf-8"))
    assert raw["vehicles"]["car"]["impact_speed"] is None
    assert read_results(tmp_path / "results").vehicles["car"].impact_speed is None


def pdf_text(path):
    done = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, check=True)
    return tidy(re.sub("[\u2007\u2008]", " ", done.stdout.decode("utf-8")))


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
def test_the_pdf_says_the_same_as_the_page(written):
    text = pdf_text(written / "report.pdf")
    results = made_results()
    car = results.vehicles["car"]
    for value, factor in (
        (car.impact_speed, 0.44704),
        (car.occupant.film.oiv_x, 0.3048),
        (car.occupant.accelerometer.ridedown_x, 1.0),
        (results.crush.max_dynamic, 0.3048),
    ):
        assert tidy(digits.value_with_u(value.value / factor, value.u / factor)) in text
    for phrase in ("no camera determines the roll of car", "ab" * 32, "JCGM 100:2008", "DISAGREE"):
        assert phrase in text, phrase
    pages = text.count("Test K-07")
    assert f"page {pages} of {pages}" in text


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")
def test_the_designers_part_is_one_page(written):
    pages = subprocess.run(
        ["pdftotext", "-layout", written / "report.pdf", "-"], capture_output=True, check=True
    )
    first, second = pages.stdout.decode("utf-8").split("\f")[:2]
    assert "Summary, for the designer" in first
    assert "JCGM 100:2008, 7.2.6" in tidy(first)
    assert tidy(first).count("Signature, date") == 3  # what the summary ends with
    assert tidy(second).count("How the numbers came about, for the reviewer") == 2  # head, title


@pytest.mark.skipif(shutil.which("pdffonts") is None, reason="poppler-utils is not installed")
def test_fonts_travel_with_the_pdf(written):
    done = subprocess.run(["pdffonts", written / "report.pdf"], capture_output=True, check=True)
    fonts = done.stdout.decode().splitlines()[2:]
    assert fonts
    for line in fonts:
        assert re.search(r" (yes|no) +(yes|no) +(yes|no) +\d+ +\d+$", line)[1] == "yes", line


def test_the_command_takes_other_times_and_another_pace(written, tmp_path):
    place = tmp_path / "results"
    shutil.copytree(written, place)
    asked = ["report", str(place), "--at", "20 ms", "--at", "0.1 s", "--slow", "40"]
    run = CliRunner().invoke(main, asked)
    assert run.exit_code == 0, run.output
    test = json.loads((place / "results.json").read_text("utf-8"))["test"]
    assert (test["photographs"], test["slow_motion"]) == ([0.02, 0.1], 40.0)
    logged = [json.loads(line) for line in (place / "log.jsonl").read_text("utf-8").splitlines()]
    assert [e["text"] for e in logged if e["kind"] == "setting"] == ["pictures of the report"]


@pytest.mark.parametrize("asked", [["--at", "20"], ["--at", "1 ft"], ["--verify", "--slow", "9"]])
def test_what_the_command_can_not_do_is_one_sentence(written, asked):
    before = (written / "results.json").read_bytes()
    run = CliRunner().invoke(main, ["report", str(written), *asked])
    assert run.exit_code == 2
    assert "Traceback" not in run.output
    assert (written / "results.json").read_bytes() == before


def test_every_channel_stands_beside_the_film() -> None:
    check = made_results().cross_check["car"]
    found = channels("car", check, "us")
    assert found is not None
    ax, yaw = found.rows
    assert ax[0] == "ax (mi/h, ft)"
    assert ax[1] == "DISAGREE"
    assert ax[3] == "−4.7"  # -0.27 / 0.058
    assert ax[8:] == ("yes", "0.953")
    assert yaw[:2] == ("yaw_rate (deg, deg s)", "undetermined")
    assert channels("car", CrossCheckResult("agree"), "us") is None


@pytest.mark.parametrize(
    ("code", "reported"),
    [
        ("accelerometers_unusable", "No accelerometer can be used: all is from film (car)."),
        ("accelerometers_alone", "it is from accelerometers alone (car)."),
    ],
)
def test_the_first_page_says_when_one_kind_of_instrument_failed(code: str, reported: str) -> None:
    assert reported in headline(
        replace(made_results(), warnings=(Diagnostic(code, "", "vehicles.car"),))
    )
    assert reported not in headline(made_results())


def test_a_preferred_limit_that_is_missed_fails_no_test() -> None:
    results = made_results()
    one = results.criteria[-1]
    criteria = (
        replace(one, name="OIV", verdict="pass", note=""),
        replace(one, name="OIV (preferred)", verdict="fail", note="", preferred=True),
        replace(one, name="ridedown (preferred)", verdict="pass", note="", preferred=True),
        replace(one, name="roll", verdict="undetermined", note=""),
    )
    results = replace(results, criteria=criteria)
    reported = headline(results)
    assert "Of 2 required criteria 1 passed, 0 failed, 1 undetermined." in reported
    assert "Of 2 preferred limits 1 are met." in reported
    words = [row[3] for row in verdicts(results).rows]
    assert words == ["pass", "not met", "pass", "undetermined"]


def test_a_budget_is_in_the_reports_units_and_its_shares_are_of_the_variance() -> None:
    shares = (Share("marks", 0.003), Share("survey", 0.004), Share("lens", 0.0001))
    entries = (
        Budget("car: impact speed", "m/s", 0.005, shares, "speed"),
        Budget("car: occupant impact velocity along x", "m/s", 0.005, shares[:1], "occupant_speed"),
        Budget("crush", "m", 0.0, (), "length"),
    )
    found = budget(replace(made_results(), budgets=entries))
    assert found is not None
    assert found.head == ("number", "u", "marks", "survey", "lens")
    speed, velocity, crush = found.rows
    assert speed == ("car: impact speed (mi/h)", "0.011", "36", "64", "< 1")  # 0.005 / 0.44704
    assert velocity == ("car: occupant impact velocity along x (ft/s)", "0.016", "36", "–", "–")
    assert crush[2:] == ("–", "–", "–")


def test_a_report_without_any_film_does_not_call_itself_film_analysis() -> None:
    blind = replace(made_results(), motion={}, cameras={})
    assert "Film analysis" in document(made_results(), {}).subtitle
    assert "Accelerometers alone by the criteria" in document(blind, {}).subtitle
