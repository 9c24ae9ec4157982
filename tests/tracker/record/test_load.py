import os
import re
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from calibration.errors import RECORD, Problem
from tracker.camera.lens_source import lens_of
from tracker.record.load import SIZE_LIMIT, InvalidRecordError, Record, load_record
from tracker.record.schema import Tables
from tracker.record.types import Table

# Every table and key that a record may have.
WHOLE = """
schema = 1
[test]
number = "A-12"
title = "Small car into stationary truck-mounted crash cushion"
date = 2026-06-18
criteria = "mash2016"
report_units = "us"
[test.intended]
speed = "62 mi/h"
angle = "0 deg"
offset = "0 ft"
[test.speed_trap]
speed = "61.4 mi/h"
u = "0.3 mi/h"
[vehicles.car]
role = "striking"
mass = "2420 lb"
cg = ["0 m", "0 m", "-0.56 m"]
flail = ["0.6 m", "0.3 m"]
[vehicles.car.markers]
roof1 = { at = ["0.80 m", "-0.45 m", "-1.42 m"], pattern = "quadrant", size = "0.20 m" }
door1 = { at = ["0.35 m", "-0.86 m", "-0.70 m"], pattern = "disc", size = "0.15 m" }
[vehicles.car.points]
front = ["2.05 m", "0 m", "-0.50 m"]
[survey]
ground_u = "3 mm"
marker_u = "2 mm"
[cameras.overhead]
film = "overhead.mp4"
frame_rate = "1000 1/s"
exposure = "0.2 ms"
bits = 12
position = ["-3 m", "0 m", "-12 m"]
lens = { camera_matrix = [[1510.0, 0.0, 639.5], [0.0, 1510.0, 511.5], [0.0, 0.0, 1.0]], distortion = [-0.12, 0.05, 0.0, 0.0, 0.0] }
[cameras.overhead.survey]
g1 = { at = ["-6 m", "-3 m", "0 m"], pixel = [212, 801], frame = 0, pattern = "quadrant", size = "0.30 m" }
fence = { pixel = [20, 30] }
[cameras.overhead.picks]
"car.roof1" = { pixel = [402, 518], frame = 0 }
[cameras.overhead.time]
zero = "flash"
flash_region = [1180, 20, 60, 60]
timing_light = { region = [10, 10, 24, 24], rate = "100 1/s", duty = 0.5 }
[cameras.side]
film = "side/*.png"
frame_rate = "500 1/s"
lens = { chessboard = "lens/*.png", inner_corners = [9, 6], square = "30 mm" }
edits = [{ mark = "car.door1", frame = 120, pixel = [410.5, 222.0] }]
ruled_out = [{ mark = "car.door1", first = 130, last = 140 }]
[[cameras.side.scale]]
pixels = [[300, 620], [700, 622]]
frame = 0
length = "2 m"
along = "x"
depth = "14 m"
on = "car"
plane = "0.86 m"
[cameras.side.time]
zero = 20.5
[[accelerometers]]
vehicle = "car"
at = ["0.06 m", "0.03 m", "-0.48 m"]
file = "car.csv"
time = { column = "time", unit = "ms" }
channels = { ax = { column = "ax", unit = "g_0" }, yaw_rate = { column = "wz", unit = "deg/s", polarity = -1 } }
full_scale = "100 g_0"
"""  # noqa: E501
LEAST = """
schema = 1
[test]
number = "1"
[vehicles.ball]
[cameras.side]
film = "overhead.mp4"
"""

Write = Callable[[str], Path]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("test") / "A-12"
    (folder / "side").mkdir(parents=True)
    (folder / "lens").mkdir()
    (folder / "empty").mkdir()
    for name in ("overhead.mp4", "car.csv", "side/1.png", "lens/1.png"):
        (folder / name).write_bytes(b"\0")
    (folder.parent / "secret.mp4").write_bytes(b"\0")
    (folder / "link.mp4").symlink_to(folder.parent / "secret.mp4")
    (folder / "linked").mkdir()
    (folder / "linked" / "1.png").symlink_to(folder.parent / "secret.mp4")
    (folder / "deep" / "channel").mkdir(parents=True)
    (folder / "deep" / "1.png").write_bytes(b"\0")
    (folder / "deep" / "channel" / "ax").symlink_to(folder.parent / "secret.mp4")
    return folder


