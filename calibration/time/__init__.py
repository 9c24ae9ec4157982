"""From a frame to a time: stamps, rates, flashes, timing lights."""
