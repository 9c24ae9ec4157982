from collections.abc import Callable
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from calibration.errors import Problem
from tests.support import small_scene
from tracker.cli.main import main
from tracker.pipeline.check_geometry import check_picks
from tracker.pipeline.check_result import Check
from tracker.pipeline.preflight import check_record
from tracker.record.load import load_record

RECORD = """
schema = 1
[test]
number = "1"
[test.intended]
speed = "100 km/h"
[vehicles.car]
role = "striking"
[vehicles.car.markers]
roof1 = { at = ["1 m", "0 m", "-1.4 m"], pattern = "disc", size = "0.2 m" }
roof2 = { at = ["-1 m", "0 m", "-1.4 m"], pattern = "disc", size = "0.2 m" }
[cameras.top]
film = "top"
frame_rate = "1000 1/s"
exposure = "0.2 ms"
position = ["0 m", "0 m", "-12 m"]
[cameras.top.survey]
g1 = { at = ["-4 m", "-3 m", "0 m"], pixel = [20, 20], size = "0.3 m" }
g2 = { at = ["4 m", "-3 m", "0 m"], pixel = [300, 20], size = "0.3 m" }
g3 = { at = ["4 m", "3 m", "0 m"], pixel = [300, 220], size = "0.3 m" }
g4 = { at = ["-4 m", "3 m", "0 m"], pixel = [20, 220], size = "0.3 m" }
g5 = { at = ["0 m", "3 m", "0 m"], pixel = [160, 220], size = "0.3 m" }
[cameras.top.picks]
"car.roof1" = { pixel = [100, 100] }
"car.roof2" = { pixel = [60, 100] }
[cameras.top.time]
zero = 2
[[accelerometers]]
vehicle = "car"
at = ["0 m", "0 m", "0 m"]
file = "car.csv"
time = { column = "time", unit = "s" }
channels = { ax = { column = "ax", unit = "g_0" }, ay = { column = "ay", unit = "g_0" } }
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("check")
    (folder / "top").mkdir()
    grey = np.random.default_rng(0)
    for i in range(5):
        picture = grey.integers(0, 255, (240, 320), dtype=np.uint8)
        cv2.imwrite(str(folder / "top" / f"{i:03}.png"), picture)
    t = np.arange(-500, 3000) / 10000
    rows = np.column_stack([t, *(grey.standard_normal((2, len(t))) * 0.1)])
    np.savetxt(folder / "car.csv", rows, delimiter=",", header="time,ax,ay", comments="")
    np.savetxt(folder / "slow.csv", rows[::10], delimiter=",", header="time,ax,ay", comments="")
    (folder / "text.csv").write_text("time,ax,ay\nhello,1,2\n")
    (folder / "broken.mp4").write_bytes(b"not a film")
    return folder


@pytest.fixture
def checked(folder: Path) -> Callable[..., list[Check]]:
    def run(*changes: tuple[str, str]) -> list[Check]:
        text = RECORD
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        (folder / "record.toml").write_text(text, encoding="utf-8")
        return check_record(folder / "record.toml")

    return run


def test_a_record_with_all_it_needs_is_found_good(checked: Callable[..., list[Check]]) -> None:
    checks = checked()
    assert {check.state for check in checks} == {"ok"}
    about = " ".join(check.text for check in checks)
    for reported in (
        "5 frames of 320 x 240, 8 bits",
        "1000 1/s",
        "5 surveyed targets",
        "3500 samples",
    ):
        assert reported in about


@pytest.mark.parametrize(
    ("change", "state", "where", "reported"),
    [
        (("pixel = [300, 220]", "pixel = [320, 220]"), "missing", "survey.g3", "outside the pict"),
        (("pixel = [100, 100]", "pixel = [100, 100], frame = 5"), "missing", "roof1", "last frame"),
        (("zero = 2", "zero = 99"), "doubtful", "cameras.top.time", "outside the film"),
        (("zero = 2", 'zero = "contact"'), "doubtful", "cameras", "looked for in the motion"),
        (('exposure = "0.2 ms"\n', ""), "doubtful", "cameras.top.exposure", "not given"),
        (('"car.roof1" = { pixel = [100, 100] }', ""), "doubtful", "vehicles.car", "attitude"),
        (('position = ["0 m", "0 m", "-12 m"]\n', ""), "doubtful", "top.survey", "one plane"),
        (('size = "0.2 m" }\nroof2', 'size = "5 cm" }\nroof2'), "doubtful", "roof1", "large in"),
        (
            (', size = "0.2 m" }\nroof2', " }\nroof2"),
            "doubtful",
            "markers.roof1",
            "size is not given",
        ),
        (('film = "top"', 'film = "broken.mp4"'), "missing", "cameras.top.film", ""),
        (('"car.csv"', '"slow.csv"'), "doubtful", "accelerometers[1]", "SAE J211-1"),
        (('"car.csv"', '"text.csv"'), "missing", "accelerometers[1].file", ""),
        (('column = "ay"', 'column = "az"'), "missing", "accelerometers[1].file", "az"),
        (('unit = "s"', 'unit = "min"'), "doubtful", "accelerometers[1]", ""),
        (('role = "striking"\n', ""), "doubtful", "vehicles", "role striking"),
    ],
)
def test_what_is_missing_or_doubtful_is_named_with_its_place(
    checked: Callable[..., list[Check]],
    change: tuple[str, str],
    state: str,
    where: str,
    reported: str,
) -> None:
    found = [c for c in checked(change) if c.state == state and where in c.where]
    assert any(reported in check.text for check in found)


def test_a_mark_that_blurs_by_more_than_half_its_size_is_doubtful(
    checked: Callable[..., list[Check]],
) -> None:
    assert not any("during the exposure" in c.text for c in checked(('"0.2 ms"', '"1 ms"')))
    checks = checked(('"0.2 ms"', '"5 ms"'), ('"1000 1/s"', '"200 1/s"'))
    blurred = [c for c in checks if "moves 139 mm" in c.text]  # 27.78 m/s in 5 ms
    assert len(blurred) == 2
    assert {c.state for c in blurred} == {"doubtful"}


@pytest.mark.parametrize(
    ("survey", "reported"),
    [
        ("", "neither surveyed targets nor a scale bar"),
        ('g1 = { at = ["0 m", "0 m", "0 m"], pixel = [20, 20] }', "at least 4"),
        (
            "\n".join(
                f'g{i} = {{ at = ["{i} m", "0 m", "0 m"], pixel = [{20 + 50 * i}, 20] }}'
                for i in range(5)
            ),
            "on one line",
        ),
    ],
)
def test_a_survey_that_fixes_no_pose_is_missing(
    checked: Callable[..., list[Check]], survey: str, reported: str
) -> None:
    start = RECORD.index("g1 = ")
    old = RECORD[start : RECORD.index("[cameras.top.picks]")]
    assert any(c.state == "missing" and reported in c.text for c in checked((old, survey + "\n")))


def test_scale_bars_stand_in_for_a_survey(checked: Callable[..., list[Check]]) -> None:
    start = RECORD.index("[cameras.top.survey]")
    old = RECORD[start : RECORD.index("[cameras.top.picks]")]
    bar = '[[cameras.top.scale]]\npixels = [[10, 10], [200, 10]]\nlength = "2 m"\nalong = "x"\n'
    checks = checked((old, bar))
    assert not any(c.state == "missing" for c in checks)
    assert any(c.state == "doubtful" and "depth" in c.text for c in checks)


def test_a_wrong_record_is_a_problem_and_no_list(checked: Callable[..., list[Check]]) -> None:
    with pytest.raises(Problem):
        checked(('film = "top"', 'film = "nowhere"'))


MARKS = """roof2 = { at = ["-1 m", "0 m", "-1.4 m"], pattern = "disc", size = "0.2 m" }"""

FAR = """roof3 = { at = ["0.4 m", "0.3 m", "-1.4 m"], pattern = "disc", size = "0.2 m" }
roof4 = { at = ["40 m", "0.3 m", "-1.4 m"], pattern = "disc", size = "0.2 m" }"""


@pytest.mark.parametrize(
    ("change", "state", "text"),
    [
        (('["4 m", "3 m", "0 m"]', '["4 m", "-3 m", "0 m"]'), "doubtful", "g2 and g3 are surveyed"),
        (("pixel = [160, 220]", "pixel = [300, 220]"), "doubtful", "survey.g3 and survey.g5"),
        (('["0 m", "3 m", "0 m"]', '["0 m", "3000 m", "0 m"]'), "missing", "g5 lies 3.0 km"),
        (('["1 m", "0 m", "-1.4 m"]', '["1 m", "0 m", "1.4 m"]'), "doubtful", "roof1 lies 1.40 m"),
        (('["4 m", "3 m", "0 m"]', '["4 m", "3 m", "0.8 m"]'), "doubtful", "g3 lies 0.80 m below"),
        (
            ('["-1 m", "0 m", "-1.4 m"]', '["1 m", "0 m", "-1.4 m"]'),
            "doubtful",
            "markers roof1 and",
        ),
        ((MARKS, f"{MARKS}\n{FAR}"), "missing", "roof4 lies 40 m"),
        (("pixel = [160, 220]", "pixel = [160, 150]"), "doubtful", "26 px rms are left"),
        (
            ("pixel = [60, 100]", "pixel = [100, 100.4]"),
            "doubtful",
            "car.roof1 and car.roof2 are picked at one pixel",
        ),
        (
            (MARKS, MARKS + MARKS.replace("roof2", "\nroof3").replace('"0 m"', '"0.75 m"', 1)),
            "doubtful",
            "multiples of 50 mm",
        ),
    ],
)
def test_what_is_cheap_to_know_of_places_and_picks_is_said(checked, change, state, text) -> None:
    """Each of these passed a check without a word."""
    assert any(text in c.text and c.state == state for c in checked(change))


def test_exchanged_picks_are_named(checked) -> None:
    more = """g6 = { at = ["0 m", "-3 m", "0 m"], pixel = [160, 20] }
