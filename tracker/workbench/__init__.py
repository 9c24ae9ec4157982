"""The workbench: a page in the browser, on loopback, that looks at films, points at marks and
judges results. It calls the same `tracker.analysis.analyse` as the command line; what it changes
lands in `record.toml`.

`tracker.workbench.serve.open_workbench` starts it. Nothing is imported here: decoders and analyses
run in processes of their own, which need no server.
"""
