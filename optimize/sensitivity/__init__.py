"""Which design variable moves which figure: local slopes and Sobol indices."""
