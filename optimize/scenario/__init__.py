"""The brief: goals, limits, design variables, conditions, and the space they span."""
