"""Mass, moment of inertia and concentricity, by closed forms."""
