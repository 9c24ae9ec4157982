"""Parts of the workbench: the record's text, the copy of a film, colours, what is remembered."""

from __future__ import annotations

import itertools
import os
import re
import shutil
import subprocess
import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tomlkit

import tracker.workbench
from calibration.errors import Problem
from tests.support.made_results import TIME, car_motion, made_results
from tests.support.small_scene import write_small_test
from tracker.core.types import STATE
from tracker.film import open_film
from tracker.pipeline.analyse import analyse
from tracker.record.load import load_record
from tracker.results.csv import motion_csv
from tracker.results.json import json_text
from tracker.storage.hashing import content
from tracker.workbench import payload, stage_cache
from tracker.workbench.disk_cache import DiskCache
from tracker.workbench.first_page_routes import CHOICES
from tracker.workbench.stage_cache import CachedCalibration, CachedSolution, calibration_key
from tracker.workbench.tomledit import Change, changed_text

STATIC = Path(tracker.workbench.__file__).parent / "static"

TEXT = """# above all
schema = 1 # version

[test]
number = "A"   # kept

[cameras.side]   # the side
film = "side.mp4"
edits = [
  { mark = "car.a", frame = 1, pixel = [1, 2] },
  { mark = "car.b", frame = 2, pixel = [3, 4] },
]

[[cameras.side.scale]]
length = "2 m"
"""


# The record's text


def test_only_what_is_asked_for_changes():
    after = changed_text(TEXT, [Change(("test", "number"), "B")])
    assert after == TEXT.replace('"A"', '"B"')


def test_a_table_that_is_not_there_is_made():
    after = changed_text(TEXT, [Change(("cameras", "side", "time", "zero"), 12)])
    assert tomlkit.parse(after)["cameras"]["side"]["time"]["zero"] == 12
    assert after.startswith(TEXT.split("[cameras")[0])


def test_entries_of_lists_come_and_go():
    added = {"mark": "car.c", "frame": 3, "pixel": [5.5, 6]}
    after = changed_text(TEXT, [Change(("cameras", "side", "edits", "+"), added)])
    assert tomlkit.parse(after).unwrap()["cameras"]["side"]["edits"][2] == added
    for _ in range(3):
        after = changed_text(after, [Change(("cameras", "side", "edits", 0))])
    assert "edits" not in after
    bar = changed_text(TEXT, [Change(("cameras", "side", "scale", "+"), {"length": "3 m"})])
    assert bar.count("[[cameras.side.scale]]") == 2


def test_a_table_inside_a_line_is_a_line():
    lines = TEXT + '[[accelerometers]]\nchannels = { ax = { column = "ax", unit = "g_0" } }\n'
    path = ("accelerometers", 0, "channels", "ay", "column")
    after = changed_text(lines, [Change(path, "ay")])
    assert tomlkit.parse(after)["accelerometers"][0]["channels"].unwrap() == {
        "ax": {"column": "ax", "unit": "g_0"},
        "ay": {"column": "ay"},
    }
    assert len(after.splitlines()) == len(lines.splitlines())


def test_a_date_is_written_as_a_date():
    after = changed_text(TEXT, [Change(("test", "date"), "2026-06-18")])
    assert "date = 2026-06-18\n" in after


@pytest.mark.parametrize("path", [("test", "number", "deeper"), ("cameras", "side", "edits", 9)])
def test_a_change_that_fits_nowhere_is_refused(path):
    with pytest.raises(Problem, match="laid out"):
        changed_text(TEXT, [Change(path, 1)])


def test_text_that_is_no_toml_is_refused():
    with pytest.raises(Problem):
        changed_text("[test", [Change(("test", "number"), "B")])


# What the page is reported


def test_bands_hold_95_percent_and_displacements_are_in_report_units():
    reported = payload.motion_plots(made_results())
    line = next(x for x in reported["vx"]["lines"] if x["of"] == "car")
    assert reported["vx"]["unit"] == "mi/h"
    i = STATE.index("vx_mps")
    motion = car_motion()
    assert line["value"][10] == pytest.approx(motion.state[10, i] / 0.44704, rel=1e-5)
    # 1.96 standard deviations hold 95 % of a normal distribution (JCGM 100:2008, table G.1).
    assert line["band"][10] == pytest.approx(1.96 * motion.u[10, i] / 0.44704, rel=1e-3)
    assert len(line["time"]) == len(TIME)


def test_what_no_camera_determines_is_no_curve():
    lines = payload.motion_plots(made_results()).get("roll", {"lines": []})["lines"]
    assert "car" not in [line["of"] for line in lines]


