"""Outlier rejection and the check of the marker survey."""
