"""From launch to rest: air, aerodynamics, trajectory, turf."""
