"""The arrays of a strike: masses, bonds across thin layers, contact law, surface, networks."""

from dataclasses import replace

import numpy as np
import pytest

from layers.graded.curve import RadialCurve
from layers.mass.inertia import mass, moment_of_inertia, solver_density
from layers.numerics.blocks import as_rows
from layers.numerics.hexes import hex_geometry
from layers.strike import kernels
from layers.strike.masses import THICK
from layers.strike.model import build_model, momentum_of, volume_ratio
from layers.strike.settings import LEVELS, Settings, counts_of
from layers.strike.stored import stored
from tests.helpers.builds import random_bodies

SMALL = Settings(
    normal=4,
    lateral=3,
    upward=4,
    core_rings=3,
    small_core_rings=1,
    shell_rings=2,
    mantle_rings=1,
    cover_rings=2,
    thinnest_step=2e-6,
    precision="double",
)
CHOICES = (
    "contact_stiffness", "shear_stiffness", "contact_damping", "points", "hourglass",
    "bulk_viscosity",
)  # fmt: skip
# A map of space: stretch, shear and a turn, of determinant other than 1.
SLOPE = np.array([[0.1, 0.04, -0.02], [0.03, -0.05, 0.06], [-0.01, 0.02, 0.08]])


@pytest.fixture(scope="module", params=range(4), ids=["two", "three", "four", "five layers"])
def body(request):
    drawn = random_bodies(4, 7)[request.param]
    strength = np.column_stack([drawn.relaxation_strength[:, :1], 0.5 * drawn.density / 1e4])
    time = np.column_stack([drawn.relaxation_time[:, :1], np.full(len(drawn.density), 2e-3)])
    return replace(drawn, relaxation_strength=strength, relaxation_time=time)


@pytest.fixture(scope="module")
def model(body):
    return build_model(body, SMALL)


def constants(model):
    return as_rows(model.constant)[:, : model.mesh.hexes.shape[1]]


def dense(model):
    """Return the mass matrix of one component, node by node."""
    columns = len(model.surface.area)
    rows = len(model.chain.bond) + 1
    matrix = np.diag(model.node_mass)
    first = len(model.node_mass) - rows * columns
    for r, bonds in enumerate(model.chain.bond):
        for k, bond in enumerate(bonds):
            a, b = first + r * columns + k, first + (r + 1) * columns + k
            matrix[[a, b], [a, b]] += bond
            matrix[[a, b], [b, a]] -= bond
    return matrix


def test_analytic_mass_centre_and_inertia_are_the_half_ball_s(body, model):
    """Of the whole mass matrix, bonds included: translation, first moment, spin about y."""
    m, (x, _, z) = dense(model), model.points
    one = np.ones_like(x)
    assert one @ m @ one == pytest.approx(0.5 * mass(body), rel=1e-9)
    assert one @ m @ x == pytest.approx(0.0, abs=1e-12 * mass(body))
    inertia = x @ m @ x + z @ m @ z
    assert inertia == pytest.approx(0.5 * moment_of_inertia(body), rel=1e-9)
    assert model.node_mass.min() > 0.0


def test_momentum_and_its_factors_are_those_of_the_mass_matrix(model):
    """Each column of thin layers: what a push makes of it, by the factors and by the matrix."""
    matrix = dense(model)
    rng = np.random.default_rng(3)
    v = rng.normal(size=model.points.shape)
    np.testing.assert_allclose(momentum_of(model, v), v @ matrix, rtol=1e-9, atol=1e-15)
    rows, columns = model.chain.pivot.shape
    first = len(model.node_mass) - rows * columns
    np.testing.assert_allclose(model.push, 1.0 / model.node_mass[:first])
    for k in (0, columns - 1):
        place = first + np.arange(rows) * columns + k
        push = rng.normal(size=rows)
        solved = push.copy()  # forward, then backward, as the march does it
        for r in range(1, rows):
            solved[r] += model.chain.carry[r, k] * solved[r - 1]
        solved *= model.chain.pivot[:, k]
        for r in range(rows - 2, -1, -1):
            solved[r] += model.chain.carry[r + 1, k] * solved[r + 1]
        expected = np.linalg.solve(matrix[np.ix_(place, place)], push)
        np.testing.assert_allclose(solved, expected, rtol=1e-9)


