"""From a wanted hardness profile back to recipe and press cycle, and the trials that tell most."""
