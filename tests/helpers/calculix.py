"""Compression of a layered sphere by CalculiX: a reference for `layers.compression.curve`.

Own mesh, own element (8-node axisymmetric, reduced integration), own contact (face-to-face
penalty), own solver. Shared with orbwright are only the body's numbers and the strain energy:
CalculiX's neo-Hooke potential C10 (I1bar - 3) + (J - 1)^2 / D1 (CalculiX CrunchiX manual,
*HYPERELASTIC) is G/2 (I1bar - 3) + K/2 (J - 1)^2 with C10 = G/2, D1 = 2/K.

CalculiX works in N, mm, MPa here.
"""

import os
import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline

from layers.ball import Body

LIGHT, HEAVY = 10 * 9.80665, 130 * 9.80665  # N: the standard measure, 10 to 130 kgf
BLOCK = 0.4  # half width of the central block over the innermost layer's radius
SECTORS = 180  # CalculiX expands axisymmetric elements to a sector of 2 degrees
CCX = "ccx"
TRAVEL = 2.0  # of one plate from first contact at the pole, mm


@dataclass(frozen=True)
class Grid:
    """Quarter section: 8-node quads (corners, then mid-sides), layer of each, surface elements."""

    points: np.ndarray
    quads: np.ndarray
    layer: np.ndarray
    surface: np.ndarray


def layered_body(diameters_mm, youngs_moduli_mpa, poisson_ratios, densities_g_cm3) -> Body:
    """Undimpled elastic body from the trade's units."""
    young, poisson = np.array(youngs_moduli_mpa) * 1e6, np.array(poisson_ratios)
    count = len(young)
    return Body(
        outer_radius=np.array(diameters_mm) * 0.5e-3,
        density=np.array(densities_g_cm3) * 1e3,
        shear_modulus=young / (2 * (1 + poisson)),
        bulk_modulus=young / (3 * (1 - 2 * poisson)),
        dynamic_modulus_ratio=np.ones(count),
        relaxation_strength=np.zeros((count, 0)),
        relaxation_time=np.ones((count, 0)),
        friction=0.4,
    )


# Invented stacks within what the trade builds; deflections between 98 and 1,275 N about 2.2-3.6 mm.
BUILDS = {
    "two layers, firm ionomer-like cover": layered_body(
        [39.3, 42.67], [55.0, 350.0], [0.49, 0.45], [1.13, 0.96]
    ),
    "three layers, soft cover on a firm mantle": layered_body(
        [38.3, 41.0, 42.67], [50.0, 300.0, 50.0], [0.49, 0.45, 0.48], [1.16, 0.96, 1.12]
    ),
    "three layers, soft mantle": layered_body(
        [36.5, 40.1, 42.67], [85.0, 40.0, 250.0], [0.49, 0.48, 0.45], [1.14, 1.05, 0.97]
    ),
    "four layers, firm outer core": layered_body(
        [24.0, 38.6, 41.0, 42.67],
        [25.0, 70.0, 280.0, 80.0],
        [0.49, 0.49, 0.46, 0.48],
        [1.12, 1.15, 0.96, 1.12],
    ),
    "five layers, stiffening outward": layered_body(
        [20.0, 32.0, 38.8, 41.2, 42.67],
        [20.0, 45.0, 100.0, 180.0, 60.0],
        [0.49, 0.49, 0.49, 0.46, 0.48],
        [1.11, 1.13, 1.15, 0.96, 1.12],
    ),
}


def compress_with_calculix(
    body: Body, angular: int, workdir: Path, stiffness: float = 3e4, steps: int = 10
) -> tuple[np.ndarray, np.ndarray]:
    """Compress a body between rigid frictionless flats with CalculiX.

    Parameters
    ----------
    body : Body
        The layered sphere.
    angular : int
        Elements along the quarter's arc, even; the radial size follows it.
    workdir : Path
        An existing folder for the job's files.
    stiffness : float
        Contact penalty, N/mm3.
    steps : int
        Least number of load increments.

    Returns
    -------
    force, deflection : arrays
        Plate force, N, and change of the distance between the plates, m, from first contact on.

    Raises
    ------
    RuntimeError
        If CalculiX stops early or the plate's travel does not reach the heavy load.
    """
    radii = body.outer_radius * 1e3
    grid = quarter_grid(radii, angular, 1.5 * radii[-1] / angular)
    write_deck(workdir / "job.inp", body, grid, TRAVEL, stiffness, steps)
    time, force = run_deck(workdir)
    touching = force > 1.0
    if force[-1] < HEAVY:
        raise RuntimeError(f"the plate force reached only {force[-1]:.0f} N")
    return force[touching], 2e-3 * TRAVEL * time[touching]


