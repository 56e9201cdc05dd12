"""Mass and inertia: analytic identities and published values."""

import numpy as np
import pytest

from layers.ball import Body
from layers.mass import inertia


def body(radii, density, dimples=0.0):
    n = len(radii)
    zero = np.zeros((n, 0))
    return Body(
        outer_radius=np.array(radii, dtype=float),
        density=np.array(density, dtype=float),
        shear_modulus=np.full(n, 2e7),
        bulk_modulus=np.full(n, 1e9),
        dynamic_modulus_ratio=np.ones(n),
        relaxation_strength=zero,
        relaxation_time=zero,
        friction=0.4,
        dimple_volume_fraction=dimples,
    )


def test_published_uniform_ball():
    # Proceedings 2020, 49(1), 47, Table 1: 45.93 g, 42.67 mm, I = 83.63 g cm2; mean density
    # 1.1291 g/cm3 follows.
    radius, mass = 42.67e-3 / 2, 45.93e-3
    ball = body([radius], [mass / (4 / 3 * np.pi * radius**3)])
    assert inertia.mass(ball) == pytest.approx(mass, rel=1e-12)
    assert 1e7 * inertia.moment_of_inertia(ball) == pytest.approx(83.63, abs=0.01)
    assert 1e-3 * inertia.mean_density(ball) == pytest.approx(1.1291, abs=5e-5)
    assert inertia.moi_ratio(ball) == pytest.approx(0.4, rel=1e-12)


def test_published_measured_ball_needs_a_light_cover():
    # Naruo, Mizota, Shimozono 2004, Trans. JSME B 70(697) 2371 (as restated elsewhere): 45.6 g,
    # 42.7 mm, I/(m R^2) = 0.390, below 0.4. A cover lighter than the core gives that; the same
    # ball turned inside out cannot.
    core, shell = 1180.0, 960.0
    ball = body([19.35e-3, 21.35e-3], [core, shell], dimples=0.007)
    heavy_outside = body([19.35e-3, 21.35e-3], [shell, core], dimples=0.007)
    assert 1e3 * inertia.mass(ball) == pytest.approx(45.6, abs=0.5)
    assert inertia.moi_ratio(ball) == pytest.approx(0.390, abs=0.003)
    assert inertia.moi_ratio(heavy_outside) > 0.402


def test_analytic_splitting_a_layer_changes_nothing():
    whole = body([0.02], [1100.0])
    split = body([0.01, 0.013, 0.02], [1100.0] * 3)
    assert inertia.mass(split) == pytest.approx(inertia.mass(whole), rel=1e-14)
    assert inertia.moment_of_inertia(split) == pytest.approx(
        inertia.moment_of_inertia(whole), rel=1e-14
    )


def test_analytic_quadrature_of_density():
    # Against a plain radial quadrature, dimples included as a void fraction under the surface.
    radii, density, fraction, depth = (
        [0.011, 0.019, 0.02135],
        [1300.0, 1100.0, 950.0],
        0.01,
        0.15e-3,
    )
    ball = body(radii, density, dimples=fraction)
    edges = np.array([0.0, *radii[:2], radii[2] - depth, radii[2]])
    void = fraction * radii[2] ** 3 / (radii[2] ** 3 - (radii[2] - depth) ** 3)
    rho = [*density, density[-1] * (1 - void)]
    mass = spin = 0.0
    x, w = np.polynomial.legendre.leggauss(8)
    for a, b, d in zip(edges[:-1], edges[1:], rho, strict=True):
        r = (a + b) / 2 + (b - a) / 2 * x
        mass += d * 4 * np.pi * (b - a) / 2 * (w @ r**2)
        spin += d * 8 / 3 * np.pi * (b - a) / 2 * (w @ r**4)
    assert inertia.mass(ball) == pytest.approx(mass, rel=1e-12)
    assert inertia.moment_of_inertia(ball) == pytest.approx(spin, rel=1e-12)


@pytest.mark.parametrize(("cover", "bound"), [(2.0e-3, 1e-3), (21.35e-3, 5e-3)])
def test_limits_solver_density_keeps_mass_and_nearly_inertia(cover, bound):
    radii = [21.35e-3 - cover, 21.35e-3] if cover < 0.02 else [21.35e-3]
    ball = body(radii, [1130.0] * len(radii), dimples=0.007)
    smooth = body(radii, inertia.solver_density(ball))
    assert inertia.mass(smooth) == pytest.approx(inertia.mass(ball), rel=1e-12)
    error = inertia.moment_of_inertia(smooth) / inertia.moment_of_inertia(ball) - 1
    assert 0 < error < bound


def test_guard_a_shell_formula_off_by_one_per_cent_is_seen(monkeypatch):
    volume = inertia.layer_volume
    monkeypatch.setattr(inertia, "layer_volume", lambda b: 1.01 * volume(b))
    with pytest.raises(AssertionError):
        test_published_uniform_ball()