@pytest.fixture
def record(folder: Path) -> Callable[[str], Record]:
    def read(text: str) -> Record:
        (folder / "record.toml").write_text(text, encoding="utf-8")
        return load_record(folder)

    return read


def refusal(read: Callable[[str], Record], text: str) -> str:
    with pytest.raises(Problem) as error:
        read(text)
    assert error.value.status == RECORD
    return str(error.value)


def outcome(folder: Path) -> Problem | None:
    try:
        load_record(folder)
    except Problem as problem:
        return problem
    return None


def changed(old: str, new: str) -> str:
    assert WHOLE.count(old) == 1
    return WHOLE.replace(old, new)


def test_every_quantity_arrives_in_si(record: Callable[[str], Record]) -> None:
    r = record(WHOLE)
    assert r.test.intended.speed == pytest.approx(27.71648)  # 62 * 0.44704, NIST SP 811
    assert r.test.speed_trap is not None
    assert r.test.speed_trap.u == pytest.approx(0.134112)
    car = r.vehicles["car"]
    assert car.mass == pytest.approx(2420 * 0.45359237)
    assert car.cg == (0.0, 0.0, -0.56)
    assert car.flail == (0.6, 0.3)
    assert car.markers["door1"].at == (0.35, -0.86, -0.70)
    assert car.markers["door1"].pattern == "disc"
    assert car.markers["door1"].size == 0.15
    assert car.points["front"] == (2.05, 0.0, -0.5)
    assert (r.survey.ground_u, r.survey.marker_u) == (0.003, 0.002)
    sensor = r.accelerometers[0]
    assert sensor.time is not None
    assert sensor.time.si == pytest.approx(1e-3)
    assert sensor.channels["ax"].si == pytest.approx(9.80665)
    assert sensor.channels["yaw_rate"].si == pytest.approx(0.017453292519943295)
    assert sensor.channels["yaw_rate"].polarity == -1
    assert sensor.full_scale == pytest.approx(980.665)


def test_what_a_survey_and_a_lens_may_err_by_arrives(
    record: Callable[[str], Record], folder: Path
) -> None:
    """Uncertainties of lens, axes, cg, scale and single markers; each has a default."""
    plain = record(WHOLE)
    assert plain.survey.scale_u == pytest.approx(2e-4)
    assert plain.survey.datum_u == pytest.approx(np.radians(0.05), rel=1e-2)
    assert plain.vehicles["car"].axes_u == pytest.approx(np.radians(0.1), rel=1e-2)
    assert plain.vehicles["car"].cg_uncertainty == pytest.approx(5e-3)
    assert plain.vehicles["car"].markers["roof1"].u is None
    assert plain.vehicles["car"].markers["roof1"].rigid
    u = 'u = { focal = "0.2 %", centre = 3.0, distortion = [0.02, 0.03, 0.001, 0.001, 0.04] }'
    text = WHOLE.replace(
        "distortion = [-0.12, 0.05, 0.0, 0.0, 0.0] }",
        f"distortion = [-0.12, 0.05, 0.0, 0.0, 0.0], {u} }}",
        1,
    )
    text = text.replace("[vehicles.car]", '[vehicles.car]\ncg_u = "8 mm"\naxes_u = "0.2 deg"', 1)
    text = text.replace("roof1 = { ", 'roof1 = { u = "20 mm", rigid = false, ', 1)
    text = text.replace("[survey]", '[survey]\nscale_u = "0.05 %"\ndatum_u = "0.3 deg"', 1)
    r = record(text)
    car = r.vehicles["car"]
    assert (r.survey.scale_u, r.survey.datum_u) == pytest.approx((5e-4, np.radians(0.3)))
    assert (car.cg_uncertainty, car.axes_u) == pytest.approx((8e-3, np.radians(0.2)))
    assert (car.markers["roof1"].u, car.markers["roof1"].rigid) == (0.02, False)
    lens, _ = lens_of(r, "overhead", (1280, 1024))
    assert lens is not None
    sd = np.sqrt(np.diag(lens.covariance))
    assert sd[0] / 1510 == pytest.approx(2e-3, rel=0.01)
    assert sd[2:] == pytest.approx([3, 3, 0.02, 0.03, 0.001, 0.001, 0.04])
    usual, _ = lens_of(plain, "overhead", (1280, 1024))
    assert usual is not None
    assert np.sqrt(np.diag(usual.covariance))[2:] == pytest.approx(
        [2, 2, 0.01, 0.02, 5e-4, 5e-4, 0.02]
    )


