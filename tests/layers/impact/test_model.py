"""The arrays of an impact: what linear fields, masses and the hourglass shape must be."""

from dataclasses import replace

import numpy as np
import pytest

from layers.graded.curve import RadialCurve
from layers.impact import kernels
from layers.impact.model import (
    HOURGLASS,
    SURFACE_SHIFT,
    THICK_LAYER,
    Resolution,
    _angles,
    impact_mesh,
    impact_model,
    layer_masses,
    mesh_of,
    ring_counts,
    untiled,
)
from layers.mass.inertia import solver_density
from tests.layers.impact.test_barrier import reference_ball

SMALL = Resolution(side=3, angles=14, core_rings=2, thick_rings=3, thin_rings=1, precision="double")


@pytest.fixture(scope="module")
def body():
    plain = reference_ball().body()
    count = len(plain.density)
    strength = np.column_stack([np.linspace(0.1, 0.3, count), np.zeros(count), np.full(count, 0.2)])
    time = np.tile([1e-4, 1e-3, 3e-3], (count, 1))
    return replace(plain, relaxation_strength=strength, relaxation_time=time)


@pytest.fixture(scope="module")
def mesh(body):
    return impact_mesh(body, SMALL)


@pytest.fixture(scope="module")
def rows(body, mesh):
    return untiled(impact_model(body, SMALL).w)[:, : len(mesh.quads)]


def test_analytic_mean_gradients_of_linear_fields(mesh, rows):
    """Of u = r and u = z they are 1 and 0, of a constant 0; 1/r of u = r is 1."""
    r, z = mesh.points[mesh.quads].transpose(2, 1, 0)
    by_r, by_z, over_r = (rows[at : at + 4] for at in (kernels.BR, kernels.BZ, kernels.BT))
    for gradient, of_r, of_z in ((by_r, 1.0, 0.0), (by_z, 0.0, 1.0)):
        np.testing.assert_allclose((gradient * r).sum(axis=0), of_r, atol=1e-12)
        np.testing.assert_allclose((gradient * z).sum(axis=0), of_z, atol=1e-12)
        np.testing.assert_allclose(gradient.sum(axis=0), 0.0, atol=1e-8)
    np.testing.assert_allclose((over_r * r).sum(axis=0), 1.0, rtol=1e-12)


def test_analytic_the_hourglass_shape_sees_no_linear_field(mesh, rows):
    r, z = mesh.points[mesh.quads].transpose(2, 1, 0)
    shape = rows[kernels.GAMMA : kernels.GAMMA + 4]
    for field in (np.ones_like(r), r, z):
        np.testing.assert_allclose((shape * field).sum(axis=0), 0.0, atol=1e-12)
    alternation = np.array([1.0, -1.0, 1.0, -1.0])
    np.testing.assert_allclose(alternation @ shape, 4.0, rtol=0.2)
    squares = rows[kernels.BR : kernels.BT] ** 2
    np.testing.assert_allclose(rows[kernels.HOURGLASS], HOURGLASS * squares.sum(axis=0))


def test_analytic_volumes_are_rings_of_quadrilaterals(mesh, rows):
    """Pappus: twice pi times the moment of the area about the axis, by two triangles."""
    r, z = mesh.points[mesh.quads].transpose(2, 1, 0)
    volume = np.zeros(len(mesh.quads))
    for a, b, c in ((0, 1, 2), (0, 2, 3)):
        area = 0.5 * ((r[b] - r[a]) * (z[c] - z[a]) - (r[c] - r[a]) * (z[b] - z[a]))
        volume += 2.0 * np.pi * area * (r[a] + r[b] + r[c]) / 3.0
    np.testing.assert_allclose(rows[kernels.VOLUME], volume, rtol=1e-12)


def test_the_axis_stays_and_masses_are_inverted(body, mesh):
    model = impact_model(body, SMALL)
    on_axis = mesh.points[:, 0] == 0.0
    np.testing.assert_allclose(model.inverse_mass[1], 1.0 / model.mass)
    expected = np.where(on_axis, 0.0, 1.0 / model.mass)
    np.testing.assert_allclose(model.inverse_mass[0], expected)
    lowest = model.x[1].argmin()
    assert model.x[1, lowest] == pytest.approx(0.0, abs=1e-15)
    assert model.x[0, lowest] == 0.0
    np.testing.assert_array_equal(model.start, model.x)


def test_analytic_masses_by_layer_and_the_lighter_surface(body, mesh, rows):
    by_layer = layer_masses(body, SMALL)
    model = impact_model(body, SMALL)
    np.testing.assert_allclose(by_layer.sum(axis=0), model.mass, rtol=1e-12)
    volume = np.bincount(mesh.layer, rows[kernels.VOLUME])
    np.testing.assert_allclose(by_layer.sum(axis=1), solver_density(body) * volume, rtol=1e-12)
    # Without the shift the surface's nodes would have the ring's outer corners' share.
    last = slice(len(mesh.quads) - SMALL.angles, None)
    stiff = rows[kernels.STIFF : kernels.STIFF + 4, last]
    inner, outer = 1.0 / stiff[:2], 1.0 / stiff[2:]
    whole = inner.sum(axis=0) + outer.sum(axis=0)
    fair = 0.5 * whole / (1.0 + (1.0 - SURFACE_SHIFT))
    assert (outer.sum(axis=0) / (1.0 - SURFACE_SHIFT) > 0.4 * whole).all()
    assert (outer.sum(axis=0) < fair).all()


