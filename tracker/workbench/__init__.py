"""The workbench: a page in the browser, on loopback, that looks at films, points at marks and
judges results. It calls the same `tracker.analysis.analyse` as the command line; what it changes
lands in `record.toml`.
"""

from tracker.workbench.serve import open_workbench

__all__ = ["open_workbench"]
