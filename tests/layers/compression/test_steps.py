"""From load to load: halved steps, the slope of an equilibrium, flags, the mesh, the penalty."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from layers.compression import curve as compression
from layers.compression.curve import KGF, Compression, compress, deflection_between
from layers.errors import InputError
from layers.graded.curve import RadialCurve
from tests.helpers.calculix import layered_body


def sphere(modulus_mpa=60.0):
    return layered_body([42.67], [modulus_mpa], [0.49], [1.15])


def test_the_default_loads_are_those_of_the_windows_and_one_between():
    """0.2, 5, 10, 15, 60 and 130 kgf by US 2020/0155905, and 15 N."""
    curve = compress(sphere())
    kgf = np.array([0.2, 5, 10, 15, 60, 130]) * 9.80665
    np.testing.assert_allclose(curve.force, np.sort([0.0, 15.0, *kgf]), rtol=1e-12)
    standard = curve.deflection_at(1274.8645) - curve.deflection_at(98.0665)
    assert deflection_between(curve) == pytest.approx(standard, rel=1e-12)
    assert deflection_between(curve, 5 * KGF, 15 * KGF) == pytest.approx(
        curve.deflection[5] - curve.deflection[3], rel=1e-9
    )


def test_analytic_a_curve_between_and_beyond_its_nodes():
    """A Hertz-like curve comes back everywhere; below the first load by its power from there."""
    force = np.array([0.0, 8.0, 27.0, 64.0, 125.0])
    hertz = Compression(force, 2.0 * force ** (2 / 3), np.zeros(5), "")
    for load in (1.0, 8.0, 9.0, 50.0, 125.0):
        assert hertz.deflection_at(load) == pytest.approx(2.0 * load ** (2 / 3), rel=1e-12)
    assert hertz.deflection_at(0.0) == 0.0
    # Stiffening as a line in the cube root: d = s^2 (2 - s / 10), s = F^(1/3).
    root = np.cbrt(force)
    bent = Compression(force, root**2 * (2.0 - 0.1 * root), np.zeros(5), "ends early.")
    assert bent.deflection_at(50.0) == pytest.approx(
        50.0 ** (2 / 3) * (2.0 - 0.1 * 50.0 ** (1 / 3)), rel=1e-12
    )
    assert bent.deflection_at(1.0) == pytest.approx(0.25 * bent.deflection[1], rel=1e-12)
    assert bent.deflection_at(125.0 * (1.0 + 5e-10)) == bent.deflection_at(125.0)
    for load in (-1e-9, 125.0 * (1.0 + 2e-9)):
        with pytest.raises(InputError, match=r"must be from 0 to 125 N \(ends early\.\)\."):
            bent.deflection_at(load)


@dataclass
class At:
    """An equilibrium of nothing but its numbers."""

    force: float
    deflection: float = 0.0
    contact_radius: float = 0.0


def reached(monkeypatch, longest, start, load):
    """Return forces tried, and the end, where a step in F^(2/3) of at most `longest` converges."""
    tried = []

    def equilibrium(press, state, force):
        tried.append(force)
        step = force ** (2 / 3) - state.force ** (2 / 3)
        return At(force) if step <= longest * (1.0 + 1e-9) else None

    monkeypatch.setattr(compression, "_equilibrium", equilibrium)
    return np.array(tried), compression._reach(None, At(start), load), tried


def test_a_load_is_reached_at_once_or_by_halved_steps(monkeypatch):
    _, found, tried = reached(monkeypatch, 100.0, 8.0, 64.0)
    assert (found.force, tried) == (64.0, [64.0])
    # From F^(2/3) = 4 to 16: a step of 6 is the longest; then the rest in one go.
    _, found, tried = reached(monkeypatch, 6.0, 8.0, 64.0)
    assert found.force == 64.0
    np.testing.assert_allclose(np.power(tried, 2 / 3), [16.0, 10.0, 16.0])
    # A step of 3: half and half again; doubled after each, and halved where that fails.
    _, found, tried = reached(monkeypatch, 3.0, 8.0, 64.0)
    assert found.force == 64.0
    steps = [16.0, 10.0, 7.0, 11.5, 9.25, 12.625, 10.9375, 13.46875]
    np.testing.assert_allclose(np.power(tried, 2 / 3)[:8], steps)
    _, found, tried = reached(monkeypatch, -1.0, 8.0, 64.0)
    assert found is None
    np.testing.assert_allclose(np.power(tried, 2 / 3), 4.0 + 12.0 * 0.5 ** np.arange(8.0))


def test_flags_of_a_flattened_body_and_of_one_that_stops(monkeypatch):
    """Beyond 40 % of the diameter; the first load that fails ends the curve."""
    radius = float(sphere().outer_radius[-1])
    most = 0.4 * 2.0 * radius
    ways = {10.0: 0.5 * most, 20.0: most, 30.0: 1.001 * most, 40.0: 1.2 * most}

    def reach(press, state, load):
        return At(load, ways[load], 1e-3 * load) if load in ways else None

    monkeypatch.setattr(compression, "_reach", reach)
    assert compress(sphere(), np.array([10.0, 20.0])).flag == ""
    flat = (
        "from 30 N on, the body is flattened by more than 40% of its diameter, where the figures "
        "are not to be trusted."
    )
    found = compress(sphere(), np.array([10.0, 20.0, 30.0, 40.0]))
    assert found.flag == flat
    assert found.deflection.tolist() == [0.0, *ways.values()]
    assert found.contact_radius.tolist() == [0.0, 0.01, 0.02, 0.03, 0.04]
    stop = (
        "no equilibrium was found beyond {} N; the curve stops there (a layer is too soft for the "
        "load)."
    )
    found = compress(sphere(), np.array([10.0, 30.0, 35.0, 40.0]))
    assert found.flag == f"{flat} {stop.format(30)}"
    assert found.force.tolist() == [0.0, 10.0, 30.0]
    assert compress(sphere(), np.array([10.0, 15.0])).flag == stop.format(10)


@pytest.fixture(scope="module")
def press():
    return compression._press(sphere(), "default")


def test_analytic_the_slope_of_an_equilibrium(press):
    """Displacements and height over F^(2/3), by the difference of two loads beside it."""
    start = compression._State.unloaded(press)
    assert (start.force, start.height, start.deflection) == (0.0, press.radius, 0.0)
    assert start.height_slope == -0.5 * compression._hertz_slope(press.body)
    ends = [compression._reach(press, start, 400.0 * (1.0 + x)) for x in (-1e-4, 0.0, 1e-4)]
    step = ends[2].force ** (2 / 3) - ends[0].force ** (2 / 3)
    slope = (ends[2].height - ends[0].height) / step
    assert ends[1].height_slope == pytest.approx(slope, rel=1e-3)
    moves = (ends[2].u - ends[0].u) / step
    np.testing.assert_allclose(ends[1].u_slope, moves, atol=2e-3 * np.abs(moves).max())
    # The rim before loading lies outside its place now but for the outward squeeze.
    assert ends[1].origin == pytest.approx(ends[1].contact_radius, rel=0.05)


def test_limits_the_penaltys_give_is_taken_off(monkeypatch):
    """A penalty ten times as stiff hardly moves the approach; its own give was 0.3 and 0.15 %."""
    loads = np.array([10.0, 130.0]) * KGF
    usual = compress(sphere(), loads).deflection[1:]
    monkeypatch.setattr(compression, "_PENALTY", 3e4)
    apart = np.abs(usual / compress(sphere(), loads).deflection[1:] - 1.0)
    assert apart[0] < 2e-3  # of first order: the rim of a small contact is within an element
    assert apart[1] < 2e-4


def test_analytic_the_penalty_follows_the_mean_shear_modulus_and_a_soft_cover():
    """By thickness, over the radius; a cover softer than a tenth of it sets the scale itself."""
    even = compression._press(sphere(60.0), "default").penalty
    thick = layered_body([30.0, 42.67], [60.0, 180.0], [0.49, 0.49], [1.1, 1.1])
    mean = (60.0 * 30.0 + 180.0 * 12.67) / 42.67
    assert compression._press(thick, "default").penalty == pytest.approx(even * mean / 60.0)
    soft = layered_body([30.0, 42.67], [600.0, 20.0], [0.49, 0.49], [1.1, 1.1])
    assert compression._press(soft, "default").penalty == pytest.approx(even * 200.0 / 60.0)
    small = layered_body([21.335], [60.0], [0.49], [1.15])
    assert compression._press(small, "default").penalty == pytest.approx(2.0 * even)


def counts(diameters, level="default"):
    body = layered_body(diameters, [60.0] * len(diameters), [0.49] * len(diameters), [1.1])
    return np.bincount(compression._layout_of(body, level).layer).tolist()


def test_elements_of_a_layer_are_by_its_share_of_the_radius():
    """One, two or three across below 14, 40 and 100 %; a core of many layers has one ring."""
    block, around = 13 * 2, 15
    three = block + 3 * around
    assert counts([50.0]) == [three]
    assert counts([43.2, 50.0]) == [three, around]  # 13.6 %
    assert counts([42.8, 50.0]) == [three, 2 * around]  # 14.4 %
    assert counts([30.2, 50.0]) == [three, 2 * around]  # 39.6 %
    assert counts([29.8, 50.0]) == [three, 3 * around]
    assert counts([40.0, 45.0, 50.0]) == [three, around, around]
    assert counts([35.0, 40.0, 45.0, 50.0]) == [block + around, around, around, around]
    assert counts([42.8, 50.0], "fine") == [4 * three, 4 * 2 * around]


def test_elements_along_the_surface_grow_from_the_pole():
    """Finest where the rim of the contact passes: no element is shorter than the one before."""
    angles = np.array(compression._ANGLES_DEG)
    assert (angles[0], angles[-1], len(angles)) == (0.0, 90.0, 16)
    widths = np.diff(angles)
    assert (np.diff(widths) > 0.0).all()
    assert (widths[:11] < 4.0).all()  # to 21.5 degrees, beyond the rim at 130 kgf
    assert (widths[:6] < 2.0).all()
    mesh = compression._layout_of(sphere(), "fine")
    surface = (mesh.basis @ sphere().outer_radius)[mesh.edges]
    ends = np.degrees(np.arctan2(surface[:, [0, 2], 0], surface[:, [0, 2], 1]))
    np.testing.assert_allclose(ends[::2, 0], angles[:-1], atol=1e-9)
    np.testing.assert_allclose(ends[1::2, 0], 0.5 * (angles[1:] + angles[:-1]), atol=1e-9)


def test_a_body_of_another_size_and_stiffness_is_the_same_one_rescaled():
    """Lengths by two and moduli by three: forces by twelve, with the same strains."""
    body = layered_body([38.0, 42.67], [30.0, 250.0], [0.48, 0.45], [1.1, 1.0])
    loads = np.array([20.0, 500.0])
    large = replace(
        body,
        outer_radius=2.0 * body.outer_radius,
        shear_modulus=3.0 * body.shear_modulus,
        bulk_modulus=3.0 * body.bulk_modulus,
    )
    one, other = compress(body, loads), compress(large, 12.0 * loads)
    np.testing.assert_allclose(other.deflection, 2.0 * one.deflection, rtol=1e-7)
    np.testing.assert_allclose(other.contact_radius, 2.0 * one.contact_radius, rtol=1e-6)


def test_newtons_method_starts_close_to_each_equilibrium(monkeypatch):
    """From the tangent over F^(2/3) and Hertz's rim: a load a fortieth up takes one iteration."""
    taken = []
    assemble = compression.assemble

    def counted(*given):
        taken.append(0)
        return assemble(*given)

    monkeypatch.setattr(compression, "assemble", counted)
    assert compress(sphere()).flag == ""
    assert len(taken) <= 24  # of seven loads: three each, four for the two long steps
    taken.clear()
    compress(sphere(), np.array([400.0]))
    first = len(taken)
    compress(sphere(), np.array([400.0, 410.0]))
    assert len(taken) == 2 * first + 1