def test_memory_starts_at_rest_and_unused_pairs_are_left_out(body, mesh, rows):
    model = impact_model(body, SMALL)
    assert model.branches == 2
    own = rows[kernels.CBAR_INV : kernels.CBAR_INV + 4]
    np.testing.assert_array_equal(own.T, np.tile([1.0, 0.0, 1.0, 1.0], (len(mesh.quads), 1)))
    stretch = rows[kernels.DEF : kernels.DEF + 5]
    np.testing.assert_array_equal(stretch.T, np.tile([1.0, 0, 0, 1.0, 1.0], (len(mesh.quads), 1)))
    shear = (body.dynamic_modulus_ratio * body.shear_modulus)[mesh.layer]
    np.testing.assert_allclose(rows[kernels.SHEAR], shear)
    for place, pair in enumerate((0, 2)):
        first = kernels.BRANCH + place * kernels.BRANCH_ROWS
        tensor = rows[first + kernels.TENSOR : first + kernels.TENSOR + 4]
        np.testing.assert_array_equal(tensor, own)
        strength = body.relaxation_strength[mesh.layer, pair]
        np.testing.assert_allclose(rows[first + kernels.MODULUS], shear * strength)
        rate = 1.0 / body.relaxation_time[mesh.layer, pair]
        np.testing.assert_allclose(rows[first + kernels.RATE], rate)
        assert not rows[first + kernels.GAIN].any()


def test_a_graded_layer_has_its_own_moduli_and_loss(body, mesh, rows):
    radius = body.outer_radius
    curve, loss = (RadialCurve((0.0, radius[0]), ends) for ends in ((0.5, 1.5), (1.2, 0.4)))
    rest = (None,) * (len(radius) - 1)
    graded = replace(body, modulus_curve=(curve, *rest), loss_curve=(loss, *rest))
    found = untiled(impact_model(graded, SMALL).w)[:, : len(mesh.quads)]
    core = mesh.layer == 0
    for row in (kernels.SHEAR, kernels.BULK):
        factor = found[row] / rows[row]
        assert (factor[~core] == 1.0).all()
        assert 0.5 < factor[core].min() < 0.8 < 1.2 < factor[core].max() < 1.5
    first = kernels.BRANCH + kernels.MODULUS
    by_loss = (found[first] / found[kernels.SHEAR]) / (rows[first] / rows[kernels.SHEAR])
    assert by_loss[core].min() < 0.7 < 1.0 < by_loss[core].max()
    np.testing.assert_allclose(by_loss[~core], 1.0)


def test_repeated_elements_weigh_nothing(body, mesh):
    model = impact_model(body, SMALL)
    volume = untiled(model.w)[kernels.VOLUME]
    assert (volume[len(mesh.quads) :] == 0.0).all()
    corner = model.corner.swapaxes(0, 1).reshape(4, -1)
    np.testing.assert_array_equal(corner[:, : len(mesh.quads)], mesh.quads.T)
    assert (corner[:, len(mesh.quads) :] == mesh.quads[-1][:, None]).all()
    areas = model.corner_area(model.x)
    r, z = model.x[:, mesh.quads.T]
    shoelace = 0.5 * (r * np.roll(z, -1, axis=0) - np.roll(r, -1, axis=0) * z).sum(axis=0)
    np.testing.assert_allclose(areas[: len(mesh.quads)], shoelace, rtol=1e-9)


def test_rings_follow_the_thickness(body):
    thin = np.array([0.015, 0.015 + THICK_LAYER, 0.0181 + 1.01 * THICK_LAYER])
    layered = replace(body, outer_radius=thin)
    assert ring_counts(layered, SMALL) == (2, 1, 3)
    fine = SMALL.refined(2)
    assert (fine.side, fine.angles, fine.core_rings) == (6, 28, 4)
    assert (fine.thick_rings, fine.thin_rings, fine.precision) == (6, 2, "double")


def test_angles_run_from_pole_to_pole_and_lie_close_at_the_striking_one():
    angles = _angles(400)
    assert (angles[0], angles[-1]) == pytest.approx((0.0, np.pi))
    steps = np.diff(angles)
    assert (np.diff(steps) < 1e-12).all()
    assert steps[0] / steps[-1] == pytest.approx(2.5, rel=0.01)
    # Half way between both sizes 1.1 rad from the striking pole.
    at = np.interp(1.1, np.pi - 0.5 * (angles[1:] + angles[:-1])[::-1], steps[::-1])
    assert at / steps[-1] == pytest.approx(1.75, rel=0.01)


def test_the_block_s_corners_lie_at_an_eighth_and_nearer_to_the_striking_pole():
    """Even angles between them: 45 degrees from the far pole, 0.19 pi from the striking one."""
    mesh = mesh_of(np.array([1.0]), (2,), SMALL)
    tall = SMALL.angles - 2 * SMALL.side
    block = mesh.points[: (SMALL.side + 1) * (tall + 1)].reshape(tall + 1, SMALL.side + 1, 2)
    angle = np.arctan2(block[..., 0], block[..., 1])
    np.testing.assert_allclose(angle[:, -1], np.pi * np.linspace(0.81, 0.25, tall + 1))
    np.testing.assert_allclose(angle[0], np.pi * np.linspace(1.0, 0.81, SMALL.side + 1))
    np.testing.assert_allclose(angle[-1], np.pi * np.linspace(0.0, 0.25, SMALL.side + 1))
    np.testing.assert_allclose(np.linalg.norm(mesh.points[mesh.surface], axis=1), 1.0)
    surface = np.arctan2(*mesh.points[mesh.surface].T)
    np.testing.assert_allclose(surface, _angles(SMALL.angles), atol=1e-12)
