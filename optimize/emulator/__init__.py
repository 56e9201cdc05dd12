"""Gaussian processes of the figures over the design variables."""
