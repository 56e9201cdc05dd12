"""A finished run as one HTML page that two people choose from, without a network or a server."""