def test_analytic_thin_rings_are_slowed_to_the_wanted_step(body, model):
    """4 c^2 / t^2 times the relief is at most 4 over the step squared; the core is left alone."""
    found = constants(model)
    layer = model.mesh.layer
    glassy = 1.0 + body.relaxation_strength.sum(axis=1)
    shear = body.dynamic_modulus_ratio * body.shear_modulus
    wave = body.dynamic_modulus_ratio * body.bulk_modulus + 4.0 / 3.0 * glassy * shear
    square = wave / solver_density(body)
    rings = {2: (3, 2), 3: (3, 1, 2), 4: (1, 2, 1, 2), 5: (1, 2, 1, 1, 2)}[len(square)]
    thickness = np.diff(body.outer_radius, prepend=0.0) / rings
    expected = np.minimum(1.0, thickness**2 / (square * SMALL.thinnest_step**2))
    expected[0] = 1.0
    np.testing.assert_allclose(found[kernels.RELIEF], expected[layer])
    assert expected.min() < 0.9
    radius = [
        inner + (outer - inner) * k / count
        for inner, outer, count in zip(
            body.outer_radius, body.outer_radius[1:], rings[1:], strict=False
        )
        for k in range(1, count + 1)
    ]
    if len(square) < 4:  # the second of four or more has graded rings
        of_ring = np.repeat(np.arange(1, len(square)), rings[1:])
        extra = (0.25 * solver_density(body) * thickness * (1.0 / expected - 1.0))[of_ring]
        share = (np.array(radius) / body.outer_radius[-1]) ** 2
        bonds = (share * extra)[:, None] * model.surface.area
        np.testing.assert_allclose(model.chain.bond, bonds, atol=1e-15)


def test_analytic_constants_of_every_element(body, model):
    found, layer = constants(model), model.mesh.layer
    shear = (body.dynamic_modulus_ratio * body.shear_modulus)[layer]
    bulk = (body.dynamic_modulus_ratio * body.bulk_modulus)[layer]
    np.testing.assert_allclose(found[kernels.SHEAR], shear)
    np.testing.assert_allclose(found[kernels.BULK], bulk)
    glassy = 1.0 + body.relaxation_strength.sum(axis=1)[layer]
    wave = bulk + 4.0 / 3.0 * glassy * shear
    density = solver_density(body)[layer]
    np.testing.assert_allclose(found[kernels.FREQUENCY], 8.0 * wave / density)
    length = np.sqrt(1.5 / (found[:24] ** 2).sum(axis=0))
    viscosity = SMALL.bulk_viscosity * np.sqrt(wave * density) * length
    np.testing.assert_allclose(found[kernels.VISCOSITY], viscosity)
    # G h V times the mean of |grad(xi eta)|^2 = (a + b) / 3, of sums over eight corners' signs.
    _, volume, (a, b, c), _ = hex_geometry(model.points, model.mesh.hexes)
    np.testing.assert_allclose(found[kernels.VOLUME], volume)
    stiff = SMALL.hourglass * glassy * shear * volume / 64.0
    means = ((a + b) / 3.0, (b + c) / 3.0, (c + a) / 3.0, (a + b + c) / 9.0)
    for k, mean in enumerate(means):
        np.testing.assert_allclose(found[kernels.HOURGLASS + k], stiff * mean)
    padding = as_rows(model.constant)[:, model.mesh.hexes.shape[1] :]
    assert not padding.any()
    branch = as_rows(model.branch)[:, : len(layer)]
    for pair in range(2):
        row = kernels.BRANCH_ROWS * pair
        strength = body.relaxation_strength[layer, pair] * shear
        np.testing.assert_allclose(branch[row + kernels.STRENGTH], strength)
        rate = 1.0 / body.relaxation_time[layer, pair]
        np.testing.assert_allclose(branch[row + kernels.RATE], rate)


