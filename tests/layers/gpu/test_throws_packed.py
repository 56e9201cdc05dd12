"""Throws as a card takes them, and what is read off: by hand, with nothing compiled."""

from dataclasses import replace

import numpy as np
import pytest

from layers.errors import SolverError
from layers.gpu import throws as module
from layers.impact.model import Resolution, impact_mesh, ring_counts
from layers.mass.inertia import solver_density
from tests.helpers.builds import random_balls

TINY = Resolution(side=2, angles=8, core_rings=2, thick_rings=2, thin_rings=1)
THREADS, BLOCKS = 64, 3


@pytest.fixture(scope="module")
def ball():
    return random_balls(2, 7)[1]


def three_pairs(body):
    """Return the body with three pairs, of which the second is of no use."""
    rng = np.random.default_rng(3)
    strength = rng.uniform(0.1, 0.3, (3, 3))
    strength[:, 1] = 0.0
    time = rng.uniform(1e-5, 1e-3, (3, 3))
    return replace(body, relaxation_strength=strength, relaxation_time=time)


def test_analytic_a_build_is_its_radii_and_the_constants_of_its_layers(ball):
    body = three_pairs(ball.body())
    assert module.key_of(body, TINY) == (ring_counts(body, TINY), (True, False, True), False)
    [row] = module.pack_throws([body], TINY)
    radius, table = row[:8], row[8:].reshape(8, 3 + 2 * 2)
    np.testing.assert_array_equal(radius, [*body.outer_radius, 0, 0, 0, 0, 0])
    assert not table[3:].any()
    shear = body.dynamic_modulus_ratio * body.shear_modulus
    np.testing.assert_allclose(table[:3, 0], solver_density(body))
    np.testing.assert_allclose(table[:3, 1], shear)
    np.testing.assert_allclose(table[:3, 2], body.dynamic_modulus_ratio * body.bulk_modulus)
    for place, pair in enumerate((0, 2)):
        strength = shear * body.relaxation_strength[:, pair]
        np.testing.assert_allclose(table[:3, 3 + 2 * place], strength)
        rate = 1.0 / body.relaxation_time[:, pair]
        np.testing.assert_allclose(table[:3, 4 + 2 * place], rate)


def test_a_graded_build_has_constants_of_each_element(ball):
    """Moduli go from centre to surface, the pairs' with them; rates are of the layer alone."""
    profile = {"centre_mpa": 30.0, "surface_mpa": 60.0, "shape": 2.0}
    body = three_pairs(ball.replace("core", profile=profile).body())
    assert module.key_of(body, TINY).graded
    [row] = module.pack_throws([body], TINY)
    mesh = impact_mesh(body, TINY)
    count = len(mesh.quads)
    padded = -(-count // 32) * 32
    own = row[8 + 8 * 7 :].reshape(2 + 2, padded)
    assert not own[:, count:].any()
    shear, bulk, *moduli = own[:, :count]
    plain = (body.dynamic_modulus_ratio * body.shear_modulus)[mesh.layer]
    factor = shear / plain
    np.testing.assert_allclose(factor[mesh.layer > 0], 1.0)
    assert np.ptp(factor[mesh.layer == 0]) > 0.3
    np.testing.assert_allclose(bulk / shear, (body.bulk_modulus / body.shear_modulus)[mesh.layer])
    for found, pair in zip(moduli, (0, 2), strict=True):
        np.testing.assert_allclose(found, shear * body.relaxation_strength[mesh.layer, pair])


def test_what_all_builds_of_a_mesh_share(ball):
    """Corners, layers, what lies around each node, and places that are linear in the radii."""
    body = three_pairs(ball.body())
    key = module.key_of(body, TINY)
    program = module.program_of(key, TINY, THREADS, BLOCKS)
    mesh = impact_mesh(body, TINY)
    count, nodes = len(mesh.quads), len(mesh.points)
    padded = -(-count // 32) * 32
    names = dict(item.removeprefix("-D").split("=") for item in program.definitions)
    assert names == {
        "REAL": "double", "THREADS": "64", "BLOCKS": "3", "NN": str(nodes), "NE": str(count),
        "EP": str(padded), "NS": "8", "LAYERS_USED": "3", "PAIRS": "2", "GRADED": "0",
    }  # fmt: skip
    assert (program.threads, program.blocks, program.far, program.results) == (64, 3, 0, 21)
    arrays = program.arrays
    np.testing.assert_array_equal(arrays["corner"][:count], mesh.quads)
    assert not arrays["corner"][count:].any()
    np.testing.assert_array_equal(arrays["layer"], [*mesh.layer, *[255] * (padded - count)])
    assert np.flatnonzero(arrays["surface"]).tolist() == sorted(mesh.surface)
    for node, codes in enumerate(arrays["slot"]):
        used = codes[codes >= 0]
        expected = [
            4 * e + k for e, quad in enumerate(mesh.quads) for k in range(4) if quad[k] == node
        ]
        assert used.tolist() == expected
        assert (codes[len(used) :] == -1).all()
    place = np.einsum("lin,l->ni", arrays["place"], body.outer_radius)
    np.testing.assert_allclose(place, mesh.points, atol=1e-12)


def results(*given):
    row = np.zeros(module.RESULTS)
    for place, value in ((module.LEFT, 1.0), *given):
        row[place] = value
    return row


def test_analytic_an_impact_is_read_off_its_row(ball):
    body = ball.body()
    numbers = {
        module.COR: 0.8, module.TIME: 4e-4, module.PEAK: 9e3, module.DEFORMATION: 0.006,
        module.INITIAL: 40.0, module.FINAL: 26.0, module.ELASTIC: 1.0, module.VISCOUS: 8.0,
        module.NETWORK: 0.5, module.HOURGLASSES: 0.25, module.WORK: -4.0,
    }  # fmt: skip
    out = module.impact_of(body, 41.0, results(*numbers.items()))
    assert (out.speed, out.cor, out.contact_time) == (41.0, 0.8, 4e-4)
    assert (out.peak_force, out.peak_deformation, out.flag) == (9e3, 0.006, "")
    energy = out.energy
    assert (energy.initial_kinetic, energy.final_kinetic) == (40.0, 26.0)
    assert (energy.elastic, energy.viscous, energy.network) == (1.0, 8.0, 0.5)
    assert (energy.contact, energy.contact_damping, energy.hourglass) == (0.0, 4.0, 0.25)
    assert energy.residual == pytest.approx(0.25)
    off = module.impact_of(body, 41.0, results(*numbers.items(), (module.FINAL, 25.5)))
    assert "is off by 1.9 %" in off.flag


@pytest.mark.parametrize("layer", range(3))
def test_the_layer_that_is_flat_is_named(ball, layer):
    flat = [(module.LOWEST + k, 0.1 if k == layer else 0.9) for k in range(3)]
    said = (
        rf"^The impact broke down after 17 steps: an element of layer {layer + 1} of 3, .* 41 m/s"
    )
    with pytest.raises(SolverError, match=said):
        module.impact_of(ball.body(), 41.0, results(*flat, (module.LEFT, 0), (module.STEPS, 17)))


def test_parameters_of_throws():
    """Share of the stable step, the shortest step, hourglass stiffness, shift of the surface."""
    found = module.parameters_of([20.0, 45.0])
    np.testing.assert_allclose(found, [[v, 0.9, 0.02, 1.0 / 6.0, 0.5] for v in (20.0, 45.0)])