def deflection_between_loads(force: np.ndarray, deflection: np.ndarray) -> float:
    """Deflection from 10 to 130 kgf, m: a spline of log against log, near linear by Hertz."""
    curve = CubicSpline(np.log(force), np.log(deflection))
    light, heavy = np.exp(curve(np.log([LIGHT, HEAVY])))
    return float(heavy - light)


def quarter_grid(radii: np.ndarray, angular: int, thickness: float) -> Grid:
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
    width = BLOCK * radii[0]
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


def _eight_nodes(lattice: np.ndarray) -> np.ndarray:
    """Eight-node quads (m, 8, 2), counter-clockwise, from a lattice of half-elements."""
    a, b, c = lattice[:-2:2], lattice[1::2], lattice[2::2]
    nodes = [a[:, :-2:2], a[:, 2::2], c[:, 2::2], c[:, :-2:2]]
    nodes += [a[:, 1::2], b[:, 2::2], c[:, 1::2], b[:, :-2:2]]
    return np.stack(nodes, axis=2).reshape(-1, 8, 2)


def write_deck(
    path: Path, body: Body, grid: Grid, travel: float, stiffness: float, steps: int
) -> None:
    """Write the input deck: the plate descends `travel` mm onto the pole of the quarter section.

    The axis of symmetry is y. The plate is one element deep, all its nodes driven, so that it is
    rigid; the ball's surface is the contact's slave.
    """
    radius = body.outer_radius[-1] * 1e3
    count = len(grid.points)
    side = np.array([-2.0, radius])
    plate = [(x, radius + h, z) for h in (0.0, 1.0) for z in (-2.0, 2.0) for x in side]
    nodes = np.concatenate([np.pad(grid.points, ((0, 0), (0, 1))), plate])
    lines = ["*NODE, NSET=NALL"]
    lines += [f"{i},{x:.12g},{y:.12g},{z:.12g}" for i, (x, y, z) in enumerate(nodes, 1)]
    for number in range(len(body.outer_radius)):
        lines.append(f"*ELEMENT, TYPE=CAX8R, ELSET=LAYER{number}")
        members = np.flatnonzero(grid.layer == number)
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
    lines.append(f"{first},S1")
    for number, (shear, bulk) in enumerate(zip(body.shear_modulus, body.bulk_modulus, strict=True)):
        lines += [
            f"*MATERIAL, NAME=M{number}",
            "*HYPERELASTIC, NEO HOOKE",
            f"{shear * 0.5e-6:.12g},{2.0 / (bulk * 1e-6):.12g}",
            f"*SOLID SECTION, ELSET=LAYER{number}, MATERIAL=M{number}",
        ]
    lines += [
        "*MATERIAL, NAME=STEEL",
        "*ELASTIC",
        "200000.,0.3",
        "*SOLID SECTION, ELSET=PLATE, MATERIAL=STEEL",
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
    path.write_text("\n".join(lines) + "\n", encoding="ascii")


def _node_set(name: str, nodes: np.ndarray) -> list[str]:
    return [f"*NSET, NSET={name}", *(str(n + 1) for n in nodes)]


def run_deck(workdir: Path) -> tuple[np.ndarray, np.ndarray]:
    """Run ``job.inp`` in `workdir`; return time fractions and the whole ball's plate force, N."""
    done = subprocess.run(
        [CCX, "-i", "job"],
        cwd=workdir,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode or "Job finished" not in done.stdout:
        raise RuntimeError("CalculiX failed:\n" + done.stdout[-2000:])
    text = (workdir / "job.dat").read_text(encoding="ascii")
    rows = re.findall(r"PLATENODES and time\s+(\S+)\s+\S+\s+(\S+)\s+\S+", text)
    time, force = np.array(rows, dtype=float).T
    return time, -force * SECTORS
