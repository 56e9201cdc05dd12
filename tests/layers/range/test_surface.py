"""Surfaces: published conditions, few rows, negative lift, draws, screens and the next shots."""

import numpy as np
import pytest

from layers.errors import InputError
from layers.flight.aerodynamics import ferguson_2022, us_6186002
from layers.flight.aerotable import stitch
from layers.flight.air import Air, humid_air
from layers.flight.influence import influence
from layers.flight.trajectory import fly
from layers.range.domain import hull_of
from layers.range.forms import forms
from layers.range.next_shots import _candidates, plan_shots
from layers.range.process import fit_process
from layers.range.rows_file import RangeRows
from layers.range.surface import Rows, _nodes, _place, fit_surface
from layers.range.symmetry import compare_orientations
from tests.helpers.range_data import invented_ball

# US 6,186,002: Re/1e5, S, CD, CL of seven conditions, as restated elsewhere.
SEVEN = np.array(
    [
        [0.81, 0.097, 0.223, 0.146],
        [0.81, 0.218, 0.305, 0.278],
        [1.23, 0.153, 0.256, 0.214],
        [1.25, 0.088, 0.226, 0.146],
        [1.61, 0.090, 0.234, 0.151],
        [2.00, 0.092, 0.241, 0.153],
        [1.98, 0.044, 0.231, 0.115],
    ]
)


def rows_of(cells, error=0.0):
    re, s, drag, lift = np.asarray(cells, float).T
    errors = np.full(len(re), error)
    return Rows(re, s, drag, lift, errors, errors)


def shot(reynolds, spin_ratio, law=invented_ball, noise=5e-4, seed=0):
    """Return rows of a law at conditions, with noise."""
    rng = np.random.default_rng(seed)
    re, s = np.asarray(reynolds, float), np.asarray(spin_ratio, float)
    c = law(re, s)
    size = (2, len(re))
    drag, lift = np.array([c.drag, c.lift]) + rng.normal(0.0, noise, size)
    return rows_of(np.column_stack([re, s, drag, lift]), noise)


def scattered(count, seed=0, **more):
    rng = np.random.default_rng(seed)
    return shot(rng.uniform(0.5e5, 2.2e5, count), rng.uniform(0.0, 0.4, count), **more, seed=seed)


@pytest.fixture(scope="module")
def seven():
    cells = SEVEN.copy()
    cells[:, 0] *= 1e5
    return fit_surface(rows_of(cells))


def test_published_seven_conditions_and_their_regression(seven):
    """The conditions come back within 0.002, and the printed regression within 3 errors of it."""
    re, s = SEVEN[:, 0] * 1e5, SEVEN[:, 1]
    drag, lift = seven.coefficients(re, s)
    np.testing.assert_allclose(drag, SEVEN[:, 2], atol=0.002)
    np.testing.assert_allclose(lift, SEVEN[:, 3], atol=0.002)
    printed = us_6186002(re, s)
    np.testing.assert_allclose(drag, printed.drag, atol=0.006)
    np.testing.assert_allclose(lift, printed.lift, atol=0.006)
    assert seven.drag.left_out_rms < 0.005
    assert seven.lift.left_out_rms < 0.008
    assert seven.drag.form.name == "regression and process"


def test_published_conditions_keep_their_printed_order(seven):
    """Sorted by drag and by lift through the surface, the seven rows come as they are printed."""
    drag, lift = seven.coefficients(SEVEN[:, 0] * 1e5, SEVEN[:, 1])
    assert (np.diff(drag[np.argsort(SEVEN[:, 2])]) > 0.0).all()
    order = np.argsort(SEVEN[:, 3], kind="stable")
    apart = np.diff(SEVEN[order, 3]) > 0.0  # two rows have the same lift
    assert (np.diff(lift[order])[apart] > 0.0).all()


