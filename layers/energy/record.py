"""A recorded impact: energy by layer, and the deformed mesh at instants from touch to release."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class EnergyTable:
    """Where the energy given to an impact is once the ball has left, J, whole ball.

    Attributes
    ----------
    given : float
        Before the impact: of the club's head, or of the ball that is thrown.
    stored : (n,) array
        Strain energy of each layer at greatest compression; not part of the final sum.
    lost : (n,) array
        Turned to heat in the material of each layer.
    vibration : (n,) array
        Of each layer when the ball has left, strain and motion about the ball's mean motion.
    numerical : (n,) array
        Taken by the mesh: bulk viscosity, and what is left in the elements' hourglass shapes.
    whole : dict of str to float
        What belongs to no layer: ``speed`` and ``spin`` of the ball, and, for a strike, ``head``
        and ``face friction``; ``contact`` is what stopping the surface takes.
    """

    given: float
    stored: FloatArray
    lost: FloatArray
    vibration: FloatArray
    numerical: FloatArray
    whole: dict[str, float]

    @property
    def residual(self) -> float:
        """What the parts fail to add to, J: the error of the time integration."""
        layered = self.lost.sum() + self.vibration.sum() + self.numerical.sum()
        return self.given - float(layered) - sum(self.whole.values())


@dataclass(frozen=True)
class Grid:
    """The mesh that a record's frames deform.

    Attributes
    ----------
    points : (d, n) array
        At rest, m. A strike has half the ball, y >= 0, in (x, y, z): x is the face's normal at
        first touch, z points up the face. A barrier impact has (r, z), the wall being z = 0.
    cells : (k, m) array
        Corner nodes: hexahedra by bits (see `layers.numerics.hexes`), or quadrilaterals in order.
    layer : (m,) array
        Layer of each cell, 0 innermost.
    quads : (4, q) array
        Quadrilaterals of the section through the axis of impact, in order around each.
    cell_of : (q,) array
        The cell that each of them belongs to.
    """

    points: FloatArray
    cells: IntArray
    layer: IntArray
    quads: IntArray
    cell_of: IntArray


@dataclass(frozen=True)
class Patch:
    """Where ball and club face press on each other, p points of equal standing.

    Attributes
    ----------
    place : (2, p) array
        Heel-toe and up the face from the face's point of first touch, m.
    area : (p,) array
        That each stands for, m2.
    pressure : (p,) array
        Pa.
    sliding : (p,) bool array
        Whether friction is at its limit.
    slip : (2, p) array
        Velocity of the ball's surface over the face, m/s.
    """

    place: FloatArray
    area: FloatArray
    pressure: FloatArray
    sliding: BoolArray
    slip: FloatArray


@dataclass(frozen=True)
class Frame:
    """One instant.

    Attributes
    ----------
    time : float
        Since first touch, s.
    points, velocity : (d, n) array
        Of the nodes, m and m/s.
    shear_strain : (m,) array
        Greatest shear strain of each cell, see `greatest_shear_strain`.
    loss : (m,) array
        Energy lost in the material so far, J/m3 at rest.
    stored, lost : (n,) array
        Strain energy and loss so far of each layer, J.
    force : float
        Normal force about then, N.
    contact_area : float
        m2.
    face : (2, k) array
        The face in the section's axes, see `section_points`; m.
    patch : Patch or None
        Of a strike.
    """

    time: float
    points: FloatArray
    velocity: FloatArray
    shear_strain: FloatArray
    loss: FloatArray
    stored: FloatArray
    lost: FloatArray
    force: float
    contact_area: float
    face: FloatArray
    patch: Patch | None = None


@dataclass(frozen=True)
class ImpactRecord:
    """An impact of one build as it went.

    Attributes
    ----------
    swing : str
        Name of the swing; empty for a barrier impact.
    speed : float
        Of the club's head, or of the thrown ball, m/s.
    tilt : float
        Of the face's normal above the horizontal, rad; 90 degrees for a level plate under the ball.
    grid : Grid
    frames : tuple of Frame
        From first touch to release, evenly in time but for the one of greatest compression.
    peak : int
        Which frame that is.
    energy : EnergyTable
    results : dict of str to float
        Ball speed, m/s, and others of `Launch` or `BarrierImpact` in SI.
    speed_per_joule : float
        By how much faster the ball would leave for each joule less that is lost, to first order:
        1 / (m s) for a ball of mass m that parts from the face at s along its normal, m/s/J. For
        rigid bodies: energy 1/2 M' s^2 with 1/M' = 1/m + 1/M returns, and the ball has M'/m of s.
    flag : str
        Empty, or a sentence of caution.
    """

    swing: str
    speed: float
    tilt: float
    grid: Grid
    frames: tuple[Frame, ...]
    peak: int
    energy: EnergyTable
    results: dict[str, float]
    speed_per_joule: float
    flag: str = ""


def greatest_shear_strain(right: FloatArray) -> FloatArray:
    """Greatest difference of the principal logarithmic strains, (m,).

    For small strains it is the engineering shear strain on the plane where that is greatest.

    Parameters
    ----------
    right : (m, 3, 3) array
        Right Cauchy-Green tensors.

    Examples
    --------
    Simple shear by 0.1: the principal stretches are exp(+-asinh(0.1 / 2)).

    >>> import math
    >>> f = np.array([[1.0, 0.1, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    >>> float(greatest_shear_strain((f.T @ f)[None])[0].round(6)), round(2 * math.asinh(0.05), 6)
    (0.099958, 0.099958)
    """
    square = np.linalg.eigvalsh(right)
    return np.asarray(0.5 * np.log(square[:, -1] / square[:, 0]))


def by_layer(values: FloatArray, layer: IntArray, count: int) -> FloatArray:
    """Sum over the elements of each layer, (count,).

    Parameters
    ----------
    values, layer : (m,) array
        Of each element.
    count : int
        Number of layers.
    """
    return np.asarray(np.bincount(layer, weights=values, minlength=count), dtype=np.float64)


def chosen(times: FloatArray, last: float, peak: int, most: int) -> tuple[list[int], int]:
    """Choose at most `most` samples evenly from touch to `last`, the peak among them.

    Parameters
    ----------
    times : (k,) array
        Of the samples, rising, s.
    last : float
        End of the contact, s.
    peak : int
        Sample of greatest compression.
    most : int
        At least 2.

    Returns
    -------
    picked : list of int
    position : int
        Of the peak among them.
    """
    wanted = np.linspace(times[0], min(last, times[-1]), most)
    nearest = {int(np.abs(times - at).argmin()) for at in wanted}
    if peak not in nearest:
        nearest.remove(min(nearest, key=lambda k: abs(times[k] - times[peak])))
        nearest.add(peak)
    picked = sorted(nearest)
    return picked, picked.index(peak)
