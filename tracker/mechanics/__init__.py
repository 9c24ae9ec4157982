"""What the vehicles did to each other: balances, force against crush, and the next test."""

from tracker.mechanics.balance import Stated, mechanics
from tracker.mechanics.force_crush import force_crush
from tracker.mechanics.vehicle_pair import Pair, make_pair

__all__ = ["Pair", "Stated", "force_crush", "make_pair", "mechanics"]
