"""Meshes of spheres and their elements: linear fields, volumes, poles, rings, tensors."""

import numpy as np
import pytest

from layers.numerics import tensors
from layers.numerics.cubed_sphere import Counts, half_sphere
from layers.numerics.hexes import CORNERS, PATTERNS, hex_geometry
from layers.numerics.mesh import sphere_mesh

RINGS = ((0.4, 1.0), (1.0,), (0.5, 1.0))
RADII = np.array([0.011, 0.0185, 0.0213])
COUNTS = Counts(6, 4, 6, RINGS, focus=0.7, block=0.55)


@pytest.fixture(scope="module")
def half():
    return half_sphere(RADII, COUNTS)


def test_analytic_mean_gradients_of_linear_fields_and_volume(half):
    """Sum of x_i dN/dx_j is the unit tensor, of 1 nothing; the faces' outward flux of x is 3 V."""
    gradient, volume, _, position = hex_geometry(half.points, half.hexes)
    b = gradient.reshape(8, 3, -1)
    corners = half.points[:, half.hexes]  # (3, 8, m)
    np.testing.assert_allclose(
        np.einsum("iae,aje->ije", corners, b),
        np.broadcast_to(np.eye(3)[:, :, None], (3, 3, len(volume))),
        atol=1e-12,
    )
    np.testing.assert_allclose(b.sum(axis=0), 0.0, atol=1e-8)
    # Six bilinear faces: a quarter of the corners' sum dot the cross of the diagonals is exact
    # for flat ones; two ways to cut each into triangles bound what a bent one holds.
    faces = ((0, 4, 6, 2), (1, 3, 7, 5), (0, 1, 5, 4), (2, 6, 7, 3), (0, 2, 3, 1), (4, 5, 7, 6))
    total = np.zeros(len(volume))
    for p, q, r, s in faces:
        for one, two, three in ((p, q, r), (p, r, s), (q, r, s), (q, s, p)):
            a, c, d = corners[:, one], corners[:, two], corners[:, three]
            total += 0.5 * np.einsum("ie,ie->e", a, np.cross(c, d, axis=0)) / 6.0
    np.testing.assert_allclose(volume, total, rtol=1e-9)
    patterns = np.einsum("pa,iae->pie", PATTERNS, corners).reshape(12, -1)
    np.testing.assert_allclose(position, patterns, atol=1e-18)


def test_analytic_metric_of_a_sheared_brick():
    """x = A xi: the gradients of the local coordinates are the rows of A^-1."""
    a = np.array([[2.0, 0.3, 0.1], [0.0, 1.5, -0.2], [0.2, 0.1, 0.8]])
    points = a @ CORNERS.T
    gradient, volume, metric, _ = hex_geometry(points, np.arange(8)[:, None])
    assert volume[0] == pytest.approx(8.0 * np.linalg.det(a))
    np.testing.assert_allclose(metric[:, 0], (np.linalg.inv(a) ** 2).sum(axis=1))
    expected = CORNERS @ np.linalg.inv(a) / 8.0
    np.testing.assert_allclose(gradient[:, 0].reshape(8, 3), expected, atol=1e-14)


def test_patterns_are_beside_all_linear_fields_and_each_other():
    assert sorted(map(tuple, CORNERS)) == sorted(
        (x, y, z) for x in (-1.0, 1.0) for y in (-1.0, 1.0) for z in (-1.0, 1.0)
    )
    assert [tuple(CORNERS[1 << i]) for i in range(3)] == [(1, -1, -1), (-1, 1, -1), (-1, -1, 1)]
    np.testing.assert_array_equal(PATTERNS @ PATTERNS.T, 8.0 * np.eye(4))
    np.testing.assert_array_equal(PATTERNS @ CORNERS, np.zeros((4, 3)))
    np.testing.assert_array_equal(PATTERNS.sum(axis=1), np.zeros(4))


def test_analytic_the_half_sphere_and_its_layers(half):
    _, volume, _, _ = hex_geometry(half.points, half.hexes)
    below = 0.0
    for layer, radius in enumerate(RADII):
        whole = 2.0 / 3.0 * np.pi * radius**3
        made = volume[half.layer == layer].sum()
        assert made == pytest.approx(whole - below, rel=0.06)
        assert made < whole - below  # flat sides lie inside the sphere
        below = whole
    outer = half.points[:, half.surface]
    np.testing.assert_allclose(np.linalg.norm(outer, axis=0), RADII[-1], rtol=1e-12)
    np.testing.assert_array_equal(half.plane, np.flatnonzero(half.points[1] == 0.0))
    assert half.points[1].min() == 0.0
    assert len(np.unique(half.hexes)) == half.points.shape[1]


