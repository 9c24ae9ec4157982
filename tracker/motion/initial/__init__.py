"""Where the solution starts: poses, contact, clocks."""
