"""Meshes and elements that know nothing of golf balls."""
