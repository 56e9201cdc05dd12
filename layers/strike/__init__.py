"""Impact of a club: swings, heads and the oblique impact in three dimensions."""