def test_a_pattern_of_3_percent_less_drag_is_seen_everywhere():
    """Two invented balls at the published conditions: the surfaces keep their order."""
    cells = SEVEN.copy()
    cells[:, 0] *= 1e5
    lower = cells * [1.0, 1.0, 0.97, 1.0] - [0.0, 0.0, 0.0, 0.004]
    first, second = fit_surface(rows_of(cells)), fit_surface(rows_of(lower))
    re, s = cells[:, 0], cells[:, 1]
    assert (first.coefficients(re, s)[0] > second.coefficients(re, s)[0]).all()
    assert (first.coefficients(re, s)[1] > second.coefficients(re, s)[1]).all()


def test_errors_grow_outside_the_rows(seven):
    re = np.array([1.5e5, 2.4e5, 0.5e5])
    s = np.array([0.09, 0.09, 0.5])
    drag, lift = seven.standard_errors(re, s)
    assert drag[0] < 0.002 < drag[1] < drag[2]
    assert lift[0] < 0.003 < lift[1] < lift[2]
    outside = seven.outside(re, s)
    assert outside[0] == 0.0
    assert outside[1] == pytest.approx(0.4, abs=0.02)
    assert list(seven(re, s).inside) == [True, False, False]


def test_left_out_errors_are_those_of_refits():
    """Closed form against leaving one row out, its hyperparameters kept (ibid., eq. 5.12)."""
    rows = scattered(12, 3)
    form = forms("drag", rows.reynolds, rows.spin_ratio)[0]
    whole = fit_process(form, rows.reynolds, rows.spin_ratio, rows.drag, rows.drag_error)
    k = whole.to_rows(rows.reynolds, rows.spin_ratio) + np.diag(whole.noise)
    kept = np.arange(12) != 4
    weights = np.linalg.solve(k[np.ix_(kept, kept)], whole.residual[kept])
    error = whole.residual[4] - k[4, kept] @ weights
    variance = k[4, 4] - k[4, kept] @ np.linalg.solve(k[np.ix_(kept, kept)], k[kept, 4])
    assert whole.left_out_z[4] == pytest.approx(error / np.sqrt(variance), rel=1e-6)


@pytest.mark.parametrize(
    ("reynolds", "spin_ratio"),
    [
        ([1.2e5], [0.1]),
        ([0.9e5, 1.4e5, 1.9e5], [0.2, 0.1, 0.07]),
        (np.linspace(0.8e5, 2e5, 10), np.tile([0.08, 0.2], 5)),
        (np.full(8, 1.5e5), np.linspace(0.02, 0.3, 8)),
        (np.linspace(0.8e5, 2.2e5, 9), 18e3 / np.linspace(0.8e5, 2.2e5, 9)),
        (np.full(5, 1.5e5), np.full(5, 0.1)),
    ],
    ids=["one row", "three rows", "two spin ratios", "one Reynolds number", "a curve", "one point"],
)
def test_few_or_lined_up_rows_make_a_surface_that_knows_it(reynolds, spin_ratio):
    """Within 3.5 of its own errors of the truth at the rows, and unsure away from them."""
    surface = fit_surface(shot(reynolds, spin_ratio, ferguson_2022))
    re, s = np.asarray(reynolds, float), np.asarray(spin_ratio, float)
    truth = ferguson_2022(re, s)
    for got, sd, true in zip(
        surface.coefficients(re, s),
        surface.standard_errors(re, s),
        (truth.drag, truth.lift),
        strict=True,
    ):
        assert np.isfinite(got).all()
        assert (np.abs(got - true) < 3.5 * sd + 5e-4).all()
    far = surface.standard_errors(np.array([0.5e5]), np.array([0.6]))
    near = surface.standard_errors(re[:1], s[:1])
    assert far[0][0] > 4.0 * near[0][0]
    assert surface.outside(np.array([0.5e5]), np.array([0.6]))[0] > 2.0


