"""Compression between plates as an input deck of CalculiX: a check by a general solver.

Own mesh, own element (8-node axisymmetric, reduced integration), own contact (face-to-face
penalty). Shared with `layers.compression.curve` are only the body's numbers and the strain energy:
CalculiX's neo-Hooke potential C10 (I1bar - 3) + (J - 1)^2 / D1 (CalculiX CrunchiX manual,
*HYPERELASTIC) is G/2 (I1bar - 3) + K/2 (J - 1)^2 with C10 = G/2, D1 = 2/K.

The deck is in N, mm, MPa.
"""

import re
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from layers.arrays import FloatArray, IntArray
from layers.ball import Body
from layers.errors import InputError
from layers.graded.curve import along

LIGHT, HEAVY = 10 * 9.80665, 130 * 9.80665  # N: the standard measure, 10 to 130 kgf
TRAVEL = 2.0  # of one plate from first contact at the pole, mm
STIFFNESS = 3e4  # contact penalty, N/mm3
_BLOCK = 0.4  # half width of the central block over the innermost layer's radius
_SECTORS = 180  # CalculiX expands axisymmetric elements to a sector of 2 degrees


@dataclass(frozen=True)
class Grid:
    """Quarter section: 8-node quads (corners, then mid-sides), layer of each, surface elements."""

    points: FloatArray
    quads: IntArray
    layer: IntArray
    surface: IntArray


def quarter_grid(radii: FloatArray, angular: int, thickness: float) -> Grid:
    """Mesh the quarter disc r, z >= 0: a straight-sided block inside rings that follow the layers.

    Parameters
    ----------
    radii : (n,) array
        Outer radius of each layer, mm.
    angular : int
        Elements along the arc, even; they are finest at the pole, by a factor of 4.
    thickness : float
        Greatest radial size of an element, mm; each layer has at least one.
    """
    half = angular // 2
    t = np.linspace(0.0, 1.0, 2 * angular + 1)
    angle = 0.5 * np.pi * (0.4 * t + 0.6 * t**2)
    arc = np.column_stack([np.sin(angle), np.cos(angle)])
    arc[0, 0] = arc[-1, 1] = 0.0
    middle = angle[angular]
    along_r = angle[: angular + 1] / middle
    along_z = (0.5 * np.pi - angle[angular:][::-1]) / (0.5 * np.pi - middle)
    u, v = along_r[None, :, None], along_z[:, None, None]
    width = _BLOCK * radii[0]
    block = (
        u * (1 - v) * np.array([width, 0.0])
        + u * v * 1.1 * width * arc[angular]
        + (1 - u) * v * np.array([0.0, width])
    )
    edge = np.concatenate([block[-1], block[-2::-1, -1]])

    patches, layer = [_eight_nodes(block)], [np.zeros(half * half, dtype=int)]
    for number, radius in enumerate(radii):
        outer = radius * arc
        gap = radius - (width if number == 0 else radii[number - 1])
        rings = max(1, int(np.ceil(gap / thickness)))
        s = np.linspace(0.0, 1.0, 2 * rings + 1)[:, None, None]
        patches.append(_eight_nodes(edge + s * (outer - edge)))
        layer.append(np.full(rings * angular, number))
        edge = outer
    corners = np.concatenate(patches)
    _, first, inverse = np.unique(
        np.round(corners.reshape(-1, 2), 7), axis=0, return_index=True, return_inverse=True
    )
    quads = inverse.reshape(-1, 8)
    surface = np.arange(len(quads) - angular, len(quads))
    return Grid(corners.reshape(-1, 2)[first], quads, np.concatenate(layer), surface)


def _eight_nodes(lattice: FloatArray) -> FloatArray:
    """Eight-node quads (m, 8, 2), counter-clockwise, from a lattice of half-elements."""
    a, b, c = lattice[:-2:2], lattice[1::2], lattice[2::2]
    nodes = [a[:, :-2:2], a[:, 2::2], c[:, 2::2], c[:, :-2:2]]
    nodes += [a[:, 1::2], b[:, 2::2], c[:, 1::2], b[:, :-2:2]]
    return np.stack(nodes, axis=2).reshape(-1, 8, 2)


def deck_text(
    body: Body,
    angular: int = 16,
    travel: float = TRAVEL,
    stiffness: float = STIFFNESS,
    steps: int = 10,
) -> str:
    """Write the input deck: the plate descends onto the pole of the quarter section.

    The axis of symmetry is y. The plate is one element deep, all its nodes driven, so that it is
    rigid; the ball's surface is the contact's slave.

    Parameters
    ----------
    body : Body
        The layered sphere; its moduli at rest.
    angular : int
        Elements along the quarter's arc, even; the radial size follows it.
    travel : float
        Of the plate, mm.
    stiffness : float
        Contact penalty, N/mm3.
    steps : int
        Least number of load increments.
    """
    radii = body.outer_radius * 1e3
    grid = quarter_grid(radii, angular, 1.5 * float(radii[-1]) / angular)
    material, shear, bulk = _materials(body, grid)
    lines = [*_geometry(body, grid, material), *_sections(shear, bulk)]
    lines += _loading(travel, stiffness, steps)
    return "\n".join(lines) + "\n"


