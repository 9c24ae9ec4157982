"""A results file from elsewhere gives its own numbers only."""

import h5py
import pytest

from calibration.errors import Problem
from tests.support.made_results import made_results
from tracker.results.hdf5 import read_h5, write_h5


@pytest.mark.parametrize("kind", ["external", "soft", "deep"])
def test_what_links_elsewhere_is_not_read(tmp_path, kind):
    for name in ("own", "other"):
        (tmp_path / name).mkdir()
        write_h5(made_results(), tmp_path / name / "results.h5")
    own, other = (tmp_path / name / "results.h5" for name in ("own", "other"))
    assert read_h5(own)["motion"]
    with h5py.File(own, "r+") as file:
        if kind == "deep":
            group = file["motion"]
            del group["car"]
            group["car"] = h5py.ExternalLink(str(other), "/motion/car")
        else:
            del file["motion"]
            external = h5py.ExternalLink(str(other), "/motion")
            file["motion"] = external if kind == "external" else h5py.SoftLink("/tracks")
    with pytest.raises(Problem, match="is a link"):
        read_h5(own)


@pytest.mark.parametrize("name", ["..", "a\\b", "a:b", "a.b"])
def test_results_with_names_that_can_name_no_file_are_not_read(tmp_path, name):
    """Their reports have files of these names: `films/NAME.mp4`, `motion/NAME.csv`."""
    write_h5(made_results(), tmp_path / "results.h5")
    with h5py.File(tmp_path / "results.h5", "r+") as file:
        file["motion"].move("car", name)
    with pytest.raises(Problem, match="can't name a file"):
        read_h5(tmp_path / "results.h5")
