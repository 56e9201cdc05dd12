"""What a finished run decides, in sentences: goals, likeness, edges, constraints, prototypes.

Everything follows from the run's computed builds; nothing is computed anew.
"""
