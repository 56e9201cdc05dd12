"""Numerical choices of the oblique impact, and the counts of the mesh that follow from them."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import Precision
from layers.numerics.cubed_sphere import Counts


@dataclass(frozen=True)
class Settings:
    """Numerical choices of one level.

    Attributes
    ----------
    normal, lateral, upward : int
        Elements of the mesh's block, see `Counts`.
    core_rings, small_core_rings : int
        Rings of the innermost layer: of up to three layers, of four or more.
    shell_rings, mantle_rings, cover_rings : int
        Rings of the second of four or more layers (an outer core), of the other layers between, and
        of the outermost.
    focus : float
        See `Counts`.
    points : int
        Contact points along each edge of an outer quadrilateral.
    grading : float
        Thickness of a ring over that of the one inside it, where a layer's rings are graded.
    block, small_block : float
        Half width of the mesh's block over the innermost layer's radius: of up to three layers, of
        four or more, whose small inner core would have elements too small for a long step.
    contact_stiffness : float
        Normal contact stiffness over M/t, the cover's uniaxial modulus over its thickness.
    shear_stiffness : float
        Contact stiffness along the face over that along its normal.
    contact_damping : float
        Share of each surface node's critical damping.
    hourglass : float
        Hourglass stiffness over that of a vector Laplacian of the element's shear modulus.
    bulk_viscosity : float
        Linear bulk viscosity, share of critical.
    thinnest_step : float
        A stable step that thin layers shall allow, s: across their thickness they are given the
        extra inertia that it takes, see `layers.strike.masses`.
    precision : {"single", "double"}
        In which the elements are computed.
    """

    normal: int = 8
    lateral: int = 6
    upward: int = 12
    core_rings: int = 3
    small_core_rings: int = 1
    shell_rings: int = 3
    mantle_rings: int = 1
    cover_rings: int = 2
    grading: float = 0.8
    block: float = 0.6
    small_block: float = 0.7
    focus: float = 0.8
    points: int = 2
    contact_stiffness: float = 1.0
    shear_stiffness: float = 1.0
    contact_damping: float = 1.0
    hourglass: float = 0.8
    bulk_viscosity: float = 0.1
    thinnest_step: float = 1.0e-6
    precision: Precision = "single"


LEVELS: dict[str, Settings] = {
    "default": Settings(),
    "fine": Settings(
        normal=12,
        lateral=9,
        upward=18,
        core_rings=5,
        small_core_rings=2,
        shell_rings=4,
        mantle_rings=2,
        cover_rings=3,
        thinnest_step=0.5e-6,
    ),
}


def counts_of(layers: int, settings: Settings) -> Counts:
    """Return what fixes the mesh of a ball of so many layers.

    Parameters
    ----------
    layers : int
    settings : Settings
    """

    def even(count: int) -> tuple[float, ...]:
        return tuple(float(k) for k in np.arange(1, count + 1) / count)

    def graded(count: int) -> tuple[float, ...]:
        sizes = settings.grading ** np.arange(count)
        return tuple(float(k) for k in np.cumsum(sizes) / sizes.sum())

    rings: tuple[tuple[float, ...], ...]
    between = [settings.mantle_rings] * max(layers - 2, 0)
    if layers >= 4:
        between[0] = settings.shell_rings
    if layers == 1:
        rings = (graded(settings.core_rings + settings.shell_rings),)
    else:
        core = settings.core_rings if layers < 4 else settings.small_core_rings
        rings = tuple(map(even, (core, *between, settings.cover_rings)))
        if layers < 4:
            rings = (graded(core), *rings[1:])
        else:
            rings = (rings[0], graded(between[0]), *rings[2:])
    block = settings.block if layers < 4 else settings.small_block
    return Counts(settings.normal, settings.lateral, settings.upward, rings, settings.focus, block)