def test_every_entry_of_a_camera_arrives(record: Callable[[str], Record], folder: Path) -> None:
    r = record(WHOLE)
    camera, side = r.cameras["overhead"], r.cameras["side"]
    assert camera.frame_rate == 1000
    assert camera.exposure == pytest.approx(2e-4)
    assert camera.bits == 12
    assert camera.position == (-3, 0, -12)
    assert camera.lens is not None
    assert camera.lens.camera_matrix is not None
    assert camera.lens.camera_matrix[0] == (1510, 0, 639.5)
    assert camera.lens.distortion == (-0.12, 0.05, 0, 0, 0)
    assert camera.survey["g1"].at == (-6, -3, 0)
    assert camera.survey["g1"].pixel == (212, 801)
    assert camera.survey["fence"].at is None
    assert camera.picks["car.roof1"].pixel == (402, 518)
    assert camera.time.zero == "flash"
    assert camera.time.flash_region == (1180, 20, 60, 60)
    assert camera.time.timing_light is not None
    assert camera.time.timing_light.rate == 100
    assert side.time.zero == 20.5
    assert side.scale[0].pixels == ((300, 620), (700, 622))
    assert (side.scale[0].length, side.scale[0].depth, side.scale[0].plane) == (2, 14, 0.86)
    assert (side.edits[0].frame, side.edits[0].pixel) == (120, (410.5, 222.0))
    assert (side.ruled_out[0].first, side.ruled_out[0].last) == (130, 140)
    assert r.place(camera.film) == str(folder / "overhead.mp4")
    assert r.place("s3://films/a.mp4") == "s3://films/a.mp4"


def test_the_least_record_has_the_stated_defaults(record: Callable[[str], Record]) -> None:
    r = record(LEAST)
    assert (r.survey.ground_u, r.survey.marker_u) == (0.002, 0.001)
    assert r.cameras["side"].time.zero == "contact"
    assert r.cameras["side"].frame_rate is None
    assert r.vehicles["ball"].cg == (0, 0, 0)
    assert r.vehicles["ball"].mass is None
    assert (r.test.criteria, r.test.report_units) == ("none", "si")


def test_a_record_does_not_change(record: Callable[[str], Record]) -> None:
    with pytest.raises(ValueError, match="frozen"):
        record(LEAST).test.number = "2"  # type: ignore[misc]


