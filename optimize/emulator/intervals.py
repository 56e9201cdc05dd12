"""Half-widths of intervals."""

# Half-widths, in standard deviations, of the intervals that hold 68 and 95 % of a normal variable.
SIGMAS_68, SIGMAS_95 = 0.994458, 1.959964
