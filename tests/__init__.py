"""Tests, grouped by kind: analytic, limits, convergence, published, golden."""
