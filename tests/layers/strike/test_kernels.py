"""The loops over hexahedra, run by Python: forces are the energy's slopes, losses the law's."""

from dataclasses import replace

import numpy as np
import pytest

from layers.numerics import tensors
from layers.numerics.blocks import as_rows
from layers.strike import kernels
from layers.strike.model import build_model
from layers.strike.settings import Settings
from layers.strike.stored import stored
from tests.helpers.builds import random_bodies
from tests.helpers.lanes import uncompiled

TINY = Settings(
    normal=2, lateral=2, upward=2, core_rings=1, cover_rings=1, thinnest_step=2e-6,
    precision="double",
)  # fmt: skip
STEP = 2e-6


@pytest.fixture(autouse=True)
def by_python(monkeypatch):
    uncompiled(monkeypatch, kernels, tensors)


@pytest.fixture(scope="module")
def model():
    body = random_bodies(1, 7)[0]
    count = len(body.density)
    body = replace(
        body,
        relaxation_strength=np.tile([0.3, 0.15], (count, 1)),
        relaxation_time=np.tile([1e-5, 4e-5], (count, 1)),
    )
    return build_model(body, TINY)


def moved(model, seed=1, size=0.05):
    """Return displacements that stretch, shear and warp every element, (n, 4)."""
    rng = np.random.default_rng(seed)
    radius = np.abs(model.points).max()
    u = np.zeros((model.points.shape[1], 4))
    slope = size * rng.normal(size=(3, 3))
    u[:, :3] = (slope @ model.points).T + 0.2 * size * radius * rng.normal(size=(len(u), 3)) / 5.0
    return u


def at_rest(model):
    """Return the state of elements whose networks are at rest and whose volume is their own."""
    state = np.zeros((len(model.hexes), 13, model.constant.shape[2]))
    state[:, 0] = 1.0
    state[:, [1, 2, 3, 7, 8, 9]] = 1.0
    return state


def with_gain(model, step=STEP):
    branch = model.branch.copy()
    for k in range(2):
        row = kernels.BRANCH_ROWS * k
        branch[:, row + kernels.GAIN] = -np.expm1(-step * branch[:, row + kernels.RATE])
    return branch


def forces(model, u, state, branch, constant=None, step=STEP):
    """Return pulls (n, 3), losses and the state after."""
    state, loss = state.copy(), np.zeros(2)
    pull = np.full((len(u), 4), np.nan)
    constant = model.constant if constant is None else constant
    kernels.element_forces(u, model.hexes, constant, branch, state, pull, step, True, loss)
    return pull[:, :3], loss, state


def without(constant, *rows):
    less = constant.copy()
    less[:, list(rows)] = 0.0
    return less


def frozen(model):
    """Return branches that gain nothing: their networks keep their shape."""
    branch = model.branch.copy()
    branch[:, [kernels.GAIN, kernels.BRANCH_ROWS + kernels.GAIN]] = 0.0
    return branch


def test_analytic_forces_are_the_slopes_of_the_energy(model):
    """Of strain, of hourglass shapes and of networks that keep their shape, node by node.

    Networks of a shape of their own: every entry of their tensors counts.
    """
    elastic = without(model.constant, kernels.VISCOSITY)
    u, state = moved(model), at_rest(model)
    rng = np.random.default_rng(5)
    state[:, 1:] += 0.1 * rng.normal(size=(1, 12, 1))
    pull, _, _ = forces(model, u, state, frozen(model), elastic)

    def energy(displaced):
        density, hourglass = stored(model, displaced[:, :3].T.copy(), state)
        volume = as_rows(model.constant)[kernels.VOLUME, : len(density)]
        return float(density @ volume) + 0.5 * float(hourglass.sum())

    step = 1e-9
    for node in range(0, len(u), 7):
        for axis in range(3):
            up, down = u.copy(), u.copy()
            up[node, axis] += step
            down[node, axis] -= step
            slope = (energy(up) - energy(down)) / (2.0 * step)
            assert pull[node, axis] == pytest.approx(slope, rel=2e-5, abs=2e-5 * np.abs(pull).max())


