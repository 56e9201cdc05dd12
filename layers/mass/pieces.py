"""Mass, inertia and balance of many pieces of one build at once.

The closed forms of `layers.mass.inertia` and `layers.mass.concentricity` with a first axis for the pieces, for
scatter of a process: ten thousand pieces take some hundredths of a second.
"""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray


@dataclass(frozen=True)
class Pieces:
    """s pieces of n layers, SI, centre outward; the dimples as in `Body`.

    Attributes
    ----------
    outer_radius, density : (s, n) array
        m and kg/m3.
    dimple_volume_fraction, dimple_depth : float
        Volume of the dimples over that of the sphere; depth they are spread over, m.
    """

    outer_radius: FloatArray
    density: FloatArray
    dimple_volume_fraction: float = 0.0
    dimple_depth: float = 0.15e-3


@dataclass(frozen=True)
class Balance:
    """What off-centre interfaces do to each piece.

    Attributes
    ----------
    imbalance : (s,) array
        Mass times distance of the centre of mass from the outer surface's centre, kg m.
    principal_moments : (s, 3) array
        Ascending, kg m2, about the centre of mass.
    """

    imbalance: FloatArray
    principal_moments: FloatArray


def mass(pieces: Pieces) -> FloatArray:
    """Mass of each piece, (s,) kg, as `layers.mass.inertia.mass`."""
    shells = np.diff(pieces.outer_radius**3, axis=1, prepend=0.0)
    whole: FloatArray = 4.0 / 3.0 * np.pi * np.sum(shells * pieces.density, axis=1)
    return whole - _dimple_mass(pieces)


def moment_of_inertia(pieces: Pieces) -> FloatArray:
    """Moment of inertia of each piece, (s,) kg m2, as `layers.mass.inertia.moment_of_inertia`."""
    shells = np.diff(pieces.outer_radius**5, axis=1, prepend=0.0)
    whole: FloatArray = 8.0 / 15.0 * np.pi * np.sum(shells * pieces.density, axis=1)
    return whole - 2.0 / 3.0 * _dimple_mass(pieces) * _dimple_square(pieces)


def balance(pieces: Pieces, offset: FloatArray) -> Balance:
    """Imbalance and principal moments of each piece, as `layers.mass.concentricity.off_centre`.

    Parameters
    ----------
    pieces : Pieces
        s pieces of n layers.
    offset : (s, n - 1, 3) array
        Centre of each inner interface from the outer surface's, m; the interfaces must stay
        nested, which is not checked here.
    """
    radius, density = pieces.outer_radius, pieces.density
    count = len(radius)
    # Whole spheres that carry the steps of density, and the dimples as a sphere taken away.
    centre = np.concatenate([offset, np.zeros((count, 2, 3))], axis=1)
    step = density - np.hstack([density[:, 1:], np.zeros((count, 1))])
    spheres = 4.0 / 3.0 * np.pi * step * radius**3
    removed = _dimple_mass(pieces)
    weight = np.hstack([spheres, -removed[:, None]])
    own = 2.0 / 5.0 * np.sum(spheres * radius**2, axis=1)
    own -= 2.0 / 3.0 * removed * _dimple_square(pieces)

    total = weight.sum(axis=1)
    middle = np.einsum("si,sij->sj", weight, centre) / total[:, None]
    arm = centre - middle[:, None, :]
    about = own + np.einsum("si,sij,sij->s", weight, arm, arm)
    tensor = about[:, None, None] * np.eye(3) - np.einsum("si,sij,sik->sjk", weight, arm, arm)
    return Balance(total * np.linalg.norm(middle, axis=1), np.linalg.eigvalsh(tensor))


def _dimple_mass(pieces: Pieces) -> FloatArray:
    sphere = 4.0 / 3.0 * np.pi * pieces.outer_radius[:, -1] ** 3
    return np.asarray(pieces.density[:, -1] * pieces.dimple_volume_fraction * sphere)


def _dimple_square(pieces: Pieces) -> FloatArray:
    """Mean square radius of the shell that the dimples are taken from, (s,) m2."""
    outer = pieces.outer_radius[:, -1]
    inner = outer - pieces.dimple_depth
    return np.asarray(3.0 / 5.0 * (outer**5 - inner**5) / (outer**3 - inner**3))
