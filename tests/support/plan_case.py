"""A small planned test: a car of eight marks, a camera above and one at its right."""

from __future__ import annotations

from pathlib import Path

from tracker.record.load import PlannedRecord, load_planned

RECORD = """
schema = 1
[test]
number = "P-1"
title = "A plan"
report_units = "si"
[test.intended]
speed = "10 m/s"
[vehicles.car]
role = "striking"
mass = "1000 kg"
cg = ["0 m", "0 m", "-0.5 m"]
at_contact = ["-2 m", "0 m", "0 m"]
[vehicles.car.markers]
roof1 = { at = ["0.8 m", "-0.4 m", "-1.4 m"], pattern = "quadrant", size = "0.2 m" }
roof2 = { at = ["0.8 m", "0.4 m", "-1.4 m"], pattern = "disc", size = "0.2 m" }
roof3 = { at = ["-0.8 m", "-0.4 m", "-1.4 m"], pattern = "ring", size = "0.2 m" }
roof4 = { at = ["-0.8 m", "0.4 m", "-1.4 m"], pattern = "cross", size = "0.2 m" }
door1 = { at = ["0.5 m", "0.85 m", "-0.7 m"], pattern = "quadrant", size = "0.2 m" }
door2 = { at = ["-0.5 m", "0.85 m", "-0.9 m"], pattern = "disc", size = "0.2 m" }
sill1 = { at = ["0.9 m", "0.85 m", "-0.3 m"], pattern = "hourglass", size = "0.2 m" }
sill2 = { at = ["-0.9 m", "0.85 m", "-0.3 m"], pattern = "disc", size = "0.2 m" }
[vehicles.car.points]
nose = ["2 m", "0 m", "-0.5 m"]
[cameras.top]
frame_rate = "500 1/s"
exposure = "1 ms"
position = ["-2 m", "0 m", "-12 m"]
aim = ["-2 m", "0 m", "0 m"]
lens = { camera_matrix = [[1200.0, 0.0, 639.5], [0.0, 1200.0, 511.5], [0.0, 0.0, 1.0]] }
[cameras.top.survey]
g1 = { at = ["-6 m", "-3 m", "0 m"], pattern = "quadrant", size = "0.3 m" }
g2 = { at = ["2 m", "-3.5 m", "0 m"], pattern = "quadrant", size = "0.3 m" }
g3 = { at = ["2.5 m", "3 m", "0 m"], pattern = "quadrant", size = "0.3 m" }
g4 = { at = ["-6 m", "3 m", "0 m"], pattern = "quadrant", size = "0.3 m" }
g5 = { at = ["-2 m", "-3.2 m", "0 m"], pattern = "disc", size = "0.3 m" }
[cameras.top.time]
zero = "flash"
[cameras.right]
frame_rate = "500 1/s"
exposure = "1 ms"
position = ["-2 m", "12 m", "-1.5 m"]
aim = ["-2 m", "0 m", "-1 m"]
size = [1280, 1024]
lens = { camera_matrix = [[1300.0, 0.0, 639.5], [0.0, 1300.0, 511.5], [0.0, 0.0, 1.0]] }
[cameras.right.survey]
b1 = { at = ["-6 m", "-4 m", "-1 m"], pattern = "quadrant", size = "0.4 m" }
b2 = { at = ["2 m", "-4 m", "-3 m"], pattern = "quadrant", size = "0.4 m" }
b3 = { at = ["-2 m", "-4.5 m", "-2 m"], pattern = "quadrant", size = "0.4 m" }
b4 = { at = ["-5 m", "3 m", "-0.3 m"], pattern = "quadrant", size = "0.3 m" }
b5 = { at = ["1 m", "3.4 m", "-0.3 m"], pattern = "quadrant", size = "0.3 m" }
[cameras.right.time]
zero = "flash"
"""


def planned(folder: Path, *changes: tuple[str, str]) -> PlannedRecord:
    """The record with text replaced; every replaced text must be there."""
    text = RECORD
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "record.toml"
    path.write_text(text, encoding="utf-8")
    return load_planned(path)