def test_loads_may_be_small_and_close_but_must_be_a_growing_row(monkeypatch):
    monkeypatch.setattr(compression, "_reach", lambda press, state, load: At(load))
    assert compress(sphere(), np.array([0.3, 0.6])).force.tolist() == [0.0, 0.3, 0.6]
    for loads in ([0.0, 5.0], [[5.0, 6.0]], [5.0, 4.0]):
        with pytest.raises(InputError) as caught:
            compress(sphere(), np.array(loads))
        assert str(caught.value) == f"loads are {loads}, but must be positive and growing (N)."


def test_a_graded_cover_meets_the_plate_with_its_surface():
    """Hertz's start takes the modulus at the outer radius alone."""
    plain = layered_body([38.0, 42.67], [60.0, 120.0], [0.49, 0.45], [1.1, 1.0])
    ends = tuple(plain.outer_radius)
    graded = replace(plain, modulus_curve=(None, RadialCurve(ends, (0.5, 2.0))))
    stiff = layered_body([38.0, 42.67], [60.0, 240.0], [0.49, 0.45], [1.1, 1.0])
    slope = compression._hertz_slope(graded)
    assert slope == pytest.approx(compression._hertz_slope(stiff), rel=1e-12)
    even = replace(plain, modulus_curve=(RadialCurve((0.0, ends[0]), (0.5, 2.0)), None))
    assert compression._hertz_slope(even) == compression._hertz_slope(plain)


def test_analytic_even_curves_are_factors_on_the_modulus():
    plain = layered_body([38.0, 42.67], [60.0, 120.0], [0.49, 0.45], [1.1, 1.0])
    curves = tuple(RadialCurve((0.0, 1.0), (x, x)) for x in (0.5, 1.5))
    by_hand = layered_body([38.0, 42.67], [30.0, 180.0], [0.49, 0.45], [1.1, 1.0])
    loads = np.array([400.0])
    found = compress(replace(plain, modulus_curve=curves), loads).deflection[-1]
    # The penalty's scale is by the layers' own moduli: its give is taken off to first order.
    assert found == pytest.approx(compress(by_hand, loads).deflection[-1], rel=5e-4)
