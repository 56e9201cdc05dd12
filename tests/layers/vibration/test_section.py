"""What the vibration mode is made of: mesh, mass, strain, and moduli over the radius."""

from dataclasses import replace

import numpy as np
import pytest

from layers.errors import SolverError
from layers.graded.curve import RadialCurve
from layers.vibration import mode
from tests.helpers.calculix import layered_body

BODY = layered_body([38.0, 42.67], [50.0, 300.0], [0.49, 0.45], [1.15, 0.96])


def lossy(body, strength, time=50e-6):
    count = len(body.density)
    return replace(
        body,
        relaxation_strength=np.array([[strength], [0.5 * strength]])[:count],
        relaxation_time=np.full((count, 1), time),
        dynamic_modulus_ratio=np.array([1.3, 1.1])[:count],
    )


@pytest.fixture(scope="module")
def section():
    return mode._section(BODY)


def test_the_core_is_cut_in_halves_and_a_shell_in_thirds(section):
    """Nodes on the pole, with the middles of sides; eight even elements along the surface."""
    points = section.mesh.basis @ BODY.outer_radius
    pole = np.sort(points[np.abs(points[:, 0]) < 1e-12, 1])
    inner, outer = BODY.outer_radius
    shell = inner + (outer - inner) * np.arange(1, 7) / 6
    np.testing.assert_allclose(pole[-6:], shell, rtol=1e-12)
    block = pole[-11]
    core = block + (inner - block) * np.arange(1, 5) / 4
    np.testing.assert_allclose(pole[-10:-6], core, rtol=1e-12)
    surface = points[section.mesh.edges[:, [0, 1]].ravel()]
    angle = np.arctan2(surface[:, 0], surface[:, 1])
    np.testing.assert_allclose(angle, 0.5 * np.pi * np.arange(16) / 16, atol=1e-12)
    assert np.bincount(section.mesh.layer).tolist() == [4 * 4 + 2 * 8, 3 * 8]
    fine = mode._section(BODY, 2)
    assert np.bincount(fine.mesh.layer).tolist() == [4 * (4 * 4 + 2 * 8), 4 * 3 * 8]


def test_analytic_mass_and_inertia_of_the_half_sphere(section):
    """An even rise has the momentum of the mass; u = z e_z twice the energy rho z^2."""
    radius, density = BODY.outer_radius, BODY.density
    inner = np.array([0.0, radius[0]])
    points = section.mesh.basis @ radius
    u = np.zeros(len(section.mesh.last))
    u[1 : points.size : 2] = 1.0
    momentum = mode._mass_times(section, u)
    mass = 2.0 / 3.0 * np.pi * float(density @ (radius**3 - inner**3))
    assert momentum[1::2].sum() == pytest.approx(mass, rel=1e-5)
    assert not momentum[::2].any()
    u[1 : points.size : 2] = points[:, 1]
    along = 2.0 / 15.0 * np.pi * float(density @ (radius**5 - inner**5))
    assert u @ mode._mass_times(section, u) == pytest.approx(along, rel=1e-4)
    u[:] = 0.0
    u[: points.size : 2] = points[:, 0]
    assert u @ mode._mass_times(section, u) == pytest.approx(2.0 * along, rel=1e-4)


def test_analytic_strain_measures_of_an_even_strain(section):
    """u = (a r, b z + c r): 2 e:e and tr^2 alike at all points, times their volume."""
    a, b, c = 0.3, -0.8, 0.5
    points = section.mesh.basis @ BODY.outer_radius
    u = np.zeros(len(section.mesh.last))
    u[: points.size] = np.column_stack([a * points[:, 0], points @ [c, b]]).ravel()
    shear, bulk = mode._strain_measures(section, u)
    trace = 2.0 * a + b
    square = 2.0 * a**2 + b**2 + 0.5 * c**2
    np.testing.assert_allclose(shear, section.volume * 2.0 * (square - trace**2 / 3.0), rtol=1e-9)
    np.testing.assert_allclose(bulk, section.volume * trace**2, rtol=1e-9)
    assert section.volume.sum() == pytest.approx(
        2.0 / 3.0 * np.pi * BODY.outer_radius[-1] ** 3, rel=1e-5
    )


def test_analytic_even_curves_are_factors_on_modulus_and_loss():
    """A layer of 1.7 times the modulus and 0.6 of the loss, by curves and by its own numbers."""
    ends = (0.0, float(BODY.outer_radius[-1]))
    body = lossy(BODY, 0.2)
    by_curves = replace(
        body,
        modulus_curve=(RadialCurve(ends, (1.7, 1.7)), None),
        loss_curve=(RadialCurve(ends, (0.6, 0.6)), None),
    )
    factor, less = np.array([1.7, 1.0]), np.array([[0.6], [1.0]])
    by_hand = replace(
        body,
        shear_modulus=factor * body.shear_modulus,
        bulk_modulus=factor * body.bulk_modulus,
        relaxation_strength=less * body.relaxation_strength,
    )
    one, other = (mode.first_spheroidal_mode(b) for b in (by_curves, by_hand))
    assert one.frequency == pytest.approx(other.frequency, rel=1e-7)
    assert one.loss_factor == pytest.approx(other.loss_factor, rel=1e-6)
    assert mode.elastic_mode(by_curves) == pytest.approx(mode.elastic_mode(by_hand), rel=1e-9)
    # The guard: without the loss's curve it is another.
    only = replace(by_curves, loss_curve=())
    assert mode.first_spheroidal_mode(only).loss_factor > 1.05 * one.loss_factor


def test_limits_all_in_one_material_lose_what_it_loses():
    """Nearly all of the mode's energy is shear: 1/Q is G''/G' of the material, a little less."""
    body = lossy(layered_body([42.67], [60.0], [0.4999], [1.15]), 0.2)
    found = mode.first_spheroidal_mode(body)
    storage, loss = mode.complex_shear_modulus(body, 2.0 * np.pi * found.frequency)
    assert found.loss_factor == pytest.approx(loss[0] / storage[0], rel=2e-3)


def test_analytic_the_frequency_of_a_rescaled_body():
    """Twice the radius and four times the modulus over the density: as it was."""
    large = replace(
        BODY,
        outer_radius=2.0 * BODY.outer_radius,
        shear_modulus=8.0 * BODY.shear_modulus,
        bulk_modulus=8.0 * BODY.bulk_modulus,
        density=2.0 * BODY.density,
    )
    assert mode.elastic_mode(large) == pytest.approx(mode.elastic_mode(BODY), rel=1e-9)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("_TOLERANCE", "the vibration mode did not settle within {_MOST_ITERATIONS} iterations."),
        (
            "_SETTLED",
            "the vibration frequency did not settle within {_MOST_UPDATES} updates of the moduli.",
        ),
    ],
)
def test_a_mode_that_does_not_settle_is_told(monkeypatch, name, said):
    monkeypatch.setattr(mode, name, -1.0)
    with pytest.raises(SolverError) as caught:
        mode.first_spheroidal_mode(lossy(BODY, 0.2))
    assert str(caught.value) == said.format(**vars(mode))
