"""What must be true, and what is measured by hand (`bench/`)."""
