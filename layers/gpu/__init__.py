"""Batches of impacts on a graphics card; the same source runs on a CPU for tests."""