def test_negative_lift_near_the_critical_reynolds_number_is_kept():
    re, s = (g.ravel() for g in np.meshgrid(np.linspace(0.5e5, 1.6e5, 12), [0.02, 0.05, 0.1, 0.2]))
    surface = fit_surface(shot(re, s))
    at = np.array([0.6e5, 1.2e5])
    lift = surface.coefficients(at, np.full(2, 0.02))[1]
    assert lift[0] < -0.1
    assert lift[1] > 0.03


def test_intervals_of_a_surface_hold():
    """Inside the rows of six sessions 95 % intervals of drag and lift hold 90 to 98.5 %."""
    held = []
    for seed in range(6):
        surface = fit_surface(scattered(50, seed))
        rng = np.random.default_rng(100 + seed)
        re, s = rng.uniform(0.5e5, 2.2e5, 300), rng.uniform(0.0, 0.4, 300)
        within = surface.outside(re, s) == 0.0
        truth = invented_ball(re, s)
        for got, sd, true in zip(
            surface.coefficients(re, s),
            surface.standard_errors(re, s),
            (truth.drag, truth.lift),
            strict=True,
        ):
            held.append((np.abs(got - true) < 1.96 * sd)[within])
    share = np.concatenate(held).mean()
    assert 0.90 <= share <= 0.985, share


def test_draws_have_the_surface_s_errors_and_repeat(seven):
    laws = seven.draws(120, 5)
    re, s = np.array([1.5e5, 2.4e5, 0.7e5]), np.array([0.09, 0.06, 0.4])
    drawn = np.array([[law(re, s).drag, law(re, s).lift] for law in laws])
    mean, sd = np.array(seven.coefficients(re, s)), np.array(seven.standard_errors(re, s))
    np.testing.assert_allclose(drawn.std(axis=0), sd, rtol=0.25)
    assert (np.abs(drawn.mean(axis=0) - mean) < 0.35 * sd).all()
    again, same = seven.draws(2, 5), seven.draws(2, 5)
    np.testing.assert_array_equal(again[1].grid, same[1].grid)
    flight = fly(60.0, 0.2, 250.0, mass=0.0459, diameter=0.0427, law=laws[0])
    assert 120.0 < flight.carry[0] < 240.0


def test_covariance_matches_standard_errors(seven):
    re, s = np.array([1.5e5, 2.4e5]), np.array([0.09, 0.06])
    for covariance, sd in zip(
        seven.covariance(re, s, re, s), seven.standard_errors(re, s), strict=True
    ):
        # The standard errors are read between nodes of a grid.
        np.testing.assert_allclose(np.sqrt(np.diag(covariance)), sd, rtol=0.04)


def test_a_common_error_widens_all(seven):
    wide = fit_surface(seven.rows, 0.01)
    re, s = np.array([1.5e5]), np.array([0.09])
    drag = wide.coefficients(re, s)[0]
    expected = np.hypot(seven.standard_errors(re, s)[0], 0.01 * drag)
    np.testing.assert_allclose(wide.standard_errors(re, s)[0], expected, rtol=1e-9)


def test_bad_rows_are_refused(seven):
    with pytest.raises(InputError, match="has 0 rows"):
        fit_surface(rows_of(np.zeros((0, 4))))
    cells = np.array([[1e5, 0.1, np.nan, 0.1]])
    with pytest.raises(InputError, match="drag of row 1 is no finite number"):
        fit_surface(rows_of(cells))


@pytest.mark.parametrize(("count", "said"), [(1000, "tried"), (1001, "has 1001 rows")])
def test_a_surface_takes_a_thousand_rows(monkeypatch, count, said):
    def tried(*_):
        raise InputError("tried")

    monkeypatch.setattr("layers.range.surface.fit_process", tried)
    with pytest.raises(InputError, match=said):
        fit_surface(rows_of(np.tile([1e5, 0.1, 0.25, 0.15], (count, 1))))


