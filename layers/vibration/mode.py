"""First spheroidal vibration mode of a layered sphere: n = 2, two lobes along z.

Small strain, the quadratic elements of `layers.numerics.axisymmetric` over the quarter
section with a consistent mass. Symmetry about the equator leaves no rigid motion, so the stiffness
can be factored and the lowest mode follows by inverse iteration.
"""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.ball import Body
from layers.errors import SolverError
from layers.graded.curve import along_points
from layers.mass.inertia import solver_density
from layers.numerics.axisymmetric import assemble, element_blocks, gauss_shapes, gradients
from layers.numerics.band import back_substitute, band_for, factor
from layers.numerics.layout import Layout, divided, layout

# Elements from pole to equator, those over the centre block's top, and the relative positions of
# the elements' edges: in the innermost layer and in every further one.
_ANGLES, _SIDE = 8, 4
_CORE_RINGS, _SHELL_RINGS = (0.5, 1.0), (1 / 3, 2 / 3, 1.0)

_MOST_ITERATIONS = 60
_TOLERANCE = 1e-10  # relative change of the squared frequency between inverse iterations
_MOST_UPDATES = 30
_SETTLED = 1e-8  # relative change of the frequency between updates of the moduli


@dataclass(frozen=True)
class Mode:
    """A vibration mode.

    Attributes
    ----------
    frequency : float
        Hz.
    loss_factor : float
        Energy lost per radian over the greatest elastic energy, 1 / Q.
    """

    frequency: float
    loss_factor: float


def first_spheroidal_mode(body: Body) -> Mode:
    """First spheroidal mode (l = 2) of a viscoelastic layered sphere, free in the air.

    The frequency is the one at which the elastic sphere of the storage moduli at that frequency
    vibrates; the loss factor is the energy-weighted mean of the layers' (modal strain energy
    method, Johnson and Kienholz 1982, AIAA J. 20, 1284, from memory). The bulk modulus is elastic
    and stiffened like the shear modulus, so that Poisson's ratio is kept in the relaxed state.

    Raises
    ------
    SolverError
        If the iteration does not settle.
    """
    section = _section(body)
    layer, stiff_by, loss_by = section.mesh.layer, section.stiff_by, section.loss_by
    dynamic = body.dynamic_modulus_ratio * body.shear_modulus
    bulk = (body.dynamic_modulus_ratio * body.bulk_modulus)[layer, None] * stiff_by
    shape = section.start
    omega = 0.0
    for _ in range(_MOST_UPDATES):
        of_layer, lost = complex_shear_modulus(body, omega)
        more = (of_layer - dynamic)[layer, None] * (loss_by - 1.0)
        storage = (of_layer[layer, None] + more) * stiff_by
        loss = lost[layer, None] * loss_by * stiff_by
        square, shape = _lowest(section, storage, bulk, shape)
        before, omega = omega, float(np.sqrt(square))
        if abs(omega - before) <= _SETTLED * omega:
            shear_energy, bulk_energy = _strain_measures(section, shape)
            stored = (storage * shear_energy + bulk * bulk_energy).sum()
            return Mode(omega / (2.0 * np.pi), float((loss * shear_energy).sum() / stored))
    raise SolverError(
        f"the vibration frequency did not settle within {_MOST_UPDATES} updates of the moduli."
    )


def elastic_mode(body: Body, fineness: int = 1) -> float:
    """Frequency of the first spheroidal mode of the elastic sphere of quasi-static moduli, Hz.

    Parameters
    ----------
    body : Body
    fineness : int
        Divides every element of the default mesh this often along either side.

    Raises
    ------
    SolverError
        If the iteration does not settle.
    """
    section = _section(body, fineness)
    shear, bulk = (
        moduli[section.mesh.layer, None] * section.stiff_by
        for moduli in (body.shear_modulus, body.bulk_modulus)
    )
    square, _ = _lowest(section, shear, bulk, section.start)
    return float(np.sqrt(square)) / (2.0 * np.pi)


def complex_shear_modulus(body: Body, omega: float) -> tuple[FloatArray, FloatArray]:
    """Storage and loss part of each layer's shear modulus at an angular frequency, (n,) Pa.

    G' = G_d (1 + sum_j g_j x_j^2 / (1 + x_j^2)), G'' = G_d sum_j g_j x_j / (1 + x_j^2), with
    x_j = omega tau_j and G_d the dynamic modulus: the transform of the relaxation G(t) of `Body`.

    Parameters
    ----------
    body : Body
    omega : float
        rad/s.
    """
    dynamic = body.dynamic_modulus_ratio * body.shear_modulus
    x = omega * body.relaxation_time
    part = body.relaxation_strength / (1.0 + x**2)
    return dynamic * (1.0 + (part * x**2).sum(axis=1)), dynamic * (part * x).sum(axis=1)