def test_a_motion_of_all_nodes_alike_pulls_nowhere(model):
    u = np.zeros((model.points.shape[1], 4))
    u[:, :3] = [1e-3, -2e-3, 3e-3]
    pull, loss, state = forces(model, u, at_rest(model), with_gain(model))
    stiff = np.abs(forces(model, moved(model), at_rest(model), with_gain(model))[0]).max()
    assert np.abs(pull).max() < 1e-9 * stiff
    np.testing.assert_allclose(loss, 0.0, atol=1e-6)
    np.testing.assert_allclose(state, at_rest(model), atol=1e-12)


def test_forces_of_all_elements_add_up_to_nothing(model):
    """Linear momentum, and angular momentum about the deformed places, are exchanged within."""
    u = moved(model)
    pull, _, _ = forces(model, u, at_rest(model), with_gain(model))
    scale = np.abs(pull).sum()
    np.testing.assert_allclose(pull.sum(axis=0), 0.0, atol=1e-12 * scale)
    # Hourglass stiffness does not turn with an element; without it the moment vanishes, too.
    soft = without(model.constant, *range(kernels.HOURGLASS, kernels.HOURGLASS + 4))
    pull, _, _ = forces(model, u, at_rest(model), with_gain(model), soft)
    moment = np.cross(model.points.T + u[:, :3], pull).sum(axis=0)
    np.testing.assert_allclose(moment, 0.0, atol=1e-12 * scale)


def strains(model, u):
    """Return F, (m, 3, 3), of the elements by their mean gradient."""
    real = model.mesh.hexes.shape[1]
    gradient = as_rows(model.constant)[:24, :real].reshape(8, 3, real)
    slope = np.einsum("iae,aje->eij", u[:, :3].T[:, model.mesh.hexes], gradient)
    return slope + np.eye(3)


def bars(model, u):
    """Return the isochoric right Cauchy-Green tensors, (m, 3, 3)."""
    f = strains(model, u)
    j = np.linalg.det(f)
    return np.einsum("eki,ekj->eij", f, f) * j[:, None, None] ** (-2.0 / 3.0)


def matrices(rows):
    return rows[[0, 3, 5, 3, 1, 4, 5, 4, 2]].T.reshape(-1, 3, 3)


def test_networks_of_a_blown_up_element_keep_their_shape_to_rounding(model):
    """Of double arrays the root of J is within 1e-13, where single's would be 1e-9 off."""
    u = np.zeros((model.points.shape[1], 4))
    u[:, :3] = 0.11 * model.points.T  # J = 1.37, and Cbar is the unit tensor
    branch = with_gain(model)
    branch[:, [kernels.GAIN, kernels.BRANCH_ROWS + kernels.GAIN]] = 1.0
    _, _, state = forces(model, u, at_rest(model), branch)
    rows = as_rows(state)[:, : model.mesh.hexes.shape[1]]
    np.testing.assert_allclose(rows[0], 1.11**3, rtol=1e-13)
    np.testing.assert_allclose(rows[[1, 2, 3, 7, 8, 9]], 1.0, rtol=2e-13)
    np.testing.assert_allclose(rows[[4, 5, 6, 10, 11, 12]], 0.0, atol=2e-13)


def test_analytic_networks_follow_the_strain_by_their_share(model):
    """A + gain (Cbar^-1 - A), of the mean of both values the stress."""
    u, state, branch = moved(model), at_rest(model), with_gain(model)
    _, _, after = forces(model, u, state, branch)
    real = model.mesh.hexes.shape[1]
    inverse = np.linalg.inv(bars(model, u))
    rows = as_rows(after)[:, :real]
    np.testing.assert_allclose(rows[0], np.linalg.det(strains(model, u)), rtol=1e-12)
    for k in range(2):
        gain = as_rows(branch)[kernels.BRANCH_ROWS * k + kernels.GAIN, :real, None, None]
        expected = np.eye(3) + gain * (inverse - np.eye(3))
        np.testing.assert_allclose(matrices(rows[1 + 6 * k : 7 + 6 * k]), expected, rtol=1e-9)
    # Pulls with a gain are those of networks held at the mean of before and after.
    half = 0.5 * (state + after)
    half[:, 0] = state[:, 0]
    held, _, _ = forces(model, u, half, frozen(model))
    pull, _, _ = forces(model, u, state, branch)
    np.testing.assert_allclose(pull, held, rtol=1e-9, atol=1e-12 * np.abs(pull).max())


