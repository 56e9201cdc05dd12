"""Finite elements of a normal impact: the mesh of a body and the arrays its kernel works on."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from layers.arrays import DTYPES, FloatArray, IntArray, Precision
from layers.ball import Body
from layers.graded.curve import element_means
from layers.impact import kernels
from layers.mass.inertia import solver_density
from layers.numerics.mesh import Mesh, sphere_mesh
from layers.numerics.vectors import aligned, width_of

# A layer (but the innermost) is meshed as a thin or as a thick one, by its thickness, m. Most
# mantles and covers stay below and most outer cores above, so that small changes seldom cross it.
THICK_LAYER = 3.0e-3

# Stiffness against the hourglass shapes: that of a square incompressible element in plane bending,
# of modulus 4 G. Half or twice as much moves the impact speed ratio by less than 0.03 %.
HOURGLASS = 1.0 / 6.0

# Part of the surface nodes' mass that is moved to the nodes below them. What a node loses when the
# wall stops it falls with its mass (Khenous, Laborde and Renard 2008, Eur. J. Mech. A 27, 918, take
# all of it, from memory); the time step of the surface elements falls to sqrt(1 - shift^2).
SURFACE_SHIFT = 0.5

# Angle over pi from the striking pole to the block's corner; a smaller one than 1/4 skews the rings
# around that corner less, where the surface's angles lie close, and allows a longer time step.
_LOWER_CAP = 0.19


@dataclass(frozen=True)
class Resolution:
    """Element counts: block side, half circle, rings of core, of thick and of thin layers.

    `precision` is that of the elements.
    """

    side: int
    angles: int
    core_rings: int
    thick_rings: int
    thin_rings: int
    precision: Precision = "single"

    def refined(self, factor: int) -> "Resolution":
        """Return the counts times `factor`."""
        return Resolution(
            factor * self.side,
            factor * self.angles,
            factor * self.core_rings,
            factor * self.thick_rings,
            factor * self.thin_rings,
            self.precision,
        )


@dataclass
class Model:
    """Arrays of `layers.impact.kernels.impact`: its arguments of the same names, and the mass.

    The ball touches the wall z = 0 with its lower pole. The kernel changes `w` and `x` in place.
    """

    w: npt.NDArray[Any]
    corner: npt.NDArray[np.int32]
    start: FloatArray
    x: FloatArray
    mass: FloatArray
    inverse_mass: FloatArray
    surface: IntArray
    branches: int

    def corner_area(self, x: FloatArray) -> FloatArray:
        """Signed area of each quadrilateral at positions (2, nodes), m2; padding repeats."""
        r, z = x[:, self.corner.swapaxes(0, 1).reshape(4, -1)]
        return np.asarray(0.5 * ((r[2] - r[0]) * (z[3] - z[1]) - (r[3] - r[1]) * (z[2] - z[0])))


def impact_mesh(body: Body, resolution: Resolution) -> Mesh:
    """Mesh the half plane of a body, finer toward the pole at -z, which strikes."""
    return mesh_of(body.outer_radius, ring_counts(body, resolution), resolution)


def ring_counts(body: Body, resolution: Resolution) -> tuple[int, ...]:
    """Return the number of rings of each layer, by its thickness."""
    thick, thin = resolution.thick_rings, resolution.thin_rings
    thickness = np.diff(body.outer_radius)
    return (resolution.core_rings, *(thick if t > THICK_LAYER else thin for t in thickness))


def mesh_of(outer_radius: FloatArray, counts: Sequence[int], resolution: Resolution) -> Mesh:
    """Mesh layers of so many rings each.

    Parameters
    ----------
    outer_radius : (n,) array
        m.
    counts : sequence of int
        Rings of each layer.
    resolution : Resolution
        Of the block and the angles.
    """
    rings = tuple(np.arange(1, count + 1) / count for count in counts)
    side, angles = resolution.side, resolution.angles
    middle = np.linspace(0.25 * np.pi, (1.0 - _LOWER_CAP) * np.pi, angles - 2 * side + 1)
    cap = np.linspace(0.0, 1.0, side, endpoint=False)
    block_angles = np.concatenate(
        [0.25 * np.pi * cap, middle, (1.0 - _LOWER_CAP * cap[::-1]) * np.pi]
    )
    return sphere_mesh(outer_radius, rings, _angles(angles), side, block_angles)


@lru_cache(maxsize=8)
def _angles(count: int) -> FloatArray:
    """Polar angles from the far pole to the striking one, where they lie 2.5 times as close.

    The element size grows smoothly around 1.1 rad from the striking pole, beyond the contact of a
    hard hit.
    """
    psi = np.linspace(0.0, np.pi, 2001)
    density = 1.0 / (1.75 + 0.75 * np.tanh((psi - 1.1) / 0.35))
    number = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]))])
    from_pole = np.interp(np.linspace(0.0, number[-1], count + 1), number, psi)
    return np.ascontiguousarray(np.pi - from_pole[::-1])


def impact_model(body: Body, resolution: Resolution) -> Model:
    """Assemble the arrays of an impact.

    The dynamic moduli are the quasi-static ones times `dynamic_modulus_ratio`, the bulk modulus
    too, so that Poisson's ratio stays.
    """
    mesh = impact_mesh(body, resolution)
    mean_gradient, volume, share = _gradients(mesh)
    used = body.relaxation_strength.any(axis=0)
    stiff_by, loss_by = (
        element_means(curves, mesh.layer, mesh.points.T, mesh.quads.T)
        for curves in (body.modulus_curve, body.loss_curve)
    )
    strength = body.relaxation_strength[mesh.layer][:, used] * loss_by[:, None]
    rate = 1.0 / body.relaxation_time[mesh.layer][:, used]
    shear = (body.dynamic_modulus_ratio * body.shear_modulus)[mesh.layer] * stiff_by
    bulk = (body.dynamic_modulus_ratio * body.bulk_modulus)[mesh.layer] * stiff_by
    corner_mass = _corner_mass(body, mesh, share, resolution)
    mass: FloatArray = np.zeros(len(mesh.points))
    np.add.at(mass, mesh.quads.T, corner_mass)

    rows = np.zeros((kernels.ROWS, len(volume)))
    rows[kernels.BR : kernels.BT + 4] = mean_gradient.reshape(12, -1)
    rows[kernels.GAMMA : kernels.GAMMA + 4] = _hourglass_shape(mesh, mean_gradient)
    rows[kernels.VOLUME], rows[kernels.SHEAR], rows[kernels.BULK] = volume, shear, bulk
    rows[kernels.HOURGLASS] = HOURGLASS * (mean_gradient[:2] ** 2).sum(axis=(0, 1))
    wave_modulus = bulk + 4.0 / 3.0 * shear * (1.0 + strength.sum(axis=1))
    rows[kernels.STIFF : kernels.STIFF + 4] = wave_modulus * volume / corner_mass
    normal = [0, 2, 3]
    rows[[kernels.CBAR_INV + k for k in normal]] = 1.0
    rows[[kernels.DEF + k for k in (0, 3, 4)]] = 1.0
    for j in range(strength.shape[1]):
        first = kernels.BRANCH + j * kernels.BRANCH_ROWS
        rows[[first + kernels.TENSOR + k for k in normal]] = 1.0
        rows[first + kernels.MODULUS] = shear * strength[:, j]
        rows[first + kernels.RATE] = rate[:, j]
        rows[first + kernels.GAIN] = 0.0

    number = DTYPES[resolution.precision]
    width = width_of(number)
    x = mesh.points.T.copy()
    x[1] += body.outer_radius[-1]
    inverse_mass = np.tile(1.0 / mass, (2, 1))
    inverse_mass[0, x[0] == 0.0] = 0.0
    return Model(
        w=_tiled(rows, number),
        corner=_corners(mesh.quads, width),
        start=x.copy(),
        x=x,
        mass=mass,
        inverse_mass=inverse_mass,
        surface=mesh.surface,
        branches=strength.shape[1],
    )


def layer_masses(body: Body, resolution: Resolution) -> FloatArray:
    """Part of each node's mass that each layer makes up, (layers, nodes) kg."""
    mesh = impact_mesh(body, resolution)
    corner_mass = _corner_mass(body, mesh, _gradients(mesh)[2], resolution)
    masses: FloatArray = np.zeros((len(body.outer_radius), len(mesh.points)))
    np.add.at(masses, (np.broadcast_to(mesh.layer, corner_mass.shape), mesh.quads.T), corner_mass)
    return masses


