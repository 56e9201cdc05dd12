"""The deck for another solver: its mesh by geometry, its sets, and its results by a power law."""

import re

import numpy as np
import pytest

from layers.compression.deck import (
    HEAVY,
    LIGHT,
    deck_text,
    deflection_of,
    quarter_grid,
    read_results,
)
from layers.errors import InputError
from tests.helpers.calculix import BUILDS

RADII = np.array([10.0, 19.0, 21.3])
BODY = BUILDS["three layers, soft cover on a firm mantle"]
# Corners, then mid-sides, of the eight-node quad on [-1, 1]^2.
NODES = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [0, -1], [1, 0], [0, 1], [-1, 0]])


@pytest.fixture(scope="module")
def grid():
    return quarter_grid(RADII, 12, 2.0)


def shapes(at):
    """Serendipity functions of eight nodes and their derivatives at a point, by differences."""

    def values(x, y):
        n = np.empty(8)
        for k, (a, b) in enumerate(NODES):
            if k < 4:
                n[k] = 0.25 * (1 + a * x) * (1 + b * y) * (a * x + b * y - 1)
            elif a == 0:
                n[k] = 0.5 * (1 - x * x) * (1 + b * y)
            else:
                n[k] = 0.5 * (1 + a * x) * (1 - y * y)
        return n

    x, y = at
    step = 1e-6
    along = (values(x + step, y) - values(x - step, y)) / (2 * step)
    across = (values(x, y + step) - values(x, y - step)) / (2 * step)
    return values(x, y), np.stack([along, across])


def volumes(grid):
    """Volume of revolution of each element, mm3, by 3 x 3 points; and its least Jacobian."""
    where, weights = np.polynomial.legendre.leggauss(3)
    total, least = np.zeros(len(grid.quads)), np.full(len(grid.quads), np.inf)
    corners = grid.points[grid.quads]
    for x, wx in zip(where, weights, strict=True):
        for y, wy in zip(where, weights, strict=True):
            value, slope = shapes((x, y))
            jacobian = np.linalg.det(slope @ corners)
            least = np.minimum(least, jacobian)
            total += wx * wy * jacobian * 2.0 * np.pi * (corners[:, :, 0] @ value)
    return total, least


def test_analytic_volume_of_each_layer(grid):
    volume, least = volumes(grid)
    assert least.min() > 0.0  # counter-clockwise, none folded
    below = 0.0
    for layer, radius in enumerate(RADII):
        half = 2.0 / 3.0 * np.pi * radius**3
        assert volume[grid.layer == layer].sum() == pytest.approx(half - below, rel=1e-4)
        below = half


def test_elements_fit_together_and_end_on_axis_equator_and_sphere(grid):
    corners = np.stack([grid.quads[:, :4], np.roll(grid.quads[:, :4], -1, axis=1)], axis=2)
    sides = {}
    for (a, b), middle in zip(corners.reshape(-1, 2), grid.quads[:, 4:].ravel(), strict=True):
        sides.setdefault(frozenset((a, b)), []).append(middle)
    assert all(len(set(middles)) == 1 and len(middles) <= 2 for middles in sides.values())
    lone = [(*side, middles[0]) for side, middles in sides.items() if len(middles) == 1]
    for nodes in lone:
        r, z = grid.points[list(nodes)].T
        on_sphere = np.abs(np.hypot(r, z) - RADII[-1]) < 1e-9
        assert (r == 0.0).all() or (z == 0.0).all() or on_sphere.all()
    assert len(np.unique(grid.quads)) == len(grid.points)


def test_the_surface_is_the_outer_arc_finest_at_the_pole(grid):
    third = grid.quads[grid.surface][:, [2, 3]]  # what the deck calls S3
    assert len(third) == 12
    np.testing.assert_allclose(np.linalg.norm(grid.points[third], axis=2), RADII[-1], rtol=1e-12)
    fine = quarter_grid(RADII, 80, 0.5)
    arc = fine.points[fine.quads[fine.surface][:, [2, 3]]]
    angle = np.sort(np.unique(np.round(np.arctan2(arc[..., 0], arc[..., 1]), 12)))
    assert angle[0] == 0.0
    assert angle[-1] == pytest.approx(0.5 * np.pi)
    steps = np.diff(angle)
    assert (np.diff(steps) > 0.0).all()
    assert steps[-1] / steps[0] == pytest.approx(4.0, rel=0.06)