@dataclass(frozen=True)
class _Section:
    """The meshed quarter section.

    `shape` (m, 4, 8) holds the shape functions at the Gauss points, `weight` (m, 4) the mass of
    each, kg, `start` the gradient of the solid harmonic r^2 P2, near the mode sought; `stiff_by`
    and `loss_by` (m, 4) modulus and loss at the Gauss points over the layer's.
    """

    mesh: Layout
    slope: FloatArray
    volume: FloatArray
    shape: FloatArray
    weight: FloatArray
    start: FloatArray
    stiff_by: FloatArray
    loss_by: FloatArray


def _section(body: Body, fineness: int = 1) -> _Section:
    count = len(body.outer_radius)
    rings = (divided(_CORE_RINGS, fineness), *[divided(_SHELL_RINGS, fineness)] * (count - 1))
    angles = np.linspace(0.0, 0.5 * np.pi, _ANGLES * fineness + 1)
    mesh = layout(rings, tuple(angles.tolist()), _SIDE * fineness)
    points = mesh.basis @ body.outer_radius
    slope, volume = gradients(points, mesh.elements)
    shape = gauss_shapes(slope)
    start = np.zeros(len(mesh.last))
    start[: points.size] = (points * [-1.0, 2.0]).reshape(-1)
    weight = volume * solver_density(body)[mesh.layer, None]
    stiff_by, loss_by = (
        along_points(curves, mesh.layer, points, mesh.elements, shape)
        for curves in (body.modulus_curve, body.loss_curve)
    )
    return _Section(mesh, slope, volume, shape, weight, start, stiff_by, loss_by)


def _lowest(
    section: _Section, shear: FloatArray, bulk: FloatArray, start: FloatArray
) -> tuple[float, FloatArray]:
    """Smallest omega^2 of K u = omega^2 M u and its u, by inverse iteration from `start`."""
    mesh = section.mesh
    band, force = band_for(mesh.last), np.zeros(len(mesh.last))
    rest = np.zeros(len(mesh.last))
    blocks = element_blocks(mesh.elements, section.slope, section.volume, shear, bulk)
    assemble(rest, blocks, band, force)
    band[mesh.fixed, 0] = 1e30
    if not (factor(band, mesh.last) and np.all(band[:, 0] > 0.0)):
        raise SolverError(
            "the vibration stiffness is not positive definite; "
            "every shear and bulk modulus must be positive."
        )
    u, square = start, np.inf
    side = np.zeros((2, len(u)))  # the solver takes two right-hand sides; one is idle
    for _ in range(_MOST_ITERATIONS):
        push = _mass_times(section, u)
        push[mesh.fixed] = 0.0
        side[0], side[1] = push, 0.0
        back_substitute(band, mesh.last, side)
        new = side[0]
        # Rayleigh quotient of K^-1 M u, as K new = M u.
        before, square = square, float((new @ push) / (new @ _mass_times(section, new)))
        u = new / np.abs(new).max()
        if abs(square - before) <= _TOLERANCE * square:
            return square, u
    raise SolverError(f"the vibration mode did not settle within {_MOST_ITERATIONS} iterations.")


def _mass_times(section: _Section, u: FloatArray) -> FloatArray:
    """M u with the consistent mass, (unknowns,)."""
    nodal = u.reshape(-1, 2)[section.mesh.elements]
    momentum = section.weight[..., None] * (section.shape @ nodal)
    parts = section.shape.transpose(0, 2, 1) @ momentum
    out = np.empty((len(u) // 2, 2))
    flat = section.mesh.elements.reshape(-1)
    for axis in range(2):
        out[:, axis] = np.bincount(flat, parts[..., axis].reshape(-1), minlength=len(out))
    return out.reshape(-1)


def _strain_measures(section: _Section, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """2 e:e (e deviatoric strain) and (tr strain)^2 times volume at the Gauss points, (m, 4) m3.

    Twice the energy is G times the first plus K times the second.
    """
    mesh = section.mesh
    nodal = u.reshape(-1, 2)[mesh.elements]
    rr, rz = (section.slope[:, :, 0] @ nodal).transpose(2, 0, 1)
    zr, zz = (section.slope[:, :, 1] @ nodal).transpose(2, 0, 1)
    tt = (section.slope[:, :, 2] @ nodal)[..., 0]
    trace = rr + zz + tt
    square = rr**2 + zz**2 + tt**2 + 0.5 * (rz + zr) ** 2
    deviatoric = 2.0 * (square - trace**2 / 3.0)
    return section.volume * deviatoric, section.volume * trace**2