def _corner_mass(body: Body, mesh: Mesh, share: FloatArray, resolution: Resolution) -> FloatArray:
    """Mass that each element gives to each of its corners, (4, m) kg."""
    corner_mass: FloatArray = solver_density(body)[mesh.layer] * share
    _lighten_surface(corner_mass[:, -resolution.angles :])
    return corner_mass


_CORNER_X = np.array([-1.0, 1.0, 1.0, -1.0])
_CORNER_Y = np.array([-1.0, -1.0, 1.0, 1.0])


def _gradients(mesh: Mesh) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Volume-mean d/dr, d/dz and 1/r of the shape functions, volumes, and the corners' shares.

    Shapes (3, 4, m), (m,), (4, m). By 2 x 2 Gauss points, exact but for the gradients' products.
    """
    r, z = np.moveaxis(mesh.points[mesh.quads], -1, 0).transpose(0, 2, 1)
    integral = np.zeros((3, 4, r.shape[1]))
    share = np.zeros((4, r.shape[1]))
    gauss = 1.0 / np.sqrt(3.0)
    for a in (-gauss, gauss):
        for b in (-gauss, gauss):
            shape = 0.25 * (1 + _CORNER_X * a) * (1 + _CORNER_Y * b)
            da = 0.25 * _CORNER_X * (1 + _CORNER_Y * b)
            db = 0.25 * _CORNER_Y * (1 + _CORNER_X * a)
            ra, rb, za, zb = da @ r, db @ r, da @ z, db @ z
            ring, area = 2.0 * np.pi * (shape @ r), ra * zb - rb * za
            integral[0] += ring * (da[:, None] * zb - db[:, None] * za)
            integral[1] += ring * (db[:, None] * ra - da[:, None] * rb)
            integral[2] += 2.0 * np.pi * area * shape[:, None]
            share += ring * area * shape[:, None]
    volume = share.sum(axis=0)
    return integral / volume, volume, share


def _lighten_surface(corner_mass: FloatArray) -> None:
    """Shift part of the mass of the outermost ring's outer corners, 2 and 3, to its inner ones."""
    shifted = SURFACE_SHIFT * corner_mass[2:]
    corner_mass[2:] -= shifted
    corner_mass[:2] += shifted[::-1]


