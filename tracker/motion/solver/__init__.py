"""Gauss-Newton on the sparse normal equations, and their covariance."""