def test_rise_is_upwards_and_zero_at_contact():
    line = payload.motion_plots(made_results())["rise"]["lines"][0]
    at_zero = int(np.argmin(np.abs(np.array(line["time"]))))
    assert line["value"][at_zero] == 0


# What is remembered between analyses


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return write_small_test(tmp_path_factory.mktemp("small") / "S-1")


def rewritten(record: Path, old: str, new: str):
    text = record.read_text()
    assert old in text
    record.write_text(text.replace(old, new))
    try:
        return load_record(record)
    finally:
        record.write_text(text)


def test_a_film_is_followed_again_only_if_its_following_depends_on_the_change(small):
    before = calibration_key(load_record(small), "above")
    same = [('number = "S-1"', 'number = "S-2"'), ('speed = "50 km/h"', 'speed = "60 km/h"')]
    other = [
        ('exposure = "0.1 ms"', 'exposure = "0.2 ms"'),
        ("zero = 12.0", "zero = 13.0"),
        ('"car.roof1" = { pixel = [', '"car.roof1" = { pixel = [1'),
        ('size = "0.34 m"', 'size = "0.35 m"'),
    ]
    for old, new in same:
        assert calibration_key(rewritten(small, old, new), "above") == before
    keys = [calibration_key(rewritten(small, old, new), "above") for old, new in other]
    assert len({before, *keys}) == 1 + len(other)


def test_what_was_seen_is_given_back_as_it_was(small, tmp_path, monkeypatch):
    from tracker.camera.stage import CalibratedFilm

    record = load_record(small)
    film = open_film(record.place("above.mp4"), frame_rate=500.0)
    made = CalibratedFilm("above", film, *(["followed", "steady", "pose", "time"]), ("warned",))
    calls = []
    monkeypatch.setattr(stage_cache, "calibrate_camera", lambda *_: calls.append(1) or made)
    calibrate = CachedCalibration(tmp_path / "cache")
    first, second = (calibrate(record, "above", lambda *_: None) for _ in range(2))
    assert len(calls) == 1
    assert second.film.frames == film.frames
    assert (second.followed, second.warnings) == (first.followed, first.warnings)
    kept = next((tmp_path / "cache" / "calibrations").glob("*.npz"))
    kept.write_bytes(b"torn")
    calibrate(record, "above", lambda *_: None)
    assert len(calls) == 2


def analysed(record: Path, cache: Path | None, counts: Counter[str], monkeypatch):
    """Results of a record, and how often each stage was computed."""
    if cache is None:
        return analyse(load_record(record))
    for name in ("calibrate_camera", "track_film_again", "solve"):
        real = getattr(stage_cache, name)

        def counted(*given, name=name, real=real, **named):
            counts[name] += 1
            return real(*given, **named)

        monkeypatch.setattr(stage_cache, name, counted)
    found = analyse(load_record(record), None, CachedCalibration(cache), CachedSolution(cache))
    monkeypatch.undo()
    return found


@pytest.mark.slow
def test_only_what_a_change_affects_is_computed_again_with_the_same_numbers(
    small, tmp_path, monkeypatch
):
    record = tmp_path / "S-1" / "record.toml"
    shutil.copytree(small.parent, record.parent)
    text = record.read_text()
    other = text.replace('mass = "1100 kg"', 'mass = "1120 kg"')
    later = text.replace("zero = 12.0", "zero = 13.0")
    without = text + '[[cameras.above.ruled_out]]\nmark = "car.roof1"\nfirst = 30\n'
    for written, computed in (
        (text, {"calibrate_camera", "track_film_again", "solve"}),
        (other, set()),
        (later, {"calibrate_camera", "solve"}),
        (without, {"calibrate_camera", "track_film_again", "solve"}),
        (text, set()),  # as after an undo
    ):
        record.write_text(written)
        counts: Counter[str] = Counter()
        found = analysed(record, tmp_path / "cache", counts, monkeypatch)
        assert set(counts) == computed, written[-200:]
        if written in (other, later):
            fresh = analysed(record, None, counts, monkeypatch)
            assert json_text(found) == json_text(fresh)
            assert motion_csv(found.motion["car"]) == motion_csv(fresh.motion["car"])


def test_content_is_equal_only_where_everything_is():
    motion = car_motion()
    values = [1, 1.0, "1", None, True, (1,), (1, 2), {"a": 1}, {"b": 1}, np.zeros(2)]
    values += [np.zeros(2, int), np.zeros((2, 1)), motion]
    assert len({content(value) for value in values}) == len(values)
    assert content(car_motion()) == content(motion)
    assert content(replace(motion, u=motion.u * (1 + 1e-15))) != content(motion)
    with pytest.raises(TypeError):
        content(lambda: 0)