ONE_ERROR = [
    ('film = "overhead.mp4"\n', 'film = "overhead.mp4"\nfocus = 3\n',
     ["cameras.overhead.focus", "unknown key 'focus'", "known here are: film"]),
    ("frame_rate = \"1000 1/s\"", "framerate = \"1000 1/s\"",
     ["cameras.overhead.framerate", "write 'frame_rate'"]),
    ("polarity = -1", "polarty = -1", ["channels.yaw_rate.polarty", "write 'polarity'"]),
    ("duty = 0.5", "dutty = 0.5", ["cameras.overhead.time.timing_light.dutty", "write 'duty'"]),
    ('plane = "0.86 m"', 'plain = "0.86 m"', ["cameras.side.scale[1].plain", "write 'plane'"]),
    ("[survey]", "[surveys]", ["unknown key 'surveys'", "write 'survey'"]),
    ('"62 mi/h"', "62", ["test.intended.speed", "no unit where a speed is needed"]),
    ('"62 mi/h"', '"62 lb"', ["'62 lb' is a mass where a speed is needed"]),
    ('"62 mi/h"', '"900 mi/h"', ["test.intended.speed", "not plausible"]),
    ('"2420 lb"', '"2 kg"', ["vehicles.car.mass", "not plausible for a striking vehicle"]),
    ('"2420 lb"', '"2420 lbf"', ["vehicles.car.mass", "write 'lb'"]),
    ('["0 m", "0 m", "-0.56 m"]', '["0 m", "0 m"]', ["vehicles.car.cg", "list of 3"]),
    ('["0 m", "0 m", "-0.56 m"]', '["0 m", "0 m", -0.56]', ["vehicles.car.cg[3]", "a length"]),
    ('"disc"', '"disk"', ["vehicles.car.markers.door1.pattern", "write 'disc'"]),
    ('criteria = "mash2016"', 'criteria = "mash2061"', ["test.criteria", "write 'mash"]),
    ('criteria = "mash2016"', 'criteria = "ours.toml"', ["test.criteria", "not there"]),
    ('number = "A-12"', "", ["test.number", "missing"]),
    ('number = "A-12"', 'number = "A\\u001b[31m"', ["test.number", "not a line of text"]),
    ("schema = 1", "schema = 2", ["schema", "write schema = 1"]),
    ("schema = 1", "", ["schema", "missing"]),
    ("date = 2026-06-18", 'date = "June"', ["test.date", "2026-06-18"]),
    ('"car.roof1" = {', '"car.roof9" = {',
     ['cameras.overhead.picks."car.roof9"', "no marker 'car.roof9'", "write 'car.roof1'"]),
    ('mark = "car.door1", frame = 120', 'mark = "van.door1", frame = 120',
     ["cameras.side.edits[1].mark", "no mark 'van.door1'"]),
    ('on = "car"', 'on = "cat"', ["cameras.side.scale[1].on", "no vehicle 'cat'", "write 'car'"]),
    ('vehicle = "car"', 'vehicle = "truck"', ["accelerometers[1].vehicle", "no vehicle 'truck'"]),
    ("front = [", "door1 = [", ["vehicles.car.points.door1", "marker of this vehicle already"]),
    ("fence = {", "G1 = {", ["cameras.overhead.survey.G1", "differ only in capitals"]),
    ("pixel = [212, 801]", "pixel = [nan, 801]", ["cameras.overhead.survey.g1.pixel[1]"]),
    ("pixel = [212, 801]", "pixel = [212]", ["cameras.overhead.survey.g1.pixel", "list of 2"]),
    ("pixel = [20, 30]", "pixel = [20, 30], frame = -1", ["survey.fence.frame"]),
    ('"0.2 ms"', '"2 ms"', ["cameras.overhead.exposure", "longer than a frame"]),
    ("bits = 12", "bits = 13.5", ["cameras.overhead.bits"]),
    ("last = 140", "last = 129", ["cameras.side.ruled_out[1].last", "exchange"]),
    (', square = "30 mm"', "", ["cameras.side.lens", "three forms"]),
    ("[0.0, 0.0, 1.0]]", "[0.0, 0.0, 2.0]]", ["cameras.overhead.lens.camera_matrix"]),
    ("[300, 620], [700, 622]", "[300, 620], [300, 620]", ["cameras.side.scale[1].pixels"]),
    ('length = "2 m"\nalong = "x"\n', "", ["cameras.side.scale[1]", "has no length"]),
    ('zero = "flash"', 'zero = "flush"', ["cameras.overhead.time.zero", "frame number"]),
    ('"ax", unit = "g_0"', '"ax", unit = "deg/s"', ["channels.ax.unit", "an acceleration"]),
    ('"ax", unit = "g_0"', '"ax", unit = "g"', ["channels.ax.unit"]),
    ('"ax", unit = "g_0"', '"ax"', ["channels.ax.unit", "CSV"]),
    ("ax = { column", "axx = { column", ["channels.axx", "write 'ax'"]),
    ('time = { column = "time", unit = "ms" }', "", ["accelerometers[1].time", "missing"]),
    ('frame_rate = "500 1/s"', "", ["cameras.side.frame_rate", "pictures have no time"]),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "reported"), ONE_ERROR)
