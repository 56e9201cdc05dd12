"""Screening: a table of builds, a row each, computed, held against limits and ranked."""
