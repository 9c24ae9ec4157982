"""Many tests, each in a process of its own, here or on a cluster."""
