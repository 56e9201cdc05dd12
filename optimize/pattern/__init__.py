"""What a dimple pattern should do for the players, and what launch a pattern wants."""
