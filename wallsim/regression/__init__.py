"""Estimation by regression: solver, priors, noise; knows no physics."""
