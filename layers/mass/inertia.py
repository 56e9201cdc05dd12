"""Mass and moment of inertia of a layered sphere with dimples: exact, closed form."""

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body


def layer_volume(body: Body) -> FloatArray:
    """Volume of each layer of the smooth sphere, (n,) m3."""
    return 4.0 / 3.0 * np.pi * np.diff(body.outer_radius**3, prepend=0.0)


def dimple_mass(body: Body) -> float:
    """Mass of the cover material that the dimples remove, kg."""
    sphere = 4.0 / 3.0 * np.pi * body.outer_radius[-1] ** 3
    return float(body.density[-1] * body.dimple_volume_fraction * sphere)


def mass(body: Body) -> float:
    """Mass, kg: the layers' volumes times their densities, less the dimples."""
    return float(layer_volume(body) @ body.density) - dimple_mass(body)


def moment_of_inertia(body: Body) -> float:
    """Moment of inertia about a diameter, kg m2.

    I = sum 8 pi/15 rho (b^5 - a^5) over the shells a..b; the dimples' mass m_d is removed evenly
    from the shell of the dimples' depth under the surface, of which I = 2/3 m_d <r^2>.
    """
    shells = 8.0 / 15.0 * np.pi * body.density * np.diff(body.outer_radius**5, prepend=0.0)
    outer = float(body.outer_radius[-1])
    inner = outer - body.dimple_depth
    mean_square = 3.0 / 5.0 * (outer**5 - inner**5) / (outer**3 - inner**3)
    return float(shells.sum()) - 2.0 / 3.0 * dimple_mass(body) * mean_square


def mean_density(body: Body) -> float:
    """Mass over the volume of the smooth sphere, kg/m3."""
    return mass(body) / float(4.0 / 3.0 * np.pi * body.outer_radius[-1] ** 3)


def moi_ratio(body: Body) -> float:
    """I / (m R^2): 0.4 for a uniform sphere, more when the mass lies outward."""
    return moment_of_inertia(body) / (mass(body) * float(body.outer_radius[-1]) ** 2)


def solver_density(body: Body) -> FloatArray:
    """Densities for a smooth finite-element sphere of the true mass, (n,) kg/m3.

    The outermost layer gives up the dimples' mass evenly, which leaves its inertia too high by
    less than 0.1 % under a cover of 2 mm, and by 0.5 % in a ball of one layer.
    """
    density = body.density.copy()
    density[-1] -= dimple_mass(body) / layer_volume(body)[-1]
    return density
