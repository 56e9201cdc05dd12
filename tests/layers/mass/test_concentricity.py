"""Off-centre cores: against a numerical integration in space, and exact limits."""

from dataclasses import replace

import numpy as np
import pytest

from layers.ball import Body
from layers.errors import InputError
from layers.mass import concentricity, inertia
from layers.mass.concentricity import balance, off_centre


def body(radii, density, dimples=0.0):
    n = len(radii)
    return Body(
        outer_radius=np.array(radii, dtype=float),
        density=np.array(density, dtype=float),
        shear_modulus=np.full(n, 2e7),
        bulk_modulus=np.full(n, 1e9),
        dynamic_modulus_ratio=np.ones(n),
        relaxation_strength=np.zeros((n, 0)),
        relaxation_time=np.zeros((n, 0)),
        friction=0.4,
        dimple_volume_fraction=dimples,
    )


THREE = body([11e-3, 19e-3, 21.35e-3], [1350.0, 1100.0, 960.0])
APART = np.array([[1.1e-3, -0.4e-3, 0.7e-3], [-0.2e-3, 0.6e-3, 0.3e-3]])


def integrated(ball, offset):
    """Mass, first moment and inertia about the origin by rays from the ball's centre.

    Directions by Gauss-Legendre in cos(theta) and even steps in phi; along a ray the density jumps
    where it leaves each off-centre sphere, so that the radial integrals are exact in pieces.
    """
    z, weight = np.polynomial.legendre.leggauss(40)
    phi = 2 * np.pi * np.arange(80) / 80
    side = np.sqrt(1 - z**2)
    ray = np.stack(
        [np.outer(side, np.cos(phi)), np.outer(side, np.sin(phi)), np.outer(z, np.ones(80))], -1
    ).reshape(-1, 3)
    w = np.repeat(weight, 80) * 2 * np.pi / 80
    inner, mass, first, second = np.zeros(len(ray)), 0.0, np.zeros(3), np.zeros((3, 3))
    for radius, density, centre in zip(
        ball.outer_radius, ball.density, [*offset, np.zeros(3)], strict=True
    ):
        along = ray @ centre
        edge = along + np.sqrt(along**2 + radius**2 - centre @ centre)
        mass += density * w @ (edge**3 - inner**3) / 3
        first += density * (w * (edge**4 - inner**4) / 4) @ ray
        fifth = density * w * (edge**5 - inner**5) / 5
        second += np.einsum("i,ij,ik->jk", fifth, ray, ray)
        inner = edge
    return mass, first, np.trace(second) * np.eye(3) - second


def compare_with_integration():
    found = off_centre(THREE, APART)
    mass, first, about_origin = integrated(THREE, APART)
    x = first / mass
    about_mass = about_origin - mass * (x @ x * np.eye(3) - np.outer(x, x))
    assert found.mass == pytest.approx(mass, rel=1e-10)
    assert found.centre_of_mass == pytest.approx(x, abs=1e-12)
    assert found.imbalance == pytest.approx(np.linalg.norm(first), rel=1e-8)
    assert found.inertia == pytest.approx(about_mass, abs=1e-9 * about_mass[0, 0])
    assert found.principal_moments == pytest.approx(np.linalg.eigvalsh(about_mass), rel=1e-9)


def test_analytic_integration_in_space_of_two_offsets_in_3d():
    compare_with_integration()


def test_analytic_monte_carlo_of_points():
    # Independent of the quadrature's geometry: points told inside or outside each sphere. Pairs of
    # opposite points cancel what is even about the ball's centre.
    rng = np.random.default_rng(11)
    point = rng.uniform(-1, 1, (400_000, 3)) * THREE.outer_radius[-1]

    def density(at):
        value = np.zeros(len(at))
        rows = zip(THREE.outer_radius, THREE.density, [*APART, np.zeros(3)], strict=True)
        for radius, here, centre in reversed(list(rows)):
            value[((at - centre) ** 2).sum(1) < radius**2] = here
        return value

    pair = (density(point) - density(-point))[:, None] / 2 * point
    sample = pair * (2 * THREE.outer_radius[-1]) ** 3
    error = sample.std(0) / np.sqrt(len(point))
    found = off_centre(THREE, APART)
    moment = found.mass * found.centre_of_mass
    assert (np.abs(moment - sample.mean(0)) < 4 * error).all()
    assert np.linalg.norm(moment) > 15 * error.max()


def test_analytic_one_offset_of_two_layers_in_closed_form():
    # Heavy core of mass step m at distance d along x: the moment about x is that of the centred
    # ball, the two others grow by the reduced mass m (M - m) / M times d squared.
    ball, d = body([19e-3, 21.35e-3], [1200.0, 950.0]), 0.5e-3
    found = off_centre(ball, np.array([[d, 0.0, 0.0]]))
    step = 250.0 * 4 / 3 * np.pi * 19e-3**3
    added = step * (found.mass - step) / found.mass * d**2
    centred = inertia.moment_of_inertia(ball)
    assert found.principal_moments == pytest.approx([centred, centred + added, centred + added])
    assert np.abs(found.principal_axes[:, 0]) == pytest.approx([1, 0, 0], abs=1e-12)
    assert found.imbalance == pytest.approx(step * d, rel=1e-12)
    assert found.anisotropy == pytest.approx(added / (centred + 2 / 3 * added), rel=1e-6)
    assert found.thinnest == pytest.approx([19e-3, 1.85e-3])


