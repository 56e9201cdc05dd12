"""Which builds to compute next, which are worth making, and what they cost each other."""
