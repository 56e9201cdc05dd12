"""How far the difference of two builds is known."""
