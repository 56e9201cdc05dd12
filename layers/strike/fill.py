"""Constants of the elements of the oblique impact, from the places of the nodes and the matter."""

from typing import Any

from layers.numerics.hexes import corner_gradients, shape_of
from layers.numerics.lanes import load, square_root, store_rounded
from layers.numerics.machine_code import njit
from layers.strike.kernels import (
    BULK,
    FREQUENCY,
    HOURGLASS,
    POSITION_PATTERN,
    RELIEF,
    SHEAR,
    VISCOSITY,
    VOLUME,
)

# Rows of the matter of elements: hourglass stiffness over that of a vector Laplacian times glassy
# shear modulus, bulk viscosity per length, moduli, squared frequency of unit length, relief.
STIFF, VISCOUS, OF_SHEAR, OF_BULK, OF_FREQUENCY, OF_RELIEF = range(6)
MATTER_ROWS = 6


@njit(fastmath=True, cache=True)
def fill_constants(points: Any, hexes: Any, matter: Any, constant: Any) -> None:
    """Write the constants of all elements, see the rows of `layers.strike.kernels`.

    Parameters
    ----------
    points : (n, 4) array
        Nodes, m, the fourth number of no use.
    hexes : (m, 8, 8) int array
        Corner nodes, see `layers.numerics.hexes.corners_by_width`.
    matter : (m, MATTER_ROWS, 8) array
        Rows of this module.
    constant : (blocks, CONSTANT_ROWS, width) array
        Written, in its own precision.
    """
    parts = constant.shape[2] // hexes.shape[2]
    for e in range(hexes.shape[0]):
        block, at = e // parts, hexes.shape[2] * (e % parts)
        shape = shape_of(points, hexes, e)
        squares = 0.0 * shape.volume
        for i in range(3):
            corners = corner_gradients(shape.slope, i)
            for a in range(8):
                store_rounded(constant, block, 3 * a + i, at, corners[a])
                squares = squares + corners[a] * corners[a]
            for k in range(4):
                row = POSITION_PATTERN + 3 * k + i
                store_rounded(constant, block, row, at, shape.pattern[k][i])
        # Vector Laplacian of each pattern: mean of |grad(xi eta)|^2 is a third of the sum of both.
        m0, m1, m2 = shape.metric
        stiff = load(matter, e, STIFF) * shape.volume * (1.0 / 192.0)
        store_rounded(constant, block, HOURGLASS, at, stiff * (m0 + m1))
        store_rounded(constant, block, HOURGLASS + 1, at, stiff * (m1 + m2))
        store_rounded(constant, block, HOURGLASS + 2, at, stiff * (m2 + m0))
        store_rounded(constant, block, HOURGLASS + 3, at, stiff * (m0 + m1 + m2) * (1.0 / 3.0))
        length = square_root(1.5 / squares)  # edge of a cube, short edge of a slab
        store_rounded(constant, block, VOLUME, at, shape.volume)
        store_rounded(constant, block, VISCOSITY, at, load(matter, e, VISCOUS) * length)
        store_rounded(constant, block, SHEAR, at, load(matter, e, OF_SHEAR))
        store_rounded(constant, block, BULK, at, load(matter, e, OF_BULK))
        store_rounded(constant, block, FREQUENCY, at, load(matter, e, OF_FREQUENCY))
        store_rounded(constant, block, RELIEF, at, load(matter, e, OF_RELIEF))