def test_limits_no_offset_is_the_centred_ball_with_dimples():
    ball = replace(THREE, dimple_volume_fraction=0.007)
    found = off_centre(ball, np.zeros((2, 3)))
    assert found.mass == pytest.approx(inertia.mass(ball), rel=1e-14)
    assert found.principal_moments == pytest.approx([inertia.moment_of_inertia(ball)] * 3)
    assert found.imbalance == 0.0
    assert found.anisotropy == pytest.approx(0.0, abs=1e-14)


def test_limits_equal_densities_feel_no_offset():
    found = off_centre(body([11e-3, 19e-3, 21.35e-3], [1100.0] * 3), APART)
    assert found.imbalance == pytest.approx(0.0, abs=1e-18)
    assert found.anisotropy == pytest.approx(0.0, abs=1e-12)


def test_limits_turning_the_offsets_turns_the_axes():
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    here, there = off_centre(THREE, APART), off_centre(THREE, APART @ turn.T)
    assert there.principal_moments == pytest.approx(here.principal_moments, rel=1e-12)
    assert there.centre_of_mass == pytest.approx(turn @ here.centre_of_mass, abs=1e-15)


def test_an_interface_may_touch_but_not_cut_the_next():
    ball = body([19e-3, 21e-3], [1200.0, 950.0])
    assert off_centre(ball, np.array([[0.0, 0.0, 1.999e-3]])).thinnest[1] < 2e-6
    with pytest.raises(InputError, match=r"e 1 lies 2\.100 mm .* interface 2, .* within 2\.000 mm"):
        off_centre(ball, np.array([[0.0, 0.0, 2.1e-3]]))
    with pytest.raises(InputError, match=r"must be \(1, 3\)"):
        off_centre(ball, np.zeros((2, 3)))


def test_guard_a_density_one_per_mille_off_is_seen(monkeypatch):
    true = off_centre
    monkeypatch.setitem(
        globals(),
        "off_centre",
        lambda ball, at: true(replace(ball, density=ball.density * [1.001, 1, 1]), at),
    )
    with pytest.raises(AssertionError):
        compare_with_integration()
    assert concentricity.off_centre is true


def test_analytic_dimples_stay_centred_when_the_core_does_not():
    """The core's surplus against all else, dimples taken off, by their reduced mass."""
    ball, d = body([19e-3, 21.35e-3], [1200.0, 950.0], dimples=0.02), 0.5e-3
    found = off_centre(ball, np.array([[0.0, d, 0.0]]))
    surplus = 250.0 * 4 / 3 * np.pi * 19e-3**3
    total = inertia.mass(ball)
    assert found.mass == pytest.approx(total, rel=1e-13)
    assert found.centre_of_mass == pytest.approx([0.0, surplus * d / total, 0.0], rel=1e-12)
    centred = inertia.moment_of_inertia(ball)
    added = surplus * (total - surplus) / total * d**2
    assert np.diag(found.inertia) == pytest.approx([centred + added, centred, centred + added])


def test_many_pieces_are_each_as_one_alone():
    rng = np.random.default_rng(5)
    many = inertia.Pieces(
        outer_radius=THREE.outer_radius * (1.0 + 0.01 * rng.standard_normal((4, 1))),
        density=THREE.density * (1.0 + 0.02 * rng.standard_normal((4, 3))),
        dimple_volume_fraction=0.01,
        dimple_depth=0.2e-3,
    )
    offset = 0.5e-3 * rng.standard_normal((4, 2, 3))
    found = balance(many, offset)
    for i in range(4):
        one = replace(
            THREE,
            outer_radius=many.outer_radius[i],
            density=many.density[i],
            dimple_volume_fraction=0.01,
            dimple_depth=0.2e-3,
        )
        alone = off_centre(one, offset[i])
        assert found.mass[i] == pytest.approx(alone.mass, rel=1e-13)
        assert found.imbalance[i] == pytest.approx(alone.imbalance, rel=1e-10)
        np.testing.assert_allclose(found.centre_of_mass[i], alone.centre_of_mass, rtol=1e-10)
        np.testing.assert_allclose(found.inertia[i], alone.inertia, rtol=1e-10, atol=1e-16)
        np.testing.assert_allclose(found.principal_moments[i], alone.principal_moments, rtol=1e-10)
        assert inertia.mass(many)[i] == pytest.approx(inertia.mass(one), rel=1e-13)
        assert inertia.moi_ratio(many)[i] == pytest.approx(inertia.moi_ratio(one), rel=1e-13)
        assert inertia.mean_density(many)[i] == pytest.approx(inertia.mean_density(one), rel=1e-13)
        smooth = inertia.solver_density(many)[i]
        np.testing.assert_allclose(smooth, inertia.solver_density(one), rtol=1e-13)
    np.testing.assert_array_equal(smooth[:-1], one.density[:-1])


def test_limits_interfaces_that_touch_and_which_of_them_cut():
    ball = body([0.25, 0.5, 0.75], [1.0, 1.0, 1.0])  # powers of two: the touch is exact
    touching = np.array([[0.0, 0.0, 0.0], [0.0, 0.25, 0.0]])
    touching[0] = touching[1]
    assert off_centre(ball, touching).thinnest.tolist() == [0.25, 0.25, 0.0]
    touching[1, 1] = 0.26
    with pytest.raises(InputError) as found:
        off_centre(ball, touching)
    assert str(found.value) == (
        "interface 2 lies 260.000 mm from the centre of interface 3, but must be within 250.000 "
        "mm, or it cuts it."
    )
    for wrong in (np.full((2, 3), np.nan), np.zeros((1, 3)), np.zeros((2, 2)), np.zeros(3)):
        with pytest.raises(InputError, match=r"but must be \(2, 3\) of finite numbers"):
            off_centre(ball, wrong)
