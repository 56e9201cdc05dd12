"""Stiffness and loss that vary over the radius inside a layer."""