def test_a_layer_of_varying_modulus_and_loss(body, model):
    radius = body.outer_radius
    curve, loss = (RadialCurve((0.0, radius[0]), ends) for ends in ((0.6, 1.3), (1.2, 0.5)))
    rest = (None,) * (len(radius) - 1)
    graded = build_model(
        replace(body, modulus_curve=(curve, *rest), loss_curve=(loss, *rest)), SMALL
    )
    core = model.mesh.layer == 0
    factor = constants(graded)[kernels.SHEAR] / constants(model)[kernels.SHEAR]
    by_bulk = constants(graded)[kernels.BULK] / constants(model)[kernels.BULK]
    np.testing.assert_allclose(factor, by_bulk)
    assert (factor[~core] == 1.0).all()
    assert 0.6 < factor[core].min() < 0.9 < 1.1 < factor[core].max() < 1.3
    strength = as_rows(graded.branch)[0, : len(core)] / as_rows(model.branch)[0, : len(core)]
    by_loss = strength / factor
    np.testing.assert_allclose(by_loss[~core], 1.0)
    order = np.argsort(factor[core])
    assert (np.diff(by_loss[core][order]) <= 1e-12).all()  # less loss where it is stiffer
    glassy = 1.0 + body.relaxation_strength.sum(axis=1)[model.mesh.layer] * by_loss
    wave = constants(graded)[kernels.BULK] + 4.0 / 3.0 * glassy * constants(graded)[kernels.SHEAR]
    density = solver_density(body)[model.mesh.layer]
    np.testing.assert_allclose(constants(graded)[kernels.FREQUENCY], 8.0 * wave / density)


def test_analytic_contact_on_the_scale_of_the_cover(body, model):
    """k = M / t, c = 2 sqrt(k rho t / 4); a thick cover counts as a share of the radius."""
    settings = replace(SMALL, contact_stiffness=1.5, shear_stiffness=0.5, contact_damping=0.8)
    glassy = 1.0 + body.relaxation_strength.sum(axis=1)[-1]
    shear = body.dynamic_modulus_ratio[-1] * body.shear_modulus[-1]
    wave = body.dynamic_modulus_ratio[-1] * body.bulk_modulus[-1] + 4.0 / 3.0 * glassy * shear
    thin = body.outer_radius[-1] - body.outer_radius[-2]
    thick = body.outer_radius.copy()
    thick[:-1] *= 0.8 * thick[-1] / thick[-2]
    for made, cover in (
        (body, min(thin, THICK * body.outer_radius[-1])),
        (replace(body, outer_radius=thick), THICK * thick[-1]),
    ):
        law = build_model(made, settings).law
        density = solver_density(made)[-1]
        normal = 1.5 * wave / cover
        assert law[0] == pytest.approx(normal, rel=1e-9)
        assert law[2] == pytest.approx(0.5 * normal, rel=1e-9)
        for stiffness, damping in (law[:2], law[2:]):
            expected = 1.6 * np.sqrt(stiffness * 0.25 * density * cover)
            assert damping == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("points", [1, 2, 3])
def test_analytic_surface_points_stand_for_the_half_sphere(body, points):
    radius = body.outer_radius[-1]
    model = build_model(body, replace(SMALL, points=points))
    surface = model.surface
    half = 2.0 * np.pi * radius**2
    assert surface.weight.sum() * points**2 == pytest.approx(half, rel=1e-12)
    assert surface.area.sum() == pytest.approx(half, rel=1e-12)
    np.testing.assert_allclose(surface.shape.sum(axis=1), 1.0)
    assert surface.shape.shape == (points**2, 4)
    corners = model.points[:, surface.nodes[surface.faces]]  # (3, 4, f)
    np.testing.assert_allclose(np.sqrt((corners**2).sum(axis=0)), radius, rtol=1e-12)
    place = np.einsum("pc,icf->ipf", surface.shape, corners)
    out = radius - np.sqrt((place**2).sum(axis=0))
    np.testing.assert_allclose(surface.bulge, out.mean(axis=0), rtol=1e-9)
    assert surface.bulge.min() > 0.0
    # Points are the middles of equal parts of the square that a face is mapped from.
    xi = surface.shape @ np.array([-1.0, 1.0, 1.0, -1.0])
    assert set(np.round(xi, 12)) == set(np.round((2.0 * np.arange(points) + 1) / points - 1, 12))


