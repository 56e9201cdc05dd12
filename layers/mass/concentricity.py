"""A core that sits off centre: exact centre of mass, imbalance and principal moments.

A ball of spherical interfaces that are not concentric is a sum of whole spheres: the sphere inside
interface i carries the step of density across it. Each sphere's mass and inertia are exact, and the
parallel-axis theorem adds them, so nothing here is expanded for small offsets.
"""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.errors import InputError
from layers.mass.inertia import dimple_mass


@dataclass(frozen=True)
class Concentricity:
    """What off-centre interfaces do to a ball.

    Attributes
    ----------
    mass : float
        kg; offsets do not change it.
    centre_of_mass : (3,) array
        From the centre of the outer surface, m.
    imbalance : float
        Static imbalance, mass times distance of the centre of mass, kg m (1 kg m is 1e6 g mm). A
        ball that spins about its geometric centre pulls on it with imbalance times spin squared.
    inertia : (3, 3) array
        Inertia tensor about the centre of mass, kg m2.
    principal_moments : (3,) array
        Ascending, kg m2.
    principal_axes : (3, 3) array
        Their unit axes, columns.
    thinnest : (n,) array
        Least thickness of each layer, m; that of the innermost is its radius.
    """

    mass: float
    centre_of_mass: FloatArray
    imbalance: float
    inertia: FloatArray
    principal_moments: FloatArray
    principal_axes: FloatArray
    thinnest: FloatArray

    @property
    def anisotropy(self) -> float:
        """Largest less smallest principal moment, over their mean; 0 for a centred ball."""
        low, _, high = self.principal_moments
        return float((high - low) / self.principal_moments.mean())


def off_centre(body: Body, offset: FloatArray) -> Concentricity:
    """Balance and principal moments of a ball whose inner interfaces are off centre.

    With step of density s_i = rho_i - rho_(i+1), sphere mass m_i = 4 pi/3 s_i r_i^3 and centre c_i:
    M x = sum m_i c_i and J = sum 2/5 m_i r_i^2 1 + m_i (|d_i|^2 1 - d_i d_i^T), d_i = c_i - x.
    The dimples' mass is taken evenly from a shell under the outer surface, as in `layers.mass.inertia`.

    Parameters
    ----------
    body : Body
        n layers.
    offset : (n - 1, 3) array
        Centre of each inner interface from the centre of the outer surface, m, innermost first.
        A core moulded off centre carries the interfaces inside it along: give them its offset too.

    Raises
    ------
    InputError
        If the shape is wrong, or an interface would cut the next one.

    References
    ----------
    Parallel-axis theorem; any text on rigid bodies.
    """
    layers = len(body.outer_radius)
    offset = np.asarray(offset, dtype=float)
    if offset.shape != (layers - 1, 3) or not np.isfinite(offset).all():
        raise InputError(
            f"offset has shape {offset.shape}, but must be ({layers - 1}, 3) of finite numbers: "
            "one vector for each inner interface."
        )
    centre = np.vstack([offset, np.zeros(3)])
    thinnest = _thinnest(body, centre)
    step = body.density - np.append(body.density[1:], 0.0)
    mass = 4.0 / 3.0 * np.pi * step * body.outer_radius**3
    own = 2.0 / 5.0 * mass * body.outer_radius**2
    removed, mean_square = _dimples(body)
    mass, own = np.append(mass, -removed), np.append(own, -2.0 / 3.0 * removed * mean_square)
    centre = np.vstack([centre, np.zeros(3)])

    total = float(mass.sum())
    middle = mass @ centre / total
    arm = centre - middle
    square = np.einsum("ij,ij->i", arm, arm)
    inertia = (own.sum() + mass @ square) * np.eye(3) - np.einsum("i,ij,ik->jk", mass, arm, arm)
    moments, axes = np.linalg.eigh(inertia)
    return Concentricity(
        mass=total,
        centre_of_mass=middle,
        imbalance=total * float(np.linalg.norm(middle)),
        inertia=inertia,
        principal_moments=moments,
        principal_axes=axes,
        thinnest=thinnest,
    )


def _thinnest(body: Body, centre: FloatArray) -> FloatArray:
    """Least thickness of each layer, (n,) m: outer less inner radius less the centres' distance."""
    distance = np.linalg.norm(np.diff(centre, axis=0), axis=1)
    least = np.diff(body.outer_radius) - distance
    for number, (value, between) in enumerate(zip(least, distance, strict=True), start=1):
        if value < 0.0:
            raise InputError(
                f"interface {number} lies {1e3 * between:.3f} mm from the centre of interface "
                f"{number + 1}, but must be within {1e3 * (value + between):.3f} mm, or it cuts it."
            )
    return np.append(body.outer_radius[0], least)


def _dimples(body: Body) -> tuple[float, float]:
    """Mass of the dimples, kg, and the mean square radius they are taken from, m2."""
    outer = float(body.outer_radius[-1])
    inner = outer - body.dimple_depth
    return dimple_mass(body), 3.0 / 5.0 * (outer**5 - inner**5) / (outer**3 - inner**3)