def test_faces_go_round_seen_from_outside(half):
    corners = half.points[:, half.surface[half.faces]]
    normal = np.cross(corners[:, 2] - corners[:, 0], corners[:, 3] - corners[:, 1], axis=0)
    assert (np.einsum("if,if->f", normal, corners.mean(axis=1)) > 0.0).all()
    assert len(np.unique(half.faces)) == len(half.surface)
    used = {frozenset(half.surface[quad]) for quad in half.faces.T}
    outer = {frozenset(nodes[4:]) for nodes in half.hexes.T[half.layer == 2][-len(used) :]}
    assert used == outer


def test_rings_lie_where_their_shares_say(half):
    """Nodes of a column: on the interfaces, half way, and the innermost ring between."""
    columns = len(half.surface)
    rows = half.points[:, -5 * columns :].reshape(3, 5, columns)
    radius = np.linalg.norm(rows, axis=0)
    np.testing.assert_allclose(
        radius[1:], np.outer([*RADII[:2], 0.5 * (RADII[1] + RADII[2]), RADII[2]], np.ones(columns))
    )
    np.testing.assert_allclose(rows[:, 1] / RADII[0], rows[:, 4] / RADII[2], atol=1e-12)
    assert (radius[0] < RADII[0]).all()
    assert radius[0].min() > 0.5 * RADII[0]


@pytest.mark.parametrize("focus", [1.0, 0.6])
def test_the_surface_is_finer_at_the_contact_by_the_focus(focus):
    """tan(a'/2) = f tan(a/2) from the pole at -x: there sizes shrink by f, opposite they grow."""
    plain = half_sphere(RADII, Counts(8, 4, 8, RINGS, focus=1.0))
    moved = half_sphere(RADII, Counts(8, 4, 8, RINGS, focus=focus))
    angle, new = (
        np.arccos(np.clip(-mesh.points[0, mesh.surface] / RADII[-1], -1.0, 1.0))
        for mesh in (plain, moved)
    )
    inside = (angle > 1e-6) & (angle < np.pi - 1e-6)
    np.testing.assert_allclose(
        np.tan(0.5 * new[inside]), focus * np.tan(0.5 * angle[inside]), rtol=1e-9
    )
    across, also = (mesh.points[1:, mesh.surface][:, inside] for mesh in (plain, moved))
    np.testing.assert_allclose(
        across / np.linalg.norm(across, axis=0), also / np.linalg.norm(also, axis=0), atol=1e-9
    )


def test_inside_the_focus_fades_with_the_radius():
    """tan(a'/2) = f^r tan(a/2) at a share r of the radius: none at the centre, where it tears."""
    one = ((0.3, 0.7, 1.0),)
    plain, moved = (
        half_sphere(np.array([1.0]), Counts(4, 3, 4, one, focus=focus)).points
        for focus in (1.0, 0.6)
    )
    radius = np.linalg.norm(plain, axis=0)
    np.testing.assert_allclose(np.linalg.norm(moved, axis=0), radius, atol=1e-12)
    off = radius > 1e-9
    angle, new = (np.arctan2(np.hypot(p[1], p[2]), -p[0])[off] for p in (plain, moved))
    beside = (angle > 1e-6) & (angle < np.pi - 1e-6)
    np.testing.assert_allclose(
        np.tan(0.5 * new[beside]),
        (0.6 ** radius[off] * np.tan(0.5 * angle))[beside],
        rtol=1e-9,
    )
    np.testing.assert_allclose(moved[1] * plain[2], moved[2] * plain[1], atol=1e-12)
    (still,) = np.nonzero(~off)
    np.testing.assert_allclose(moved[:, still], 0.0, atol=1e-300)


def test_analytic_the_block_is_a_cube_that_bulges_a_quarter_toward_a_ball():
    """At the middle of a side, of an edge and at a corner: a ball's share is 1, 1/sqrt 2, 1/sqrt 3.

    The cube itself is made 0.8 as wide, so that it does not poke out of the ball.
    """
    mesh = half_sphere(np.array([1.0]), Counts(2, 1, 2, ((1.0,),), focus=1.0, block=0.5))
    block = mesh.points[:, : 3 * 2 * 3].reshape(3, 3, 2, 3)
    for (i, j, k), ways in (
        ((2, 0, 1), 1), ((0, 0, 1), 1), ((1, 1, 1), 1), ((2, 0, 2), 2), ((1, 1, 0), 2),
        ((0, 1, 2), 3), ((2, 1, 0), 3),
    ):  # fmt: skip
        signs = np.array([i - 1.0, j, k - 1.0])
        place = 0.5 * (0.75 * 0.8 + 0.25 / np.sqrt(ways)) * signs
        np.testing.assert_allclose(block[:, i, j, k], place, atol=1e-12)
    np.testing.assert_allclose(block[:, 1, 0, 1], 0.0, atol=1e-15)