def test_an_error_is_one_sentence_with_place_and_remedy(
    record: Callable[[str], Record], old: str, new: str, reported: list[str]
) -> None:
    text = refusal(record, changed(old, new))
    assert len(text.splitlines()) == 1
    for part in reported:
        assert part in text


def test_all_errors_are_reported_at_once(record: Callable[[str], Record]) -> None:
    text = WHOLE
    singles = [
        ('"62 mi/h"', "62"), ("duty = 0.5", "dutty = 0.5"), ('"2420 lb"', '"2 kg"'),
        ('on = "car"', 'on = "cat"'), ('"overhead.mp4"', '"gone.mp4"'),
        ("schema = 1", "schema = 2"), ("last = 140", "last = 129"),
    ]  # fmt: skip
    for old, new in singles:
        text = text.replace(old, new)
    with pytest.raises(InvalidRecordError) as error:
        record(text)
    assert len(str(error.value).splitlines()) == len(error.value.errors) == len(singles)
    assert all(e.status == RECORD for e in error.value.errors)


def test_two_striking_vehicles_are_refused(record: Callable[[str], Record]) -> None:
    text = WHOLE + '[vehicles.van]\nrole = "striking"\n'
    assert "'car' is the striking vehicle already" in refusal(record, text)


@pytest.mark.parametrize("name", ["a.b", "a/b", "..", "", "survey", "con", "1car", "x" * 65, "ü"])
def test_a_vehicle_is_named_so_that_it_can_name_files(
    record: Callable[[str], Record], name: str
) -> None:
    assert "can't name a vehicle" in refusal(record, LEAST.replace("ball", f'"{name}"'))


@pytest.mark.parametrize(
    ("film", "why"),
    [
        ("../secret.mp4", "climbs out"),
        ("side/../../secret.mp4", "climbs out"),
        ("..\\\\secret.mp4", "climbs out"),
        ("/etc/passwd", "absolute"),
        ("C:\\\\film.mp4", "absolute"),
        ("link.mp4", "leads out"),
        ("linked", "leads out"),
        ("deep", "leads out"),
        ("linked/*.png", "leads out"),
        ("*/../../*.mp4", "climbs out"),
        ("**/*.mp4", "any depth"),
        ("overhaed.mp4", "did you mean 'overhead.mp4'"),
        ("none/*.png", "not there"),
        ("empty", "no pictures"),
        ("a\\u0000b", "not a path"),
    ],
)
def test_a_film_lies_in_the_folder_of_its_record(
    record: Callable[[str], Record], film: str, why: str
) -> None:
    text = LEAST.replace("overhead.mp4", film)
    reported = refusal(record, text)
    assert why in reported or "not a line of text" in reported
    assert "secret" not in reported.replace("secret.mp4'", "")


def test_a_url_is_not_looked_up(record: Callable[[str], Record]) -> None:
    assert record(LEAST.replace("overhead.mp4", "s3://films/a.mp4")).cameras["side"].film


@pytest.mark.parametrize(
    "film",
    [
        "file:///etc/passwd",
        "local:///etc/passwd",
        "FILE://etc/passwd",
        "simplecache::file:///etc/passwd",
        "zip://a.mp4::/etc/x.zip",
        "https://a/b.zip::file:///etc/x",
        "reference://x",
        "memory://x",
    ],
)
def test_an_address_reaches_no_file_of_this_machine(
    record: Callable[[str], Record], film: str
) -> None:
    reported = refusal(record, LEAST.replace("overhead.mp4", film))
    assert "cameras.side.film" in reported
    assert "are not opened" in reported


