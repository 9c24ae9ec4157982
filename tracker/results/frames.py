"""A vehicle's motion as the tables that people who work in Python are used to."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from calibration.errors import ResultsError
from tracker.core.types import STATE, Motion

if TYPE_CHECKING:
    import pandas
    import xarray

UNITS = dict(
    zip(
        STATE,
        ("m",) * 3 + ("rad",) * 3 + ("m/s",) * 3 + ("rad/s",) * 3 + ("m/s2",) * 3,
        strict=True,
    )
)


def motion_frame(motion: Motion) -> pandas.DataFrame:
    """The motion as a pandas table: one row a time, the columns of `motion/<vehicle>.csv`.

    The index is `time_s`; values are in SI units and radians, ground axes, and are followed by
    their standard uncertainties, `u_<the same name>`. NaN where no camera determines them. Raises
    `ResultsError` where pandas is not installed.

    >>> from tracker import motion_frame, read_results
    >>> table = motion_frame(read_results("demo/results").motion["car"])
    >>> list(table.columns[:3]), table.index.name
    (['x_m', 'y_m', 'z_m'], 'time_s')
    """
    pandas = _import_installed("pandas")
    columns = {name: motion[name] for name in STATE}
    columns |= {f"u_{name}": motion.u_of(name) for name in STATE}
    index = pandas.Index(motion.time, name="time_s")
    return pandas.DataFrame(columns, index=index)


def motion_dataset(motion: Motion) -> xarray.Dataset:
    """The motion as an xarray data set over `time_s`, each variable with its unit in `units`.

    Variables are named as the columns of `motion_frame`. Raises `ResultsError` where xarray is not
    installed.

    >>> from tracker import motion_dataset, read_results
    >>> data = motion_dataset(read_results("demo/results").motion["car"])
    >>> data["vx_mps"].attrs["units"], data["vx_mps"].dims
    ('m/s', ('time_s',))
    """
    xarray = _import_installed("xarray")
    values = {}
    for name in STATE:
        unit = {"units": UNITS[name]}
        values[name] = ("time_s", motion[name], unit)
        values[f"u_{name}"] = ("time_s", motion.u_of(name), unit)
    time = ("time_s", motion.time, {"units": "s"})
    return xarray.Dataset(values, coords={"time_s": time})  # type: ignore[no-any-return]


def _import_installed(name: str) -> Any:
    try:
        return import_module(name)
    except ImportError:
        raise ResultsError(
            f"{name} is not installed",
            where="motion as a table",
            remedy=f"install it, as `pip install {name}`, or use the arrays of `results.motion`",
        ) from None
