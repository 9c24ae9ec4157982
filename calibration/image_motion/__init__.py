"""The picture's own motion: film weave, camera shake, targets that moved."""
