"""Frames of a film as luma, counted from 0 in the order in which they are decoded."""

from tracker.film.film import Film, open_film
from tracker.film.findings import Repeats
from tracker.film.luma import Luma
from tracker.film.opened import Frames, Source

__all__ = ["Film", "Frames", "Luma", "Repeats", "Source", "open_film"]