def test_analytic_places_over_the_grid_and_its_nodes():
    """From Re 2e4 to 3e5 in its logarithm and S from 0 to 1.5 in its root, held beyond."""
    re = np.array([1e4, 2e4, 6e4, 3e5 - 0.5, 3e5, 2e4 + 0.5])
    s = np.array([-0.1, 0.0, 0.375, 1.4999, 1.5, 2.0])
    x, y = _place(re, s)
    expected = np.log(np.maximum(re, 2e4) / 2e4) / np.log(15.0)
    np.testing.assert_allclose(x, expected, rtol=1e-12)
    np.testing.assert_allclose(x[2], np.log(3.0) / np.log(15.0), rtol=1e-12)
    np.testing.assert_allclose(y, [0.0, 0.0, 0.5, np.sqrt(1.4999 / 1.5), 1.0, 1.0], rtol=1e-12)
    nodes_re, nodes_s = (axis.reshape(129, 129) for axis in _nodes())
    np.testing.assert_allclose(nodes_re[[0, 64, 128], 5], [2e4, np.sqrt(6e9), 3e5], rtol=1e-12)
    np.testing.assert_allclose(nodes_s[5, [0, 64, 128]], [0.0, 0.375, 1.5], rtol=1e-12)


def test_where_nothing_is_said_the_range_s_air_is_the_usual(monkeypatch, seven):
    """Six shots of a ball of 42.67 mm."""
    monkeypatch.setattr("layers.range.next_shots._SPEEDS", np.array([30.0, 60.0]))
    monkeypatch.setattr("layers.range.next_shots._SPINS", np.array([0.0, 300.0]))
    flight = influence(70.0, 0.2, 280.0, mass=0.0459, diameter=0.0427, law=seven)
    plan = plan_shots(seven, [flight])
    assert len(plan.shots) == 6
    air = humid_air(20.0, 1013.25, 50.0)
    for shot in plan.shots:
        expected = air.density * 0.04267 / air.viscosity * shot.speed
        assert shot.reynolds == pytest.approx(expected, rel=1e-12)
        assert shot.spin_ratio == pytest.approx(0.04267 / 2.0 * shot.spin / shot.speed, rel=1e-12)


def test_a_bad_row_is_told_by_its_number(seven):
    for name in ("reynolds", "lift_error"):
        values = {n: np.full(3, 0.1) for n in Rows.__dataclass_fields__}
        values[name] = np.array([0.1, np.inf, np.nan])
        with pytest.raises(InputError, match=f"^mine: {name} of row 2 is no finite number"):
            fit_surface(Rows(**values), what="mine")


def test_hull_of_any_shape():
    square = hull_of(np.array([1e5, 2e5, 2e5, 1e5, 1.5e5]), np.array([0.1, 0.1, 0.2, 0.2, 0.15]))
    assert len(square.corners) == 4
    outside = square.outside(np.array([1.5e5, 3e5, 2e5]), np.array([0.12, 0.15, 0.3]))
    np.testing.assert_allclose(outside, [0.0, 1.0, 1.0], atol=1e-12)
    rng = np.random.default_rng(1)
    re, s = rng.uniform(0.8e5, 2.2e5, 500), rng.uniform(0.05, 0.25, 500)
    np.testing.assert_array_equal(square.inside(re, s), square.outside(re, s) == 0.0)
    line = hull_of(np.array([1e5, 2e5]), np.array([0.1, 0.1]))
    np.testing.assert_allclose(line.outside(np.array([1.5e5]), np.array([0.2])), [1.0])
    point = hull_of(np.array([1e5, 1e5]), np.array([0.1, 0.1]))
    np.testing.assert_allclose(point.outside(np.array([2e5]), np.array([0.1])), [1.0])


def orientations(shift):
    """Return rows of one ball in two orientations, the second's lift shifted."""
    first, second = scattered(25, 1), scattered(25, 2)
    both = {
        name: np.concatenate([getattr(first, name), getattr(second, name)])
        for name in Rows.__dataclass_fields__
    }
    both["lift"][25:] += shift
    names = ("pole",) * 25 + ("seam",) * 25
    return RangeRows(Rows(**both), ("",) * 50, ("",) * 50, names, tuple(range(2, 52)), ())


