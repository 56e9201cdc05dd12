"""One ball, or a stage of it, on the test bench."""