g7 = { at = ["-4 m", "0 m", "0 m"], pixel = [20, 120] }
g8 = { at = ["4 m", "0 m", "0 m"], pixel = [300, 120] }
[cameras.top.picks]"""
    sound = ("[cameras.top.picks]", more)
    assert not any("exchanged" in c.text for c in checked(sound))
    swap = (
        ("pixel = [20, 120]", "pixel = [300, 121]"),
        ("pixel = [300, 120]", "pixel = [20, 120]"),
    )
    reported = [c.text for c in checked(sound, *swap) if c.state == "doubtful"]
    assert any("g7" in text and "g8" in text for text in reported)


def test_exchanged_marks_of_a_vehicle_are_named_and_sound_ones_are_not(tmp_path) -> None:
    """Every pair of the marks of `small_scene` that one camera above sees, each in its turn."""
    (tmp_path / "above.mp4").touch()
    (tmp_path / "record.toml").write_text(small_scene.record_text())
    record = load_record(tmp_path / "record.toml")
    entry = record.cameras["above"]

    def reported(picks: dict) -> list[str]:
        cameras = {"above": entry.model_copy(update={"picks": picks})}
        changed = record.model_copy(update={"cameras": cameras})
        found = check_picks(changed, "above", small_scene.SIZE)
        return [c.text for c in found if "look exchanged" in c.text]

    assert reported(entry.picks) == []
    for a, b in combinations(entry.picks, 2):
        (text,) = reported({**entry.picks, a: entry.picks[b], b: entry.picks[a]})
        assert a in text
        assert b in text


def test_what_the_pose_leaves_of_sound_picks_is_said(checked) -> None:
    (pose,) = (c for c in checked() if "a pose from the picks leaves" in c.text)
    assert pose.state == "ok"


def test_what_a_missing_key_will_cost_is_said(checked) -> None:
    reported = {c.where: c.text for c in checked()}
    assert "axes' origin" in reported["vehicles.car.cg"]
    assert "every verdict" in reported["test.criteria"]
    assert "energies" in reported["vehicles.car.mass"]
    assert "head-on or angled" in reported["test.intended.angle"]


@pytest.mark.parametrize(
    ("change", "status", "complete"),
    [
        (("zero = 2", "zero = 1"), 0, True),
        (("pixel = [300, 220]", "pixel = [320, 220]"), 2, False),
        (('column = "ay"', 'column = "az"'), 2, False),
    ],
)
def test_a_record_that_cannot_be_analysed_is_not_complete(
    folder: Path, checked, change, status, complete
) -> None:
    """It ended with status 0, and reported complete, where a column or a target was missing."""
    assert any("is complete" in c.text for c in checked(change)) == complete
    done = CliRunner().invoke(main, ["check", str(folder / "record.toml")])
    assert done.exit_code == status
