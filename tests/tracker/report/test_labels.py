"""Names of marks at the edge of a picture and where there are few (`test_paper` has the rest)."""

import numpy as np

from tracker.report.labels import LETTER, TALL, label_places

PICTURE = np.zeros((400, 600, 3), dtype=np.uint8)


def boxes(corners, names):
    """Left, top, right and bottom (n, 4) of names whose lower left corners are given."""
    rows = zip(corners, names, strict=True)
    return np.array([(u, v - TALL, u + LETTER * len(name), v) for (u, v), name in rows])


def test_a_lone_mark_has_its_name_to_its_right():
    ((u, v),) = label_places(np.array([[300.0, 200.0]]), ["roof1"], PICTURE)
    assert u > 300
    assert abs(v - 200) <= TALL


def test_a_name_at_the_edge_stays_in_the_picture():
    places = np.array([[595.0, 200.0], [300.0, 2.0], [300.0, 398.0]])
    names = ["roof1", "a", "bumper"]
    found = boxes(label_places(places, names, PICTURE), names)
    assert found[:, :2].min() >= -1
    assert found[:, 2].max() <= 601
    assert found[:, 3].max() <= 401


def test_no_mark_has_no_name():
    assert label_places(np.empty((0, 2)), [], PICTURE) == []