def test_analytic_losses_of_networks_and_of_bulk_viscosity(model):
    """(g G / 2 tau) (tr(Cbar A) + tr(Cbar^-1 A^-1) - 6), and viscosity times (dJ/dt)^2."""
    u, state, branch = moved(model), at_rest(model), with_gain(model)
    _, loss, after = forces(model, u, state, branch)
    real = model.mesh.hexes.shape[1]
    bar = bars(model, u)
    volume = as_rows(model.constant)[kernels.VOLUME, :real]
    expected = 0.0
    for k in range(2):
        row = kernels.BRANCH_ROWS * k
        mean = 0.5 * (as_rows(state) + as_rows(after))[1 + 6 * k : 7 + 6 * k, :real]
        a = matrices(mean)
        both = np.einsum("eij,eij->e", bar, a) - 6.0
        both += np.einsum("eij,eij->e", np.linalg.inv(bar), np.linalg.inv(a))
        constants = as_rows(model.branch)[:, :real]
        rate = constants[row + kernels.STRENGTH] * constants[row + kernels.RATE]
        expected += float(0.5 * rate * both @ volume)
    assert loss[kernels.RELAXATION_LOSS] == pytest.approx(expected, rel=1e-9)
    growth = (np.linalg.det(strains(model, u)) - 1.0) / STEP
    viscosity = as_rows(model.constant)[kernels.VISCOSITY, :real]
    assert loss[kernels.BULK_LOSS] == pytest.approx(float(viscosity * growth**2 @ volume))


def test_analytic_bulk_viscosity_is_a_pressure(model):
    """The pulls that it adds do the work of viscosity times dJ/dt on a change of volume."""
    u, state, branch = moved(model), at_rest(model), frozen(model)
    calm = without(model.constant, kernels.VISCOSITY)
    added = forces(model, u, state, branch)[0] - forces(model, u, state, branch, calm)[0]
    real = model.mesh.hexes.shape[1]
    f = strains(model, u)
    growth = (np.linalg.det(f) - 1.0) / STEP
    rows = as_rows(model.constant)[:, :real]
    nudge = moved(model, 9, 1e-6)
    change = np.linalg.det(strains(model, u + nudge)) - np.linalg.det(f)
    work = float(rows[kernels.VISCOSITY] * growth * change @ rows[kernels.VOLUME])
    assert float((added * nudge[:, :3]).sum()) == pytest.approx(work, rel=1e-3)


def test_no_losses_are_written_where_none_are_asked(model):
    state, loss = at_rest(model), np.full(2, -1.0)
    u, pull = moved(model), np.empty((model.points.shape[1], 4))
    kernels.element_forces(
        u, model.hexes, model.constant, with_gain(model), state, pull, STEP, False, loss
    )
    assert loss.tolist() == [-1.0, -1.0]
    np.testing.assert_allclose(pull[:, :3], forces(model, u, at_rest(model), with_gain(model))[0])


def test_analytic_highest_frequency_of_the_deformed_elements(model):
    """8 c^2 tr(m^8)^(1/8), m = sum b b^T with the part across thin rings relieved."""
    u = moved(model)
    f = strains(model, u)
    real = model.mesh.hexes.shape[1]
    rows = as_rows(model.constant)[:, :real]
    cofactor = np.linalg.inv(f).transpose(0, 2, 1) * np.linalg.det(f)[:, None, None]
    b = np.einsum("eij,aje->aie", cofactor, rows[:24].reshape(8, 3, real))
    # Corners 0 to 3 and 4 to 7 face each other across the thickness.
    m = 0.5 * np.einsum("aie,aje->eij", b[4:] + b[:4], b[4:] + b[:4])
    m += (
        rows[kernels.RELIEF, :, None, None]
        * 0.5
        * np.einsum("aie,aje->eij", b[4:] - b[:4], b[4:] - b[:4])
    )
    m = m * rows[kernels.FREQUENCY, :, None, None] / 1e13
    values = np.linalg.eigvalsh(m)
    expected = 1e13 * ((values**8).sum(axis=1) ** 0.125).max()
    found = kernels.highest_frequency(u, model.hexes, model.constant)
    assert found == pytest.approx(expected, rel=1e-9)
    assert 1e13 * values.max() <= found <= 1.15 * 1e13 * values.max()
    assert rows[kernels.RELIEF].min() < 0.9
