"""Frames of a film as luma, counted from 0 in the order in which they are decoded."""

from tracker.film.film import Film, open_film
from tracker.film.findings import RepeatDetector
from tracker.film.luma import Luma
from tracker.film.opened import Frames, FrameSource
from tracker.film.places import MOVIE_SUFFIXES

__all__ = ["MOVIE_SUFFIXES", "Film", "FrameSource", "Frames", "Luma", "RepeatDetector", "open_film"]