def test_symmetry_screen_sees_a_shift_and_no_more():
    same, other = compare_orientations(orientations(0.0)), compare_orientations(orientations(0.004))
    assert not same.lift.differs
    assert not other.drag.differs
    assert other.lift.differs
    assert other.lift.value == pytest.approx(0.004, abs=3.0 * other.lift.error)
    with pytest.raises(InputError, match="compares two"):
        compare_orientations(orientations(0.0).of(orientation="pole"))


def test_next_shots_leave_what_they_promise():
    """The error of carry after shots that are then added equals the plan's, exactly."""
    surface = fit_surface(scattered(15, 4))
    flight = influence(70.0, 0.2, 280.0, mass=0.0459, diameter=0.0427, law=surface)
    plan = plan_shots(surface, [flight], 3)
    np.testing.assert_array_equal(plan.carry, [flight.values[flight.of("carry")]])
    sds = [plan.carry_sd[0], *(s.carry_sd[0] for s in plan.shots)]
    assert (np.diff(sds) < 0.0).all()
    assert sds[1] < 0.9 * sds[0]
    where = flight.reynolds, flight.spin_ratio
    at = np.array([plan.shots[0].reynolds]), np.array([plan.shots[0].spin_ratio])
    variance = 0.0
    parts = (flight.drag[0], flight.lift[0])
    for g, whole, cross, own, sd in zip(
        parts,
        surface.covariance(*where, *where),
        surface.covariance(*where, *at),
        surface.covariance(*at, *at),
        plan.row_sd,
        strict=True,
    ):
        variance += g @ whole @ g - (g @ cross[:, 0]) ** 2 / (own[0, 0] + sd**2)
    assert sds[1] == pytest.approx(np.sqrt(variance), rel=1e-6)
    with pytest.raises(InputError, match="from 1 to 30"):
        plan_shots(surface, [flight], 0)


@pytest.mark.parametrize("kind", ["two spin ratios", "a curve"])
def test_a_measured_table_on_two_lines_or_a_curve_is_stitched(kind):
    s = np.linspace(0.05, 0.4, 14)
    re = 1e5 * (2.0 + 0.5 * s - 4.0 * s**2)
    if kind == "two spin ratios":
        re, s = np.tile(np.linspace(0.8e5, 2e5, 6), 2), np.repeat([0.08, 0.2], 6)
    c = ferguson_2022(re, s)
    law = stitch(np.column_stack([re, s, c.drag, c.lift]))
    np.testing.assert_allclose(law(re, s).drag, c.drag, atol=2e-3)
    np.testing.assert_allclose(law(re, s).lift, c.lift, atol=2e-3)


@pytest.mark.parametrize(
    ("count", "said"), [(0, "from 1 to 30"), (1, "tried"), (30, "tried"), (31, "from 1 to 30")]
)
def test_from_1_to_30_shots_are_planned(monkeypatch, seven, count, said):
    def tried(*_):
        raise InputError("tried")

    monkeypatch.setattr("layers.range.next_shots._candidates", tried)
    with pytest.raises(InputError, match=said):
        plan_shots(seven, [], count)


def test_candidates_are_what_a_launcher_does():
    """20 to 80 m/s and none to 9,000 rpm, but no spin faster than the flight."""
    speed, spin, re, s = _candidates(Air(1.2, 1.8e-5), 0.0427)
    assert sorted(set(speed)) == [5.0 * k for k in range(4, 17)]
    rpm = np.round(spin * 30.0 / np.pi, 9)
    assert sorted(set(rpm)) == [750.0 * k for k in range(13)]
    np.testing.assert_allclose(re, 1.2 * 0.0427 / 1.8e-5 * speed)
    np.testing.assert_allclose(s, 0.5 * 0.0427 * spin / speed)
    assert s.max() <= 1.0
    assert len(s) == 13 * 13 - 1  # 9,000 rpm at 20 m/s alone is faster
