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
from layers.graded.profile import Profile
from tests.helpers.calculix import BUILDS
from tests.helpers.staircase import graded_ball

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


def test_the_block_is_straight_and_follows_the_arcs_angles(grid):
    """0.4 of the innermost radius wide, a tenth more at its corner, which lies half way round."""
    angular, width = 12, 0.4 * RADII[0]
    outer = grid.points[grid.quads[grid.surface]].reshape(-1, 2)
    outer = outer[np.abs(np.linalg.norm(outer, axis=1) - RADII[-1]) < 1e-9]
    angle = np.unique(np.round(np.arctan2(outer[:, 0], outer[:, 1]), 9))
    assert len(angle) == 2 * angular + 1  # with the middles of sides
    middle = angle[angular]
    corner = 1.1 * width * np.array([np.sin(middle), np.cos(middle)])
    inner = grid.points[np.unique(grid.quads[: (angular // 2) ** 2])]
    for across, start in (
        (angle[: angular + 1] / middle, [0.0, width]),
        ((np.pi / 2 - angle[angular:]) / (np.pi / 2 - middle), [width, 0.0]),
    ):
        side = np.array(start) + across[:, None] * (corner - start)
        apart = np.linalg.norm(side[:, None] - inner, axis=2).min(axis=1)
        np.testing.assert_allclose(apart, 0.0, atol=1e-7)
    assert len(inner) == 3 * (angular // 2) ** 2 + 4 * (angular // 2) + 1
    # Half-elements of each ring lie evenly between the block's edge or layer below and its layer.
    pole = np.sort(grid.points[grid.points[:, 0] == 0.0, 1])
    rings = [(width, RADII[0], 6), (RADII[0], RADII[1], 10), (RADII[1], RADII[2], 4)]
    expected = np.concatenate([np.linspace(a, b, n + 1)[1:] for a, b, n in rings])
    np.testing.assert_allclose(pole[-20:], expected, atol=1e-6)


def test_elements_layers_and_surface_of_the_deck_are_the_grids():
    text = deck_text(BODY, 6, travel=1.5)
    deck, radii = blocks(text), BODY.outer_radius * 1e3
    grid = quarter_grid(radii, 6, 1.5 * radii[-1] / 6)
    for layer in range(len(radii)):
        rows = deck[f"*ELEMENT, TYPE=CAX8R, ELSET=LAYER{layer}"]
        told = np.array([row.split(",") for row in rows], dtype=int)
        mine = np.flatnonzero(grid.layer == layer)
        np.testing.assert_array_equal(told[:, 0], mine + 1)
        np.testing.assert_array_equal(told[:, 1:], grid.quads[mine] + 1)
        assert f"*SOLID SECTION, ELSET=LAYER{layer}, MATERIAL=M{layer}" in deck
        assert f"*MATERIAL, NAME=M{layer}" in deck
    assert f"*ELEMENT, TYPE=CAX8R, ELSET=LAYER{len(radii)}" not in deck
    assert deck["*SURFACE, NAME=BALL, TYPE=ELEMENT"] == [f"{e + 1},S3" for e in grid.surface]
    nodes = np.array([row.split(",") for row in deck["*NODE, NSET=NALL"]], dtype=float)
    np.testing.assert_allclose(nodes[:-8, 1:3], grid.points, atol=1e-9)
    assert not nodes[:-8, 3].any()
    first = len(grid.quads) + 1
    at = len(grid.points)
    brick = [at + n for n in (1, 3, 4, 2, 5, 7, 8, 6)]
    assert deck["*ELEMENT, TYPE=C3D8, ELSET=PLATE"] == [",".join(map(str, [first, *brick]))]
    assert deck["*ELASTIC"] == ["200000.,0.3"]
    assert text.endswith(
        "*CONTACT PAIR, INTERACTION=TOUCH, TYPE=SURFACE TO SURFACE\nBALL,FLAT\n*BOUNDARY\n"
        "AXIS,1,1\nEQUATOR,2,2\nPLATENODES,1,3\n*STEP, NLGEOM, INC=200\n*STATIC\n"
        "0.02,1.0,1e-8,0.1\n*BOUNDARY\nPLATENODES,2,2,-1.5\n"
        "*NODE PRINT, NSET=PLATENODES, TOTALS=ONLY\nRF\n*END STEP\n"
    )


def test_a_deck_is_by_default_of_sixteen_elements_and_two_millimetres():
    """The live check's own; the plate goes 2 mm, beyond 130 kgf, in at least ten increments."""
    assert deck_text(BODY) == deck_text(BODY, 16, 2.0, 30_000.0, 10)
    assert "\n30000\n" in deck_text(BODY)


def test_a_graded_layer_has_the_moduli_of_its_elements_middles():
    ball = graded_ball(Profile(surface_over_centre=6.0, shape=1.5))
    body = ball.body()
    text = deck_text(body, 6)
    deck, radii = blocks(text), body.outer_radius * 1e3
    grid = quarter_grid(radii, 6, 1.5 * radii[-1] / 6)
    numbers = re.findall(r"NAME=M(\d+)\n\*HYPERELASTIC, NEO HOOKE\n(\S+),(\S+)", text)
    shear = np.array([2e6 * float(c) for _, c, _ in numbers])
    bulk = np.array([2e6 / float(d) for _, _, d in numbers])
    seen = 0
    for number in range(len(shear)):
        for row in deck[f"*ELEMENT, TYPE=CAX8R, ELSET=LAYER{number}"]:
            element = int(row.split(",")[0]) - 1
            middle = np.linalg.norm(grid.points[grid.quads[element, :4]].mean(axis=0))
            layer, curve = grid.layer[element], body.modulus_curve[grid.layer[element]]
            by = 1.0 if curve is None else float(curve.at(np.array(1e-3 * middle)))
            assert shear[number] / body.shear_modulus[layer] == pytest.approx(by, abs=5.01e-4)
            assert bulk[number] / shear[number] == pytest.approx(
                body.bulk_modulus[layer] / body.shear_modulus[layer], rel=1e-9
            )
            seen += 1
    assert seen == len(grid.quads)
    assert len(shear) > 5


def test_the_plates_first_newton_is_where_contact_begins():
    """Rows up to 1 N are left out; a deck of another travel has other deflections."""
    time, force = np.array([0.0, 0.25, 0.5, 1.0]), np.array([0.0, 0.999, 1.001, 1274.9])
    got, deflection = read_results(results(force, time))
    np.testing.assert_allclose(got, [1.001, 1274.9], rtol=1e-6)
    np.testing.assert_allclose(deflection, [2e-3, 4e-3])