def test_only_a_film_may_be_an_address(record: Callable[[str], Record]) -> None:
    reported = refusal(record, changed('file = "car.csv"', 'file = "https://a/car.csv"'))
    assert "which only a film may be" in reported


def test_an_iso_13499_folder_brings_time_and_units(
    record: Callable[[str], Record], folder: Path
) -> None:
    (folder / "iso").mkdir(exist_ok=True)
    text = LEAST + (
        '[[accelerometers]]\nvehicle = "ball"\nat = ["0 m", "0 m", "0 m"]\nfile = "iso"\n'
        'channels = { ax = { column = "11VEHCCG0000ACXP" } }\n'
    )
    sensor = record(text).accelerometers[0]
    assert sensor.time is None
    assert sensor.channels["ax"].unit is None


@pytest.mark.parametrize(
    ("data", "reported"),
    [
        (b"a = ", "not valid TOML"),
        (b"schema = 1\n\n[test\n", "line 3"),
        (b"schema = 1\nx = '\xff'", "line 2"),
        (LEAST.encode("utf-16"), "UTF-8"),
        (b"[" * 100_000, "TOML"),
        (b"x = " + b"[" * 100_000, "nested too deep"),
        (b"x = " + b"9" * 5000, "too long"),
        (b"schema = 0x" + b"f" * 50_000, "too long to show"),
        (b"a." * 3000 + b"b = 1", "nested too deep"),
        (b"", "missing"),
    ],
)
def test_a_file_that_is_no_record_is_reported_in_a_sentence(
    folder: Path, data: bytes, reported: str
) -> None:
    path = folder / "odd.toml"
    path.write_bytes(data)
    with pytest.raises(Problem, match=reported) as error:
        load_record(path)
    assert error.value.status == RECORD
    assert all(len(line) < 700 for line in str(error.value).splitlines())


def test_a_byte_order_mark_is_no_error(folder: Path) -> None:
    (folder / "bom.toml").write_bytes(b"\xef\xbb\xbf" + LEAST.encode())
    assert load_record(folder / "bom.toml").test.number == "1"


def test_a_huge_file_is_refused_before_it_is_read(folder: Path) -> None:
    path = folder / "huge.toml"
    with path.open("wb") as file:
        file.truncate(SIZE_LIMIT * 10_000)  # sparse: reading it would take 40 GiB
    with pytest.raises(Problem, match="larger than 2 MiB"):
        load_record(path)
    path.unlink()


def test_a_missing_record_and_a_device_are_reported(folder: Path) -> None:
    with pytest.raises(Problem, match="can't be read"):
        load_record(folder / "nowhere.toml")
    with pytest.raises(Problem, match="not a file"):
        load_record(Path(os.devnull))


DOCS = (Path(__file__).parents[3] / "docs" / "record.md").read_text(encoding="utf-8")


def _below(table: type[BaseModel]) -> set[type[BaseModel]]:
    return {below for one in table.__subclasses__() for below in {one} | _below(one)}


def _keys(model: type[BaseModel]) -> set[str]:
    keys = set()
    for name, field in model.model_fields.items():
        keys.add(field.alias or name)
        for table in _below(Table):
            if re.search(rf"\b{table.__name__}\b", str(field.annotation)):
                keys |= _keys(table)
    return keys


def test_the_documentation_explains_every_key() -> None:
    keys = _keys(Tables)
    assert {"number", "flash_region", "polarity", "inner_corners", "ruled_out"} <= keys
    explained = set(re.findall(r"\w+", " ".join(re.findall(r"`[^`\n]+`", DOCS))))
    assert keys <= explained


def test_the_shortest_record_of_the_documentation_is_a_record(
    record: Callable[[str], Record],
) -> None:
    example = DOCS.split("## The shortest record")[1].split("```toml\n")[1].split("```")[0]
    assert record(example.replace("side.mp4", "overhead.mp4")).test.number == "B-3"


