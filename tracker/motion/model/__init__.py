"""The statement about the world: unknowns, priors, residuals."""