def test_analytic_volume_ratio_and_energy_of_a_linear_map(body, model):
    """det(1 + H); K/2 (J-1)^2 + G/2 (tr C-bar - 3) and the same of networks that hold 1."""
    u = SLOPE @ model.points
    f = SLOPE + np.eye(3)
    jacobian = np.linalg.det(f)
    np.testing.assert_allclose(volume_ratio(model, u), jacobian, rtol=1e-9)
    count = model.constant.shape[2] * len(model.hexes)
    assert len(volume_ratio(model, u)) == model.mesh.hexes.shape[1] <= count
    state = np.zeros((len(model.hexes), 13, model.constant.shape[2]))
    state[:, [1, 2, 3, 7, 8, 9]] = 1.0  # the networks' tensors: no stretch yet
    density, hourglass = stored(model, u, state)
    trace = np.trace(f.T @ f) * jacobian ** (-2.0 / 3.0)
    layer = model.mesh.layer
    shear = (body.dynamic_modulus_ratio * body.shear_modulus)[layer]
    bulk = (body.dynamic_modulus_ratio * body.bulk_modulus)[layer]
    glassy = 1.0 + body.relaxation_strength.sum(axis=1)[layer]
    expected = 0.5 * glassy * shear * (trace - 3.0) + 0.5 * bulk * (jacobian - 1.0) ** 2
    np.testing.assert_allclose(density, expected, rtol=1e-9)
    assert hourglass.max() < 1e-20 * float((expected * constants(model)[kernels.VOLUME]).sum())


@pytest.mark.parametrize("component", range(3))
@pytest.mark.parametrize("pattern", range(4))
def test_analytic_energy_of_an_hourglass_pattern(model, component, pattern):
    """One element moved by one pattern alone: stiffness times eight squared, of that pattern."""
    corner = np.arange(8)
    xi, eta, zeta = (np.where(corner >> bit & 1, 1.0, -1.0) for bit in range(3))
    signs = (xi * eta, eta * zeta, zeta * xi, xi * eta * zeta)[pattern]
    element = 5
    nodes = model.mesh.hexes[:, element]
    u = np.zeros_like(model.points)
    gradient = constants(model)[:24, element].reshape(8, 3)
    # Only what is beside the linear field counts: the pattern less its mean gradient.
    u[component, nodes] = 1e-4 * signs
    slope = np.zeros((3, 3))
    slope[component] = 1e-4 * signs @ gradient
    left = 1e-4 * signs - slope[component] @ model.points[:, nodes]
    patterns = np.stack([xi * eta, eta * zeta, zeta * xi, xi * eta * zeta])
    stiffness = constants(model)[kernels.HOURGLASS : kernels.HOURGLASS + 4, element]
    expected = float(stiffness @ (patterns @ left) ** 2)
    state = np.zeros((len(model.hexes), 13, model.constant.shape[2]))
    state[:, [1, 2, 3, 7, 8, 9]] = 1.0
    _, hourglass = stored(model, u, state)
    assert hourglass[element] == pytest.approx(expected, rel=1e-9)