def test_the_half_sphere_is_even_left_to_right_and_linear_in_its_radii(half):
    mirrored = half.points * np.array([[1.0], [1.0], [-1.0]])
    ordered = [np.round(p.T / RADII[-1], 9) + 0.0 for p in (half.points, mirrored)]
    one, two = (rows[np.lexsort(rows.T)] for rows in ordered)
    np.testing.assert_allclose(one, two, atol=1e-8)
    other = RADII * [0.8, 1.1, 1.05]
    sum_of = half_sphere(RADII + other, COUNTS).points
    np.testing.assert_allclose(sum_of, half.points + half_sphere(other, COUNTS).points, atol=1e-15)


ANGLES = {"quarter": 0.5 * np.pi, "half": np.pi}


@pytest.mark.parametrize("part", ANGLES)
def test_analytic_the_section_of_a_sphere(part):
    """All elements turn the same way; axis, equator, interfaces and volumes are the sphere's."""
    angles = np.linspace(0.0, ANGLES[part], 33 if part == "half" else 17)
    rings = (np.array([0.5, 1.0]), np.array([0.3, 1.0]))
    radii = np.array([0.015, 0.021])
    side = 5
    mesh = sphere_mesh(radii, rings, angles, side)
    r, z = np.moveaxis(mesh.points[mesh.quads], -1, 0).transpose(0, 2, 1)
    area = 0.5 * ((r[2] - r[0]) * (z[3] - z[1]) - (r[3] - r[1]) * (z[2] - z[0]))
    assert (area > 0.0).all()
    # Two triangles, each times 2 pi of its middle's radius.
    volume = sum(
        np.pi
        / 3.0
        * (r[a] + r[b] + r[c])
        * ((r[b] - r[a]) * (z[c] - z[a]) - (r[c] - r[a]) * (z[b] - z[a]))
        for a, b, c in ((0, 1, 2), (0, 2, 3))
    )
    share = 1.0 if part == "half" else 0.5
    inner = volume[mesh.layer == 0].sum()
    assert inner == pytest.approx(share * 4.0 / 3.0 * np.pi * 0.015**3, rel=0.02)
    outer = share * 4.0 / 3.0 * np.pi * (0.021**3 - 0.015**3)
    assert volume[mesh.layer == 1].sum() == pytest.approx(outer, rel=0.02)
    surface = mesh.points[mesh.surface]
    np.testing.assert_allclose(surface, 0.021 * np.column_stack([np.sin(angles), np.cos(angles)]),
                               atol=1e-12)  # fmt: skip
    rows = mesh.points[-4 * len(angles) :].reshape(4, len(angles), 2)
    radius = np.linalg.norm(rows, axis=2)
    np.testing.assert_allclose(radius[1], 0.015, rtol=1e-12)
    np.testing.assert_allclose(radius[2], 0.015 + 0.3 * 0.006, rtol=1e-12)
    block = mesh.points[: -4 * len(angles)]
    tall = len(angles) - 1 - (2 if part == "half" else 1) * side
    assert len(block) == (side + 1) * (tall + 1)
    assert (block[:: side + 1, 0] == 0.0).all()
    corner = np.linalg.norm(block, axis=1).max()
    assert corner < 0.015
    if part == "quarter":
        assert (block[: side + 1, 1] == 0.0).all()


def test_the_block_takes_angles_of_its_own():
    """Where the surface's crowd toward a pole the block's edge keeps even ones."""
    crowded = np.pi * np.linspace(0.0, 1.0, 25) ** 1.3
    even = np.linspace(0.0, np.pi, 25)
    rings = (np.array([1.0]),)
    own = sphere_mesh(np.array([0.02]), rings, crowded, 4, even)
    same = sphere_mesh(np.array([0.02]), rings, even, 4)
    block = (4 + 1) * (25 - 1 - 8 + 1)
    np.testing.assert_allclose(own.points[:block], same.points[:block], atol=1e-15)
    np.testing.assert_allclose(own.points[own.surface][:, 1], 0.02 * np.cos(crowded), atol=1e-15)


