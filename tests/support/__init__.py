"""Scenes, records, results and pages that tests and benches build on."""
