"""Vibration of the whole ball: the first spheroidal mode."""
