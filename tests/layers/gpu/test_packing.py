"""Builds as a card takes them: rows of numbers by their closed forms, a layer and an element."""

from dataclasses import replace

import numpy as np
import pytest

from layers.gpu.packing import MOST_LAYERS, grouped, pack, pack_models
from layers.mass.inertia import mass, moment_of_inertia, solver_density
from layers.strike import kernels
from layers.strike.model import build_model
from tests.helpers.builds import random_bodies
from tests.helpers.marching import SMALL

PAIRS, THREADS = 3, 7


@pytest.fixture(scope="module")
def bodies():
    """Two builds of three layers with as many relaxation pairs."""
    drawn = [random_bodies(6, 7)[k] for k in (1, 5)]
    rng = np.random.default_rng(3)
    return [
        replace(
            body,
            relaxation_strength=rng.uniform(0.1, 0.3, (3, PAIRS)),
            relaxation_time=rng.uniform(1e-5, 1e-3, (3, PAIRS)),
        )
        for body in drawn
    ]


def parts(packed, *sizes):
    """Cut the rows of the builds into parts of these sizes."""
    assert packed.builds.shape[1] == sum(sizes)
    return np.split(packed.builds, np.cumsum(sizes)[:-1], axis=1)


def sizes_of(plan):
    columns = len(plan.column)
    nodes = len(plan.node)
    return (nodes, plan.inner, plan.rows * columns, plan.rows * columns, plan.rows, 1)


def test_analytic_masses_rows_and_constants_of_the_layers(bodies):
    packed = pack(bodies, SMALL, np.float64)
    table = MOST_LAYERS * (6 + 3 * PAIRS)
    node, push, carry, pivot, row, first, layer = parts(packed, *sizes_of(packed.plan), table)
    np.testing.assert_allclose(push, 1.0 / node[:, : packed.plan.inner])
    np.testing.assert_allclose(packed.mass, node.sum(axis=1))
    np.testing.assert_allclose(packed.heaviest, node.max(axis=1))
    radii = np.array([body.outer_radius for body in bodies])
    np.testing.assert_allclose(first[:, 0], radii[:, 0])
    np.testing.assert_allclose(packed.radius, radii[:, -1])
    np.testing.assert_allclose(row * first, radii)  # a ring a layer
    assert (packed.pairs, packed.graded) == (PAIRS, False)
    for k, body in enumerate(bodies):
        assert packed.mass[k] == pytest.approx(0.5 * mass(body), rel=1e-9)
        assert packed.inertia[k] == pytest.approx(moment_of_inertia(body), rel=1e-9)
        model = build_model(body, SMALL)
        np.testing.assert_allclose(packed.law[k], model.law)
        own = model.chain.pivot[:, packed.plan.column]
        np.testing.assert_allclose(pivot[k], own.ravel())
        np.testing.assert_allclose(carry[k], model.chain.carry[:, packed.plan.column].ravel())
        rows = layer[k].reshape(MOST_LAYERS, -1)
        assert not rows[3:].any()
        shear = body.dynamic_modulus_ratio * body.shear_modulus
        bulk = body.dynamic_modulus_ratio * body.bulk_modulus
        glassy = (1.0 + body.relaxation_strength.sum(axis=1)) * shear
        wave, density = bulk + 4.0 / 3.0 * glassy, solver_density(body)
        np.testing.assert_allclose(rows[:3, 0], shear)
        np.testing.assert_allclose(rows[:3, 1], bulk)
        np.testing.assert_allclose(rows[:3, 2], 8e-12 * wave / density)  # 1e12 1/s2
        np.testing.assert_allclose(rows[:3, 4], SMALL.hourglass * glassy / 64.0)
        viscosity = SMALL.bulk_viscosity * np.sqrt(wave * density)
        np.testing.assert_allclose(rows[:3, 5], viscosity)
        pairs = rows[:3, 6:].reshape(3, PAIRS, 3)
        np.testing.assert_allclose(pairs[..., 0], body.relaxation_strength * shear[:, None])
        np.testing.assert_allclose(pairs[..., 1], 1.0 / body.relaxation_time)
        assert not pairs[..., 2].any()  # room for the gain
        # Thin rings are slowed to the wanted step, the core is left alone.
        ring = np.diff(body.outer_radius, prepend=0.0) / [2, 1, 1]
        relief = np.minimum(1.0, ring**2 * density / (wave * SMALL.thinnest_step**2))
        np.testing.assert_allclose(rows[1:3, 3], relief[1:])
        assert rows[0, 3] == 1.0


def test_elements_of_their_own_are_padded_to_whole_batches(bodies):
    models = [build_model(body, SMALL) for body in bodies]
    packed = pack_models(models, bodies, SMALL, THREADS, np.float64)
    even = pack(bodies, SMALL, np.float64)
    count = len(packed.plan.element)
    padded = -(-count // THREADS) * THREADS
    assert padded > count
    table = MOST_LAYERS * (6 + 3 * PAIRS)
    cut = parts(packed, *sizes_of(packed.plan), table, (8 + 2 * PAIRS) * padded)
    for found, expected in zip(cut[:6], parts(even, *sizes_of(even.plan), table)[:6], strict=True):
        np.testing.assert_allclose(found, expected, rtol=1e-9)
    assert not cut[6].any()
    assert (packed.pairs, packed.graded) == (PAIRS, True)
    for name in ("law", "mass", "inertia", "heaviest", "radius"):
        np.testing.assert_allclose(getattr(packed, name), getattr(even, name), rtol=1e-9)
    for k, (body, model) in enumerate(zip(bodies, models, strict=True)):
        rows = cut[7][k].reshape(8 + 2 * PAIRS, padded)
        assert not rows[:, count:].any()
        layer = packed.plan.layer
        shear = (body.dynamic_modulus_ratio * body.shear_modulus)[layer]
        np.testing.assert_allclose(rows[0, :count], shear)
        constant = np.moveaxis(model.constant, 1, 0).reshape(kernels.CONSTANT_ROWS, -1)
        for row, of_model, unit in (
            (1, kernels.BULK, 1.0), (2, kernels.FREQUENCY, 1e-12), (3, kernels.RELIEF, 1.0),
            (4, kernels.HOURGLASS, 1.0), (5, kernels.HOURGLASS + 1, 1.0),
            (6, kernels.HOURGLASS + 2, 1.0), (7, kernels.VISCOSITY, 1.0),
        ):  # fmt: skip
            expected = unit * constant[of_model, packed.plan.element]
            np.testing.assert_allclose(rows[row, :count], expected)
        for pair in range(PAIRS):
            strength = body.relaxation_strength[layer, pair] * shear
            np.testing.assert_allclose(rows[8 + 2 * pair, :count], strength)
            rate = 1.0 / body.relaxation_time[layer, pair]
            np.testing.assert_allclose(rows[9 + 2 * pair, :count], rate)


def test_builds_are_sorted_by_layers_pairs_and_grading(bodies):
    two, three, *_ = random_bodies(2, 7)
    single = {len(b.density): b.relaxation_strength.shape[1] for b in (two, three)}
    found = grouped([two, bodies[0], three, bodies[1]])
    expected = {(2, single[2], False): [0], (3, PAIRS, False): [1, 3], (3, single[3], False): [2]}
    assert found == expected
