"""A finished run as one HTML page, to choose from."""