# How it looks


def schemes() -> dict[str, dict[str, str]]:
    css = (STATIC / "look.css").read_text()
    light, dark = css.index(":root {"), css.index(':root[data-theme="dark"]')
    find = re.compile(r"--([\w-]+): (#[0-9a-f]{6})")
    return {
        "light": dict(find.findall(css[light : css.index("}", light)])),
        "dark": dict(find.findall(css[dark : css.index("}", dark)])),
    }


def luminance(colour: str) -> float:
    """Relative luminance of sRGB, WCAG 2.2."""
    part = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_its_ground(scheme):
    # WCAG 2.2, 1.4.3 (AA): 4.5 to 1 for text; 1.4.11: 3 to 1 for edges of what can be used.
    colours = schemes()[scheme]
    texts = ("ink", "quiet", "accent", "good", "bad", "unsure")
    pairs = [
        (t, g, 4.5) for t, g in itertools.product(texts, ("ground", "sheet", "raised", "soft"))
    ]
    pairs += [("on-accent", "accent", 4.5), ("sheet", "unsure", 4.5), ("edge", "sheet", 3.0)]
    pairs += [(f"line{i}", "sheet", 3.0) for i in (1, 2, 3, 4)]
    for front, back, least in pairs:
        a, b = sorted((luminance(colours[front]), luminance(colours[back])))
        assert (b + 0.05) / (a + 0.05) >= least, (front, back)


def test_modules_are_short_and_ask_nothing_of_the_outside():
    for module in STATIC.iterdir():
        text = module.read_text()
        if not module.name.startswith("uPlot"):
            assert len(text.splitlines()) < 400, module.name
            assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)", text), module.name


def own_modules() -> dict[str, str]:
    return {p.name: p.read_text() for p in STATIC.glob("*.js") if not p.name.startswith("uPlot")}


def test_modules_import_each_other_in_no_circle():
    arrows = {n: re.findall(r'from "\./([\w.]+)"', text) for n, text in own_modules().items()}
    waiting = dict(arrows)
    while waiting:
        free = [name for name, needs in waiting.items() if not any(n in waiting for n in needs)]
        assert free, sorted(waiting)
        for name in free:
            del waiting[name]


def test_what_a_module_gives_to_others_is_documented():
    for name, text in own_modules().items():
        lines = text.splitlines()
        for before, line in itertools.pairwise(lines):
            assert len(line) <= 120, (name, line)
            assert not line.startswith("export") or before.endswith("*/"), (name, line)


def test_the_form_offers_what_the_record_may_name():
    for words in (CHOICES["patterns"], CHOICES["criteria"], CHOICES["channels"]):
        for name, text in own_modules().items():
            typed = [
                word for word in words if f'"{word}"' in text and word not in ("patch", "none")
            ]
            assert len(typed) < 2, name  # listed once, by the record's schema


def test_the_page_fetches_all_its_modules_at_once():
    page = (STATIC / "index.html").read_text()
    asked = re.findall(r'rel="modulepreload" href="/static/([\w.]+)"', page)
    assert sorted(asked) == sorted(p.name for p in STATIC.glob("*.js"))


def test_decoders_and_analyses_load_no_server():
    code = (
        "import sys, tracker.workbench.decoder, tracker.workbench.job; "
        "sys.exit(any(m in sys.modules for m in ('uvicorn', 'starlette', 'tomlkit')))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_vendored_plot_library_comes_with_its_licence():
    assert "MIT" in (STATIC / "uPlot.LICENSE.txt").read_text()


def test_the_cache_keeps_what_was_used_last(tmp_path):
    three = 3 * 8600 + 500  # bytes of three such values
    cache = DiskCache(tmp_path / "cache", "kept", three)
    value = np.zeros(1000)
    for number, name in enumerate("abc"):
        cache.keep(content(name), value)
        old = time.time() - 1000 + number
        os.utime(tmp_path / "cache" / "kept" / f"{content(name)}.npz", (old, old))
    assert cache.find(content("a")) is not None  # used again, so that b is the oldest
    cache.keep(content("d"), value)
    kept = [cache.find(content(name)) is not None for name in "abcd"]
    assert kept == [True, False, True, True]


def test_a_folder_that_is_not_private_is_no_cache(tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "cache").symlink_to(tmp_path / "elsewhere")
    cache = DiskCache(tmp_path / "cache", "kept", 10**6)
    cache.keep("key", 1)
    assert cache.find("key") is None
    assert list((tmp_path / "elsewhere").iterdir()) == []