@pytest.mark.parametrize(("thickness", "rings"), [(2.0, (3, 5, 2)), (30.0, (1, 1, 1))])
def test_no_element_is_thicker_than_allowed(thickness, rings):
    grid = quarter_grid(RADII, 12, thickness)
    counts = np.bincount(grid.layer)
    block = 6 * 6  # of a radius of 4 mm, inside the innermost layer's rings
    assert tuple((counts - [block, 0, 0]) // 12) == rings


def blocks(text):
    """Return the lines after each keyword line of a deck, by that line."""
    found = {}
    for line in text.splitlines():
        if line.startswith("*"):
            found[line] = rows = []
        else:
            rows.append(line)
    return found


def test_the_plate_lies_on_the_pole_and_supports_on_symmetry():
    deck = blocks(deck_text(BODY, 6, travel=1.5, stiffness=2e4, steps=5))
    nodes = np.array([row.split(",") for row in deck["*NODE, NSET=NALL"]], dtype=float)
    assert (nodes[:, 0] == np.arange(1, len(nodes) + 1)).all()
    at, plate = nodes[:, 1:], nodes[-8:, 1:]
    radius = BODY.outer_radius[-1] * 1e3
    assert set(map(tuple, plate)) == {
        (x, y, z) for x in (-2.0, radius) for y in (radius, radius + 1.0) for z in (-2.0, 2.0)
    }
    own = [int(n) - 1 for n in deck["*ELEMENT, TYPE=C3D8, ELSET=PLATE"][0].split(",")[1:]]
    a, b, c, _, e, *_ = at[own]
    assert np.cross(b - a, c - b) @ (e - a) > 0.0  # a right-handed brick; S1 is its first face
    assert (at[own[:4], 1] == radius).all()
    sets = {
        name: {int(row) - 1 for row in deck[f"*NSET, NSET={name}"]}
        for name in ("AXIS", "EQUATOR", "PLATENODES")
    }
    ball = at[:-8]
    assert sets["AXIS"] == set(np.flatnonzero(ball[:, 0] == 0.0))
    assert sets["EQUATOR"] == set(np.flatnonzero(ball[:, 1] == 0.0))
    assert sets["PLATENODES"] == set(range(len(at) - 8, len(at)))
    plate_element = deck["*ELEMENT, TYPE=C3D8, ELSET=PLATE"][0].split(",")[0]
    assert deck["*SURFACE, NAME=FLAT, TYPE=ELEMENT"] == [f"{plate_element},S1"]
    assert deck["*SURFACE BEHAVIOR, PRESSURE-OVERCLOSURE=LINEAR"] == ["20000"]
    assert deck["*STATIC"] == ["0.04,1.0,1e-8,0.2"]
    assert "*STEP, NLGEOM, INC=100" in deck


def test_the_materials_are_the_strain_energy_of_the_body():
    text = deck_text(BODY, 6)
    given = re.findall(r"NEO HOOKE\n(\S+),(\S+)", text)
    assert len(given) == len(BODY.shear_modulus)
    for (c10, d1), g, k in zip(given, BODY.shear_modulus, BODY.bulk_modulus, strict=True):
        assert float(c10) == pytest.approx(0.5e-6 * g)
        assert float(d1) == pytest.approx(2.0 / (1e-6 * k))


def results(force, time):
    """Write what the solver prints of a sector of 2 degrees."""
    rows = (
        f" total force (fx,fy,fz) for set PLATENODES and time  {t:.9E}\n\n 0.0 {-f / 180:.9E} 0.0\n"
        for f, t in zip(force, time, strict=True)
    )
    return "\n".join(rows)


def test_analytic_deflection_of_a_power_law():
    """By Hertz F grows with d^(3/2): a spline of the logarithms is exact."""
    time = np.linspace(0.0, 1.0, 30)
    force = 1500.0 * time**1.5
    got, deflection = read_results(results(force, time), travel=1.5)
    assert (got > 1.0).all()
    assert len(got) == (force > 1.0).sum()
    np.testing.assert_allclose(deflection[-1], 3e-3)  # both plates
    expected = 3e-3 * ((HEAVY / 1500.0) ** (2 / 3) - (LIGHT / 1500.0) ** (2 / 3))
    assert deflection_of(got, deflection) == pytest.approx(expected, rel=1e-6)
    np.testing.assert_allclose([LIGHT, HEAVY], [98.0665, 1274.8645])


def test_results_that_stop_early_are_refused():
    time = np.linspace(0.0, 1.0, 9)
    read_results(results(np.linspace(0.0, 1275.0, 9), time))
    with pytest.raises(InputError, match=r"reach 1270 N, but 1275 N \(130 kgf\) are needed"):
        read_results(results(np.linspace(0.0, 1270.0, 9), time))
    with pytest.raises(InputError, match="reach 0 N"):
        read_results("nothing")
    broken = "PLATENODES and time  1.0\n\n 0.0 x 0.0\n"
    with pytest.raises(InputError, match="cannot be read"):
        read_results(broken)


def test_elements_are_no_thicker_than_one_and_a_half_of_their_length_at_the_equator():
    text, angular = deck_text(BODY, 12), 12
    nodes = np.array(
        [
            [float(x) for x in line.split(",")[1:3]]
            for line in text.split("*NODE")[1].split("*")[0].splitlines()
            if line.count(",") >= 2
        ]
    )
    axis = np.sort(nodes[np.abs(nodes[:, 0]) < 1e-9, 1])
    radius = float(BODY.outer_radius[-1]) * 1e3
    assert axis[-1] == pytest.approx(radius)
    corners = axis[::2]  # between them stand the middles of sides
    inner = corners < BODY.outer_radius[0] * 1e3
    assert np.diff(corners).max() <= 1.5 * radius / angular + 1e-9
    assert inner.sum() > 5
