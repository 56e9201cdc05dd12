"""A core off centre: exact centre of mass, imbalance and principal moments.

A ball of spherical interfaces that are not concentric is a sum of whole spheres: the sphere inside
interface i carries the step of density across it. Each sphere's mass and inertia are exact, and the
parallel-axis theorem adds them, so nothing here is expanded for small offsets.
"""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.errors import InputError
from layers.mass.inertia import Pieces, dimple_mass, dimple_mean_square


@dataclass(frozen=True)
class Balance:
    """What off-centre interfaces do to one body, or to each of many pieces.

    Attributes
    ----------
    mass : (...) array
        kg; offsets do not change it.
    centre_of_mass : (..., 3) array
        From the centre of the outer surface, m.
    inertia : (..., 3, 3) array
        Inertia tensor about the centre of mass, kg m2.
    """

    mass: FloatArray
    centre_of_mass: FloatArray
    inertia: FloatArray

    @property
    def imbalance(self) -> FloatArray:
        """Mass times distance of the centre of mass from the outer surface's centre, (...) kg m."""
        return np.asarray(self.mass * np.linalg.norm(self.centre_of_mass, axis=-1))

    @property
    def principal_moments(self) -> FloatArray:
        """Principal moments of inertia about the centre of mass, ascending, (..., 3) kg m2."""
        return np.asarray(np.linalg.eigvalsh(self.inertia), dtype=np.float64)


def balance(spheres: Body | Pieces, offset: FloatArray) -> Balance:
    """Mass, centre of mass and inertia tensor with every inner interface off centre.

    With step of density s_i = rho_i - rho_(i+1), sphere mass m_i = 4 pi/3 s_i r_i^3 and centre c_i:
    M x = sum m_i c_i and J = sum 2/5 m_i r_i^2 1 + m_i (|d_i|^2 1 - d_i d_i^T), d_i = c_i - x.
    The dimples' mass is taken evenly from a shell under the outer surface, as in
    `layers.mass.inertia`.

    Parameters
    ----------
    spheres : Body or Pieces
        Of n layers.
    offset : (..., n - 1, 3) array
        Centre of each inner interface from the outer surface's, m; the interfaces must stay
        nested, which is not checked here.

    References
    ----------
    Parallel-axis theorem; any text on rigid bodies.
    """
    radius, density = spheres.outer_radius, spheres.density
    step = density - np.concatenate([density[..., 1:], np.zeros_like(density[..., :1])], axis=-1)
    whole = 4.0 / 3.0 * np.pi * step * radius**3
    removed = np.asarray(dimple_mass(spheres))
    weight = np.concatenate([whole, -removed[..., None]], axis=-1)
    # The outer surface and the dimples are centred.
    centre = np.concatenate([offset, np.zeros((*offset.shape[:-2], 2, 3))], axis=-2)
    own = 2.0 / 5.0 * np.sum(whole * radius**2, axis=-1)
    own = own - 2.0 / 3.0 * removed * dimple_mean_square(spheres)

    total = weight.sum(axis=-1)
    middle = np.einsum("...i,...ij->...j", weight, centre) / total[..., None]
    arm = centre - middle[..., None, :]
    about = own + np.einsum("...i,...ij,...ij->...", weight, arm, arm)
    outer = np.einsum("...i,...ij,...ik->...jk", weight, arm, arm)
    return Balance(total, middle, about[..., None, None] * np.eye(3) - outer)


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
    """
    layers = len(body.outer_radius)
    offset = np.asarray(offset, dtype=float)
    if offset.shape != (layers - 1, 3) or not np.isfinite(offset).all():
        raise InputError(
            f"offset has shape {offset.shape}, but must be ({layers - 1}, 3) of finite numbers: "
            "one vector for each inner interface."
        )
    thinnest = _thinnest(body, np.vstack([offset, np.zeros(3)]))
    found = balance(body, offset)
    moments, axes = np.linalg.eigh(found.inertia)
    return Concentricity(
        mass=float(found.mass),
        centre_of_mass=found.centre_of_mass,
        imbalance=float(found.imbalance),
        inertia=found.inertia,
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