def test_rings_and_block_follow_the_number_of_layers():
    """More layers than three have a small core of even rings and a graded second layer."""
    settings, rings = LEVELS["default"], {}
    for drawn in random_bodies(4, 7):
        mesh = build_model(drawn, settings).mesh
        block = settings.normal * settings.lateral * settings.upward
        rest = np.bincount(mesh.layer)
        faces = mesh.faces.shape[1]
        rings[len(drawn.density)] = tuple((rest - [block, *[0] * (len(rest) - 1)]) // faces)
    assert rings == {2: (3, 2), 3: (3, 1, 2), 4: (1, 3, 1, 2), 5: (1, 3, 1, 1, 2)}


def test_the_fine_mesh_has_as_many_elements_as_the_page_says():
    """docs/oblique.md: 3.5 to 3.7 times the default's, for two to five layers."""
    for drawn in random_bodies(4, 7):
        default, fine = (
            build_model(drawn, LEVELS[level]).mesh.hexes.shape[1] for level in ("default", "fine")
        )
        assert 3.5 <= fine / default <= 3.7


@pytest.mark.parametrize(
    ("level", "expected"),
    [
        ("default", {1: (6,), 2: (3, 2), 3: (3, 1, 2), 4: (1, 3, 1, 2), 5: (1, 3, 1, 1, 2)}),
        ("fine", {1: (9,), 2: (5, 3), 3: (5, 2, 3), 4: (2, 4, 2, 3), 5: (2, 4, 2, 2, 3)}),
    ],
)
def test_rings_are_even_or_thinner_outward_by_the_grading(level, expected):
    """A core of few layers, the outer core of many and a whole ball are graded; the rest even."""
    settings = LEVELS[level]
    for layers, rings in expected.items():
        counts = counts_of(layers, settings)
        assert tuple(map(len, counts.rings)) == rings
        graded = 1 if layers >= 4 else 0
        for number, places in enumerate(counts.rings):
            sizes = np.diff((0.0, *places))
            assert places[-1] == pytest.approx(1.0)
            ratio = 0.8 if number == graded else 1.0
            np.testing.assert_allclose(sizes[1:] / sizes[:-1], ratio, rtol=1e-9)
        assert counts.block == (0.7 if layers >= 4 else 0.6)
        assert counts.focus == 0.8


def test_the_fine_level_s_block_and_step_go_by_one_and_a_half_and_two():
    default, fine = LEVELS["default"], LEVELS["fine"]
    for name in ("normal", "lateral", "upward"):
        assert getattr(fine, name) == 1.5 * getattr(default, name)
    assert fine.thinnest_step == 0.5 * default.thinnest_step
    assert default == Settings()


def test_the_shipped_contact_is_the_cover_s_own_stiffness_both_ways_and_critically_damped():
    """docs/oblique.md: 1 M/t; the other choices are pinned, its figures were computed by them."""
    [body] = random_bodies(1, 7)
    settings = replace(SMALL, **{name: getattr(LEVELS["default"], name) for name in CHOICES})
    glassy = 1.0 + body.relaxation_strength.sum(axis=1)[-1]
    shear = body.dynamic_modulus_ratio[-1] * body.shear_modulus[-1]
    wave = body.dynamic_modulus_ratio[-1] * body.bulk_modulus[-1] + 4.0 / 3.0 * glassy * shear
    cover = body.outer_radius[-1] - body.outer_radius[-2]
    assert cover < THICK * body.outer_radius[-1]
    stiffness = wave / cover
    damping = 2.0 * np.sqrt(stiffness * 0.25 * solver_density(body)[-1] * cover)
    law = build_model(body, settings).law
    np.testing.assert_allclose(law, [stiffness, damping, stiffness, damping], rtol=1e-9)
    assert (settings.points, settings.hourglass, settings.bulk_viscosity) == (2, 0.8, 0.1)
    assert LEVELS["default"].precision == "single"
    assert LEVELS["default"].thinnest_step == 1e-6


@pytest.mark.parametrize("precision", ["single", "double"])
def test_the_last_block_is_filled_up_with_elements_that_weigh_nothing(precision):
    [body] = random_bodies(1, 7)
    odd = replace(SMALL, normal=3, lateral=1, upward=3, precision=precision)
    model = build_model(body, odd)
    real, width = model.mesh.hexes.shape[1], model.constant.shape[2]
    assert width == (16 if precision == "single" else 8)
    assert len(model.hexes) == -(-real // width) > 2
    rows = as_rows(model.constant)
    assert 0 < rows.shape[1] - real < width
    assert not rows[:, real:].any()
    of_each = [kernels.VOLUME, kernels.SHEAR, kernels.BULK, kernels.FREQUENCY, kernels.RELIEF]
    assert (rows[of_each, :real] > 0.0).all()
    corners = np.moveaxis(model.hexes, 1, 0).reshape(8, -1)
    np.testing.assert_array_equal(corners[:, :real], model.mesh.hexes)
    assert model.volume.shape == (real,)
    np.testing.assert_array_equal(model.volume, rows[kernels.VOLUME, :real])