def _leaves(table: object, path: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    entries = (
        table.items() if isinstance(table, dict)
        else enumerate(table) if isinstance(table, list) else ()
    )  # fmt: skip
    return [path, *(leaf for key, value in entries for leaf in _leaves(value, (*path, key)))]


LEAVES = _leaves(tomllib.loads(WHOLE))[1:]
ODD = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20),
    st.lists(st.one_of(st.integers(), st.text(max_size=5)), max_size=4),
    st.dictionaries(st.text(max_size=8), st.integers(), max_size=3),
)  # fmt: skip


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.tuples(st.sampled_from(LEAVES), ODD), min_size=1, max_size=4))
def test_a_record_with_odd_values_is_read_or_refused(
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    changes: list[tuple[tuple[object, ...], object]],
) -> None:
    raw = tomllib.loads(WHOLE)
    for path, odd in changes:
        here = raw
        try:
            for key in path[:-1]:
                here = here[key]  # type: ignore[index]
            here[path[-1]] = odd  # type: ignore[index]
        except (KeyError, TypeError, IndexError):
            continue  # an earlier change took that place away
    monkeypatch.setattr("tracker.record.load.toml_tables", lambda text: raw)
    (folder / "record.toml").write_text("", encoding="utf-8")
    problem = outcome(folder)
    assert problem is None or all(e.what and e.where for e in problem.errors)  # type: ignore[attr-defined]


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_a_mutilated_record_is_read_or_refused(folder: Path, data: st.DataObject) -> None:
    text = bytearray(WHOLE.encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text) - 1))
        text[at : at + data.draw(st.integers(0, 9))] = data.draw(st.binary(max_size=4))
    (folder / "record.toml").write_bytes(bytes(text))
    problem = outcome(folder)
    assert problem is None or problem.status == RECORD


@pytest.mark.parametrize(
    "bomb",
    [
        "a." * 30_000 + "a = 1",
        "[" + '"a" . ' * 30_000 + "a]",
        "x = " + "[" * 200_000,
        "x = " + "{a = " * 100_000,
        "x = " + "9" * 1_000_000,
        'x = "' + "9" * 1_000_000 + '"',
        "[t]\n" + "".join(f"k{i} = 1\n" for i in range(30_000)),
    ],
    ids=["keys", "quoted keys", "lists", "tables", "number", "text", "many"],
)
def test_a_record_made_to_choke_its_reader_is_soon_refused(folder: Path, bomb: str) -> None:
    start = time.process_time()
    (folder / "record.toml").write_text(bomb, encoding="utf-8")
    problem = outcome(folder)
    assert problem is not None
    assert problem.status == RECORD
    assert len(str(problem)) < 10_000
    assert time.process_time() - start < 5


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("", 'name = "1"'),
        ("primary = true", "primary = true"),
    ],
)
def test_sensor_blocks_are_reported_from_each_other(
    record: Callable[[str], Record], first: str, second: str
) -> None:
    """Two blocks of one name, or two that are both to judge a vehicle."""
    start = WHOLE.index("[[accelerometers]]")
    end = WHOLE.find("\n[", start + 5)
    block = WHOLE[start : end if end > 0 else len(WHOLE)]
    both = WHOLE.replace(block, f"{block}\n{first}\n{block}\n{second}\n")
    assert "another accelerometer" in refusal(record, both)


def test_a_sensor_block_has_a_file_or_each_of_its_channels(
    record: Callable[[str], Record],
) -> None:
    line = next(part for part in WHOLE.splitlines() if part.startswith('file = "car'))
    assert "give every channel its own file" in refusal(record, WHOLE.replace(line, ""))


@pytest.mark.parametrize("name", ['"".markers.roof1', 'car.markers.""', '"a.b".markers.roof1'])
def test_a_vehicle_or_marker_with_no_name_is_an_error_of_the_record(tmp_path, name):
    """Found by `tests/bench/fuzz.py`: a ValueError of the program."""
    path = tmp_path / "record.toml"
    path.write_text(f"schema = 1\n[vehicles.{name}]\npattern = 'disc'\n")
    with pytest.raises(Problem, match="name"):
        load_record(path)
