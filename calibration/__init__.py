"""From a pixel to a place and from a frame to a time.

This package knows cameras and clocks; it knows nothing of vehicles and never imports `tracker`.
"""
