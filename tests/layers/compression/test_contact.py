"""The plate's push, run by Python: areas of a sphere, slopes of the penalty's energy, the rim."""

import numpy as np
import pytest

from layers.compression.contact import contact_points, push, touch
from layers.numerics.layout import layout

RADIUS = 0.0213


@pytest.fixture(scope="module")
def section():
    """Return nodes and edges of the outer surface of a quarter, with points and areas."""
    mesh = layout(((1.0,),), tuple(np.linspace(0.0, 0.5 * np.pi, 13)), 3)
    points = mesh.basis @ np.array([RADIUS])
    return points, mesh.edges, *contact_points(points, mesh.edges)


def test_analytic_areas_of_the_half_sphere_and_of_its_caps(section):
    """2 pi R^2 in all; the cap above a height h has 2 pi R (R - h); N sums to one."""
    points, edges, shape, area = section
    np.testing.assert_allclose(shape.sum(axis=1), 1.0)
    assert area.sum() == pytest.approx(2.0 * np.pi * RADIUS**2, rel=1e-6)
    edge = points[edges[3, 2], 1]
    assert area[:4].sum() == pytest.approx(2.0 * np.pi * RADIUS * (RADIUS - edge), rel=1e-5)
    middle = points[edges[:, 1]]
    np.testing.assert_allclose(np.hypot(*middle.T), RADIUS)
    at = shape @ np.array([-1.0, 0.0, 1.0])  # points along an edge by quadratic functions
    np.testing.assert_allclose(shape @ np.array([1.0, 0.0, 1.0]), at**2, atol=1e-15)


def moved(points, size):
    rng = np.random.default_rng(2)
    return size * RADIUS * rng.normal(size=2 * len(points))


def pushed(section, u, height, stiffness, touching, width):
    points, edges, shape, _ = section
    band, force = np.zeros((len(u), width)), np.zeros(len(u))
    pull = np.full(len(u), np.nan)
    total, rate = push.py_func(
        points, u, height, edges, shape, stiffness, touching, band, force, pull
    )
    return total, rate, band, force, pull


def test_analytic_the_push_is_the_slope_of_the_penalty_s_energy(section):
    """Sum of k gap^2 / 2 over the points that touch: forces, their slopes, and by the height."""
    points, edges, shape, area = section
    u, height = moved(points, 1e-3), 0.985 * RADIUS
    stiffness = 3e9 * area
    touching = np.zeros(area.shape, dtype=bool)
    touching[:3], touching[3, :2] = True, True
    width = 2 * len(points)

    def energy(u, height):
        z = points[:, 1] + u[1::2]
        gap = height - np.einsum("pa,ka->kp", shape, z[edges])
        return 0.5 * float((stiffness * gap**2)[touching].sum())

    total, rate, band, force, pull = pushed(section, u, height, stiffness, touching, width)
    step = 1e-7

    def slope(at):
        return (energy(*at(step)) - energy(*at(-step))) / (2.0 * step)

    assert total == pytest.approx(-slope(lambda s: (u, height + s)), rel=1e-6)
    second = energy(u, height + step) - 2.0 * energy(u, height) + energy(u, height - step)
    assert rate == pytest.approx(second / step**2, rel=1e-3)
    ups = pushed(section, u, height + step, stiffness, touching, width)[3]
    np.testing.assert_allclose(pull, (ups - force) / step, rtol=1e-5, atol=1e-3)
    tangent = band_matrix(band)
    for unknown in np.unique(2 * edges[:5] + 1):
        push_of = np.eye(len(u))[unknown]
        found = slope(lambda s, e=push_of: (u + s * e, height))
        assert force[unknown] == pytest.approx(found, rel=1e-5, abs=1e-6)
        after = pushed(section, u + step * push_of, height, stiffness, touching, width)[3]
        np.testing.assert_allclose(tangent[unknown], (after - force) / step, rtol=1e-4, atol=1e-2)
    assert not force[::2].any()


def band_matrix(band):
    """Return the symmetric matrix whose entry (i + d, i) is band[i, d]."""
    count = len(band)
    whole = np.zeros((count, count))
    for i in range(count):
        for d in range(min(band.shape[1], count - i)):
            whole[i + d, i] = whole[i, i + d] = band[i, d]
    return whole


def test_analytic_the_rim_of_a_sphere_cut_by_the_plate(section):
    """r^2 = R^2 - h^2 now; before loading the same points' radius without the displacements."""
    points, edges, shape, area = section
    height = 0.97 * RADIUS
    still = np.zeros(2 * len(points))
    touching = np.zeros(area.shape, dtype=bool)
    square, radius, origin, same = touch.py_func(
        points, still, height, edges, shape, area, 0.0, touching
    )
    rim = np.sqrt(RADIUS**2 - height**2)
    assert (radius, origin) == pytest.approx((rim, rim), rel=2e-3)
    assert not same
    # The integral of (z - h)^2 over the cap: 2 pi R (R - h)^3 / 3.
    assert square == pytest.approx(2.0 * np.pi * RADIUS * (RADIUS - height) ** 3 / 3.0, rel=0.02)
    z = np.einsum("pa,ka->kp", shape, points[edges, 1])
    np.testing.assert_array_equal(touching, z > height)
    again = touch.py_func(points, still, height, edges, shape, area, 0.0, touching)
    assert again[3]
    wider = still.copy()
    wider[::2] = 0.1 * points[:, 0]  # stretched across: the rim is wider than before loading
    _, radius, origin, _ = touch.py_func(points, wider, height, edges, shape, area, 0.0, touching)
    assert radius == pytest.approx(1.1 * rim, rel=2e-3)
    assert origin == pytest.approx(rim, rel=2e-3)


def test_a_reach_decides_by_where_points_lay_before(section):
    points, edges, shape, area = section
    touching = np.zeros(area.shape, dtype=bool)
    u = moved(points, 1e-3)
    touch.py_func(points, u, 10.0 * RADIUS, edges, shape, area, 0.3 * RADIUS, touching)
    r = np.einsum("pa,ka->kp", shape, points[edges, 0])
    np.testing.assert_array_equal(touching, r < 0.3 * RADIUS)


def test_points_that_just_meet_the_plate_do_not_touch():
    """Three points of an edge by themselves: the rim is at a point that lies on the plate."""
    points, edges = np.array([[0.0, 1.0], [0.5, 0.9], [1.0, 0.7]]), np.array([[0, 1, 2]])

    def touched(height, reach=0.0):
        touching = np.zeros((1, 3), dtype=bool)
        given = (edges, np.eye(3), np.ones((1, 3)), reach, touching)
        square, radius, origin, _ = touch.py_func(points, np.zeros(6), height, *given)
        return (square, radius, origin), touching[0].tolist()

    assert touched(1.0) == ((0.0, 0.0, 0.0), [False] * 3)
    assert touched(0.9) == ((pytest.approx(0.01), 0.5, 0.5), [True, False, False])
    assert touched(0.8)[0] == pytest.approx((0.05, 0.75, 0.75))
    assert touched(2.0, reach=0.5)[1] == [True, False, False]
    assert touched(2.0, reach=0.51)[1] == [True, True, False]
