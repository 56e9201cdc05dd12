"""Core rubber: recipes, laboratory trials, response surfaces, what can be reached."""
