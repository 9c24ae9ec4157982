"""From a pixel to a place and from a frame to a time.

This package holds cameras and clocks; it holds nothing of vehicles and never imports `tracker`.
"""
