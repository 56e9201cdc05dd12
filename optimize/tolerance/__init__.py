"""What the scatter of the process does to a build: spread, yield, re-centred nominal."""
