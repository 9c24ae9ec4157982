"""A camera's pose from surveyed targets, and which of them are blunders."""
