"""Where the energy of an impact goes, layer by layer, and what the ball looks like meanwhile."""