def block_of(mesh, side, tall):
    return mesh.points[: (side + 1) * (tall + 1)].reshape(tall + 1, side + 1, 2)


@pytest.mark.parametrize("part", ANGLES)
def test_analytic_the_blocks_free_sides_lie_half_way_from_a_square_to_a_circle(part):
    """Of 0.45 of the radius: the mean of each point of the arc and of its ray's on the square."""
    side, tall, radius = 3, 6, 0.02
    angles = ANGLES[part] * np.linspace(0.0, 1.0, tall + side * (2 if part == "half" else 1) + 1)
    block = block_of(sphere_mesh(np.array([radius]), (np.array([1.0]),), angles, side), side, tall)
    rim = [*block[-1], *block[-2::-1, -1], *(block[0, -2::-1] if part == "half" else ())]
    arc = np.column_stack([np.sin(angles), np.cos(angles)])
    for number, (point, on) in enumerate(zip(rim, arc, strict=True)):
        across, up = arc[side]
        ray = up / abs(on[1]) if number <= side or number > side + tall else across / on[0]
        np.testing.assert_allclose(point, 0.45 * radius * on * (0.5 * ray + 0.5), atol=1e-15)


def test_the_quarter_is_the_upper_half_of_the_half_which_is_even_up_and_down():
    side, tall = 3, 5
    rings, radii = (np.array([0.6, 1.0]),), np.array([0.02])
    quarter = sphere_mesh(radii, rings, 0.5 * np.pi * np.linspace(0, 1, side + tall + 1), side)
    half = sphere_mesh(radii, rings, np.pi * np.linspace(0, 1, 2 * (side + tall) + 1), side)
    upper = half.points[half.points[:, 1] > -1e-12]
    for rows, others in ((quarter.points, upper), (half.points * [1.0, -1.0], half.points)):
        apart = np.linalg.norm(rows[:, None] - others, axis=2).min(axis=1)
        assert len(rows) == len(others)
        np.testing.assert_allclose(apart, 0.0, atol=1e-15)


def test_a_block_as_tall_as_wide_is_even_about_its_diagonal():
    mesh = sphere_mesh(
        np.array([0.02]), (np.array([1.0]),), 0.5 * np.pi * np.linspace(0.0, 1.0, 9), 4
    )
    block = block_of(mesh, 4, 4)
    np.testing.assert_allclose(block, block.transpose(1, 0, 2)[..., ::-1], atol=1e-15)


# Tensors on lanes: the same formulas on plain numbers, against matrices.


def matrix(a):
    xx, yy, zz, xy, yz, zx = a
    return np.array([[xx, xy, zx], [xy, yy, yz], [zx, yz, zz]])


A, B, D = np.random.default_rng(6).normal(size=(3, 6))


def test_analytic_tensors_are_matrices():
    a, b, d = matrix(A), matrix(B), matrix(D)
    cofactors = np.linalg.inv(a).T * np.linalg.det(a)
    np.testing.assert_allclose(matrix(tensors.symmetric_cofactors.py_func(A)), cofactors)
    assert tensors.product_trace.py_func(A, B) == pytest.approx(np.trace(a @ b))
    np.testing.assert_allclose(matrix(tensors.symmetric_square.py_func(A)), a @ a)
    v = np.array([0.3, -0.7, 1.1])
    np.testing.assert_allclose(tensors.times.py_func(a + 0.1, *v), (a + 0.1) @ v)
    added = matrix(tensors.add_square.py_func(A, v, 0.4))
    np.testing.assert_allclose(added, a + 0.4 * np.outer(v, v))
    np.testing.assert_allclose(tensors._row.py_func(D, *v), v @ d)


def test_analytic_trace_of_four(monkeypatch):
    monkeypatch.setattr(tensors, "_row", tensors._row.py_func)
    a, b, d = matrix(A), matrix(B), matrix(D)
    assert tensors.pair_trace.py_func(A, D, B) == pytest.approx(np.trace(a @ d @ b @ d))


@pytest.mark.parametrize("x", [0.7, 0.9, 1.0, 1.2, 1.4])
def test_analytic_inverse_cube_root(x):
    """To 1e-13 in double precision; a step of Newton's less is enough for single."""
    exact = x ** (-1 / 3)
    assert tensors.inverse_cube_root.py_func(x, True) == pytest.approx(exact, rel=2e-13)
    assert tensors.inverse_cube_root.py_func(x, False) == pytest.approx(exact, rel=1e-9)
