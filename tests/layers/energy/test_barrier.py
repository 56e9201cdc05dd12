"""Frames and table of a barrier impact by hand: what touches, what is strained, what moves."""

import math

import numpy as np
import pytest

from layers.energy import barrier as module
from layers.impact import kernels
from layers.impact.barrier import Thrown
from layers.impact.model import Resolution, impact_mesh, impact_model, untiled
from layers.mass.inertia import solver_density
from tests.layers.impact.test_barrier import reference_ball

TINY = Resolution(side=2, angles=8, core_rings=1, thick_rings=1, thin_rings=1, precision="double")


@pytest.fixture
def body():
    return reference_ball().body()


@pytest.fixture
def mesh(body):
    return impact_mesh(body, TINY)


@pytest.fixture
def model(body):
    return impact_model(body, TINY)


def framed(model, mesh, time=1e-4):
    return module._frame(model, np.ones_like(model.x), time, 50.0, mesh, 3)


def test_analytic_strain_and_loss_of_a_frame(model, mesh):
    """Simple shear by g: the greatest shear strain is 2 asinh(g / 2)."""
    model.w[:, kernels.DEF + 1] = 0.3
    model.w[:, kernels.DISSIPATED] = 7.0
    frame = framed(model, mesh)
    np.testing.assert_allclose(frame.shear_strain, 2.0 * math.asinh(0.15), rtol=1e-12)
    np.testing.assert_array_equal(frame.loss, 7.0)
    real = len(mesh.quads)
    rows = untiled(model.w)[:, :real]
    volume = rows[kernels.VOLUME]
    np.testing.assert_allclose(frame.lost, np.bincount(mesh.layer, 7.0 * volume))
    # G / 2 (tr C - 3) of the layer, and of networks that hold the unit tensor.
    shear = rows[kernels.SHEAR].copy()
    for j in range(model.branches):
        shear += rows[kernels.BRANCH + j * kernels.BRANCH_ROWS + kernels.MODULUS]
    stored = 0.5 * shear * 0.3**2 * volume
    np.testing.assert_allclose(frame.stored, np.bincount(mesh.layer, stored), rtol=1e-9)
    assert (frame.time, frame.force) == (1e-4, 50.0)
    first = framed(model, mesh, 0.0)  # nothing has been deformed yet
    assert not np.concatenate([first.shear_strain, first.loss, first.stored, first.lost]).any()


def test_analytic_the_contact_is_a_circle_up_to_the_last_node_at_the_wall(model, mesh):
    order = model.surface[np.argsort(model.x[1, model.surface])]
    assert framed(model, mesh).contact_area == 0.0  # the pole alone
    model.x[1, order[1]] = 0.9e-9
    assert framed(model, mesh).contact_area == pytest.approx(np.pi * model.x[0, order[1]] ** 2)
    model.x[1, order[2]] = 1.1e-9
    assert framed(model, mesh).contact_area == pytest.approx(np.pi * model.x[0, order[1]] ** 2)
    model.x[1] += 1e-3
    assert framed(model, mesh).contact_area == 0.0


def test_networks_are_held_for_the_first_look(model):
    assert model.branches > 0
    for j in range(model.branches):
        model.w[:, kernels.BRANCH + j * kernels.BRANCH_ROWS + kernels.GAIN] = 0.5
    others = np.delete(
        model.w.copy(),
        [kernels.BRANCH + j * kernels.BRANCH_ROWS + kernels.GAIN for j in range(model.branches)],
        axis=1,
    )
    module._hold_networks(model)
    gains = [kernels.BRANCH + j * kernels.BRANCH_ROWS + kernels.GAIN for j in range(model.branches)]
    assert not model.w[:, gains].any()
    np.testing.assert_array_equal(np.delete(model.w, gains, axis=1), others)


def test_analytic_table_of_a_ball_that_flies_off_as_one(body, mesh, model):
    """Its speed's energy and nothing else; what each layer moves about it is its vibration."""
    v = np.zeros_like(model.x)
    v[1] = 30.0
    none = np.empty(0)
    thrown = Thrown(model, v, 40.0, none, none, -0.25)
    whole = float(model.mass.sum())
    peak = np.array([1.0, 2.0, 3.0])
    table = module._table(body, thrown, TINY, mesh, peak)
    assert table.given == pytest.approx(0.5 * whole * 40.0**2)
    assert table.whole == {"speed": pytest.approx(0.5 * whole * 30.0**2), "contact": 0.25}
    np.testing.assert_array_equal(table.stored, peak)
    np.testing.assert_allclose(table.vibration, 0.0, atol=1e-12 * table.given)
    assert not table.lost.any()
    v[0] = 3.0  # all outward, which is no motion of the ball
    table = module._table(body, thrown, TINY, mesh, peak)
    assert table.vibration.sum() == pytest.approx(0.5 * whole * 3.0**2)
    volume = untiled(model.w)[kernels.VOLUME, : len(mesh.quads)]
    share = solver_density(body) * np.bincount(mesh.layer, volume)
    np.testing.assert_allclose(table.vibration, 0.5 * share * 3.0**2)