def _materials(body: Body, grid: Grid) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the material of each element, (m,), and G and K of each material, Pa.

    One a layer; of a graded one as many as its elements' moduli differ, each that of the element's
    middle to 0.1 % of the layer's.
    """
    middle = np.linalg.norm(grid.points[grid.quads[:, :4]].mean(axis=1), axis=1) * 1e-3
    factor = np.round(along(body.modulus_curve, grid.layer, middle), 3)
    kinds, number = np.unique(np.column_stack([grid.layer, factor]), axis=0, return_inverse=True)
    layer = kinds[:, 0].astype(np.int64)
    shear, bulk = body.shear_modulus[layer], body.bulk_modulus[layer]
    return number.reshape(-1), shear * kinds[:, 1], bulk * kinds[:, 1]


def _geometry(body: Body, grid: Grid, material: IntArray) -> list[str]:
    """Nodes, elements, sets and surfaces of ball and plate."""
    radius = body.outer_radius[-1] * 1e3
    count = len(grid.points)
    side = np.array([-2.0, radius])
    plate = [(x, radius + h, z) for h in (0.0, 1.0) for z in (-2.0, 2.0) for x in side]
    nodes = np.concatenate([np.pad(grid.points, ((0, 0), (0, 1))), plate])
    lines = ["*NODE, NSET=NALL"]
    lines += [f"{i},{x:.12g},{y:.12g},{z:.12g}" for i, (x, y, z) in enumerate(nodes, 1)]
    for number in range(int(material.max()) + 1):
        lines.append(f"*ELEMENT, TYPE=CAX8R, ELSET=LAYER{number}")
        members = np.flatnonzero(material == number)
        lines += [f"{e + 1}," + ",".join(str(n + 1) for n in grid.quads[e]) for e in members]
    first = len(grid.quads) + 1
    corners = count + 1 + np.array([0, 2, 3, 1, 4, 6, 7, 5])
    lines.append("*ELEMENT, TYPE=C3D8, ELSET=PLATE")
    lines.append(",".join(str(n) for n in (first, *corners)))
    lines += _node_set("PLATENODES", np.arange(count, count + 8))
    lines += _node_set("AXIS", np.flatnonzero(np.abs(grid.points[:, 0]) < 1e-9))
    lines += _node_set("EQUATOR", np.flatnonzero(np.abs(grid.points[:, 1]) < 1e-9))
    lines.append("*SURFACE, NAME=BALL, TYPE=ELEMENT")
    lines += [f"{e + 1},S3" for e in grid.surface]
    lines.append("*SURFACE, NAME=FLAT, TYPE=ELEMENT")
    return [*lines, f"{first},S1"]


def _sections(shear: FloatArray, bulk: FloatArray) -> list[str]:
    """Materials and where they are."""
    lines = []
    for number, (g, k) in enumerate(zip(shear, bulk, strict=True)):
        lines += [
            f"*MATERIAL, NAME=M{number}",
            "*HYPERELASTIC, NEO HOOKE",
            f"{g * 0.5e-6:.12g},{2.0 / (k * 1e-6):.12g}",
            f"*SOLID SECTION, ELSET=LAYER{number}, MATERIAL=M{number}",
        ]
    return [
        *lines,
        "*MATERIAL, NAME=STEEL",
        "*ELASTIC",
        "200000.,0.3",
        "*SOLID SECTION, ELSET=PLATE, MATERIAL=STEEL",
    ]


def _loading(travel: float, stiffness: float, steps: int) -> list[str]:
    """Contact, supports and the plate's travel."""
    return [
        "*SURFACE INTERACTION, NAME=TOUCH",
        "*SURFACE BEHAVIOR, PRESSURE-OVERCLOSURE=LINEAR",
        f"{stiffness:.12g}",
        "*CONTACT PAIR, INTERACTION=TOUCH, TYPE=SURFACE TO SURFACE",
        "BALL,FLAT",
        "*BOUNDARY",
        "AXIS,1,1",
        "EQUATOR,2,2",
        "PLATENODES,1,3",
        f"*STEP, NLGEOM, INC={20 * steps}",
        "*STATIC",
        f"{0.2 / steps:.6g},1.0,1e-8,{1.0 / steps:.6g}",
        "*BOUNDARY",
        f"PLATENODES,2,2,{-travel:.12g}",
        "*NODE PRINT, NSET=PLATENODES, TOTALS=ONLY",
        "RF",
        "*END STEP",
    ]


def _node_set(name: str, nodes: IntArray) -> list[str]:
    return [f"*NSET, NSET={name}", *(str(n + 1) for n in nodes)]


def read_results(text: str, travel: float = TRAVEL) -> tuple[FloatArray, FloatArray]:
    """Read force and deflection off what CalculiX printed.

    Parameters
    ----------
    text : str
        Of the file that ends in .dat.
    travel : float
        Of the deck's plate, mm.

    Returns
    -------
    force, deflection : (k,) array
        Plate force of the whole ball, N, and change of the distance between the plates, m, from
        first contact on.

    Raises
    ------
    InputError
        If it is no such file, or the plate force does not reach 130 kgf.
    """
    rows = re.findall(r"PLATENODES and time\s+(\S+)\s+\S+\s+(\S+)\s+\S+", text)
    try:
        time, force = np.array(rows, dtype=float).reshape(-1, 2).T
    except ValueError as error:
        raise InputError(f"the solver's results cannot be read: {error}.") from error
    force = -force * _SECTORS
    touching = force > 1.0
    if not len(force) or not force[-1] >= HEAVY:
        most = float(force.max(initial=0.0))
        raise InputError(
            f"the solver's results reach {most:.0f} N, but {HEAVY:.0f} N (130 kgf) are needed: it "
            "stopped early, or they are of another deck."
        )
    return force[touching], 2e-3 * travel * time[touching]


def deflection_of(force: FloatArray, deflection: FloatArray) -> float:
    """Deflection from 10 to 130 kgf, m: a spline of log against log, near linear by Hertz.

    Parameters
    ----------
    force, deflection : (k,) array
        Of `read_results`.
    """
    curve = CubicSpline(np.log(force), np.log(deflection))
    light, heavy = np.exp(curve(np.log([LIGHT, HEAVY])))
    return float(heavy - light)
