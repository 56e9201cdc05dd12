"""Cure of a core in the press: heat, peroxide, co-agent, and the stiffness that they leave."""