def _hourglass_shape(mesh: Mesh, mean_gradient: FloatArray) -> FloatArray:
    """Return the corners' alternation less its linear part (Flanagan, Belytschko 1981), (4, m)."""
    alternation = np.array([1.0, -1.0, 1.0, -1.0])
    slope = alternation @ mesh.points[mesh.quads]
    linear = slope[:, 0] * mean_gradient[0] + slope[:, 1] * mean_gradient[1]
    return np.asarray(alternation[:, None] - linear)


def _padded(elements: int, width: int) -> IntArray:
    """Element of each lane; the last one repeats to the end of its tile."""
    return np.minimum(np.arange(-(-elements // width) * width), elements - 1)


def _tiled(rows: FloatArray, number: type[np.floating[Any]]) -> npt.NDArray[Any]:
    """Lay rows out in tiles. Repeated elements weigh nothing."""
    elements, width = rows.shape[1], width_of(number)
    padded = rows[:, _padded(elements, width)]
    padded[kernels.VOLUME, elements:] = 0.0
    out = aligned((padded.shape[1] // width, kernels.ROWS, width), number)
    out[:] = padded.reshape(kernels.ROWS, -1, width).swapaxes(0, 1)
    return out


def untiled(w: npt.NDArray[Any]) -> FloatArray:
    """Return the rows of all tiles in double precision, (ROWS, tiles * width)."""
    return w.swapaxes(0, 1).reshape(kernels.ROWS, -1).astype(np.float64)


def _corners(quads: IntArray, width: int) -> npt.NDArray[np.int32]:
    padded = quads[_padded(len(quads), width)].astype(np.int32)
    return np.ascontiguousarray(padded.T.reshape(4, -1, width).swapaxes(0, 1))
