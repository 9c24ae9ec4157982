"""Names of the marker dictionaries that boards may use; apart, since records name them too."""

DICTIONARIES = tuple(f"{n}x{n}_{count}" for n in (4, 5, 6, 7) for count in (50, 100, 250, 1000))
"""Marker dictionaries: bits along and across, number of markers."""
