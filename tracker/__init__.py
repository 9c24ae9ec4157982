"""What moved on the film, how it moved, and what that means for an occupant."""

from importlib.metadata import version

__version__ = version("impactfilm")
