"""Drag and lift: published laws against their own conditions, and tables of the user's own."""

import numpy as np
import pytest
from scipy.interpolate import RBFInterpolator

from layers.errors import InputError
from layers.flight import aerodynamics, aerotable
from layers.flight.aero_file import read_aero_table, rows_from_csv
from layers.flight.aerodynamics import LAWS, ferguson_2022, find_law, us_6186002
from layers.flight.aerotable import stitch
from layers.flight.trajectory import fly

# US 6,186,002, seven conditions in an indoor range, as restated elsewhere (S).
SEVEN = """reynolds_1e5,spin_ratio,drag_coefficient,lift_coefficient,note
1.98,.044,.231,.115,slow spin
0.81,.097,.223,.146,
0.81,.218,.305,.278
1.23,.153,.256,.214
1.25,.088,.226,.146

1.61,.090,.234,.151
2.00,.092,.241,.153
"""


def scattered(n=60, noise=0.003, seed=5):
    """Draw conditions from a law with scatter, as an indoor range gives them."""
    rng = np.random.default_rng(seed)
    re, s = rng.uniform(0.5e5, 2.4e5, n), rng.uniform(0.03, 0.7, n)
    c = ferguson_2022(re, s)
    return np.column_stack(
        [re, s, c.drag + rng.normal(0, noise, n), c.lift + rng.normal(0, noise, n)]
    )


def test_published_regression_meets_its_conditions():
    rows = rows_from_csv(SEVEN, "seven.csv")
    got = us_6186002(rows[:, 0], rows[:, 1])
    assert got.inside.all()
    np.testing.assert_allclose(got.drag, rows[:, 2], atol=0.005)
    np.testing.assert_allclose(got.lift, rows[:, 3], atol=0.005)
    off = us_6186002(rows[:, 0], rows[:, 1] + 0.02)  # guard: 0.02 of spin ratio is seen
    assert np.abs(off.lift - rows[:, 3]).max() > 0.005


def test_published_table_of_bearman_and_harvey():
    knots = np.array([0.02, 0.05, 0.10, 0.15, 0.20, 0.25, 0.275])
    got = aerodynamics.bearman_harvey_1976(np.full(7, 2e5), knots)
    np.testing.assert_allclose(got.drag, [0.265, 0.264, 0.267, 0.283, 0.299, 0.3125, 0.319])
    np.testing.assert_allclose(got.lift, [0.081, 0.111, 0.144, 0.177, 0.211, 0.2465, 0.262])


def test_published_smits_smith_by_hand():
    """At Re 1.9e5 the sine is 1: CD = 0.30 + 0.18 S; S = 0.1 gives CL = 0.54 / 10^0.4 = 0.21498."""
    got = aerodynamics.smits_smith_1994(np.array([1.9e5]), np.array([0.1]))
    assert got.drag[0] == pytest.approx(0.318, abs=1e-12)
    assert got.lift[0] == pytest.approx(0.21498, abs=1e-5)


def test_published_laws_by_hand_in_their_reynolds_numbers():
    """US 6,186,002 at r = 2, S = 0.1; Smits and Smith at no and at an eighth of a turn."""
    got = us_6186002(np.array([2.0e5]), np.array([0.1]))
    assert got.drag[0] == pytest.approx(0.2028 + 0.028466 + 0.0330 - 0.02159, abs=1e-12)
    assert got.lift[0] == pytest.approx(0.0860 + 0.06463 - 0.00305 + 0.014789, abs=1e-12)
    got = aerodynamics.smits_smith_1994(np.array([0.9e5, 1.4e5]), np.array([0.1, 0.1]))
    np.testing.assert_allclose(got.drag, [0.258, 0.258 + 0.06 * np.sqrt(0.5)], rtol=1e-12)


@pytest.mark.parametrize(
    ("name", "reynolds", "spin_ratio"),
    [
        ("us 6186002", (0.81e5, 2.0e5), (0.044, 0.22)),
        ("bearman harvey 1976", (1.26e5, 2.38e5), (0.02, 0.275)),
        ("smits smith 1994", (0.7e5, 2.1e5), (0.08, 0.2)),
        ("ferguson 2022", (1e3, 1e7), (0.02, 0.75)),
    ],
)
def test_limits_ranges_are_flagged_and_held(name, reynolds, spin_ratio):
    law = find_law(name)
    re, s = np.meshgrid(np.linspace(*reynolds, 7), np.linspace(*spin_ratio, 7))
    assert law(re, s).inside.all()
    beyond_s = law(re[:, 0], np.full(7, spin_ratio[1] + 1e-9))
    assert not beyond_s.inside.any()
    assert not law(re[:, 0], np.full(7, spin_ratio[0] - 1e-9)).inside.any()
    still = law(re[0, :], np.zeros(7))
    np.testing.assert_allclose(still.lift, law(re[0, :], np.full(7, spin_ratio[0])).lift)
    held = law(re[0, :], np.full(7, 5.0))
    np.testing.assert_allclose(held.lift, law(re[0, :], np.full(7, spin_ratio[1])).lift)
    if name != "ferguson 2022":
        assert not law(np.full(7, reynolds[0] - 0.5), s[:, 0]).inside.any()
        assert not law(np.full(7, reynolds[1] + 0.5), s[:, 0]).inside.any()
    assert not law(np.array([np.nan, 1.5e5]), np.array([0.1, np.nan])).inside.any()


def test_limits_laws_agree_roughly_where_they_overlap():
    """Dimples differ: drag within 25 % and lift within 30 % of the mean at Re 1.5e5."""
    s = np.linspace(0.08, 0.2, 5)
    every = [law(np.full(5, 1.5e5), s) for law in LAWS.values()]
    for each in (np.array([c.drag for c in every]), np.array([c.lift for c in every])):
        assert np.abs(each / each.mean(axis=0) - 1.0).max() < 0.30


def test_unknown_law_offers_the_nearest():
    with pytest.raises(InputError, match="did you mean 'ferguson 2022'"):
        find_law("ferguson 2021")
    with pytest.raises(InputError, match=r"'x' is not known; known: ferguson 2022, smits smith 1"):
        find_law("x")


# --- the user's own table -----------------------------------------------------------------------


def test_published_conditions_stitched():
    """Seven rows make a surface that meets both coefficients within 0.002 at the rows."""
    rows = rows_from_csv(SEVEN, "seven.csv")
    law = stitch(rows)
    got = law(rows[:, 0], rows[:, 1])
    assert got.inside.all()
    np.testing.assert_allclose(got.drag, rows[:, 2], atol=0.002)
    np.testing.assert_allclose(got.lift, rows[:, 3], atol=0.002)
    outside = law(np.array([0.81e5, 2.0e5, 1.4e5]), np.array([0.05, 0.2, 0.5]))
    assert not outside.inside.any()


def scipy_surface(points, values, smoothing):
    """SciPy's spline over a plane, with the S^2 of the trend taken off the values beforehand.

    Its share c makes the weights, which are misfit over smoothing, free of S^2.
    """

    def spline(of):
        return RBFInterpolator(points, of, smoothing=smoothing, degree=1)

    square = points[:, 1] ** 2
    c = np.dot(square, values - spline(values)(points)) / np.dot(
        square, square - spline(square)(points)
    )
    rest = spline(values - c * square)
    return lambda at: rest(at) + c * at[:, 1] ** 2


def test_limits_surface_against_scipy():
    """The surface that flights read is SciPy's within 1e-4 everywhere inside the conditions."""
    rows = scattered(seed=7)
    law = stitch(rows)
    rng = np.random.default_rng(6)
    re, s = rng.uniform(0.5e5, 2.4e5, 3000), rng.uniform(0.03, 0.7, 3000)
    got = law(re, s)
    assert 2000 < got.inside.sum() < 2990
    scaled = (rows[:, :2] - law.low) / (law.high - law.low)
    at = ((np.column_stack([re, s]) - law.low) / (law.high - law.low))[got.inside]
    for row, values in enumerate((got.drag, got.lift)):
        want = scipy_surface(scaled, rows[:, 2 + row], law.smoothing[row])
        assert np.abs(want(at) - values[got.inside]).max() < 1e-4
        rougher = scipy_surface(scaled, rows[:, 2 + row], 0.01 * law.smoothing[row])
        assert np.abs(rougher(at) - values[got.inside]).max() > 1e-4  # guard


def test_limits_foretold_is_leave_one_out_indeed():
    rows = scattered(25)
    law = stitch(rows)
    scaled = (rows[:, :2] - law.low) / (law.high - law.low)
    miss = []
    for i in range(len(rows)):
        others = np.arange(len(rows)) != i
        want = scipy_surface(scaled[others], rows[others, 2], law.smoothing[0])
        miss.append(want(scaled[i : i + 1])[0] - rows[i, 2])
    assert law.foretold[0] == pytest.approx(np.sqrt(np.mean(np.square(miss))), rel=1e-6)


def test_limits_hull_against_half_planes_and_held_values():
    rows = scattered(12)
    law = stitch(rows)
    far_re, far_s = np.array([9e5]), np.array([rows[:, 1].mean()])
    assert not law(far_re, far_s).inside[0]
    assert rows[:, 2].min() - 0.02 < law(far_re, far_s).drag[0] < rows[:, 2].max() + 0.02
    low, high, middle = law.low, law.high, rows[:, :2].mean(axis=0)
    for axis, beyond in ((0, 1e5), (1, 0.3)):
        for edge, step in ((low, -beyond), (high, beyond)):
            held, out = middle.copy(), middle.copy()
            held[axis], out[axis] = edge[axis], edge[axis] + step
            assert law(*out).drag == law(*held).drag
            assert law(*out).lift == law(*held).lift
    assert law(middle[:1], middle[1:]).inside[0]
    assert law(rows[:, 0], rows[:, 1]).inside.all()


def test_table_recovers_the_law_it_was_drawn_from():
    """Scatter of 0.003 on 60 rows: the surface is nearer the law than the rows are, and so a drive
    inside the measured conditions carries within 1 %.
    """
    rows = scattered()
    law = stitch(rows)
    true = ferguson_2022(rows[:, 0], rows[:, 1])
    got = law(rows[:, 0], rows[:, 1])
    assert np.sqrt(np.mean((got.drag - true.drag) ** 2)) < 0.6 * 0.003
    launch = (70.0, 0.2, 300.0)
    ball = {"mass": 0.0459, "diameter": 0.0427}
    ours, theirs = fly(*launch, **ball, law=law, policy="refuse"), fly(*launch, **ball)
    assert ours.carry[0] == pytest.approx(theirs.carry[0], rel=0.01)


def test_order_and_units_of_the_file_do_not_matter():
    other = ["lift_coefficient, spin_ratio ,REYNOLDS,drag_coefficient"]
    for line in reversed(SEVEN.split("\n")[1:]):
        if line:
            re, s, drag, lift = line.split(",")[:4]
            other.append(f"{lift},{s},{float(re) * 1e5:.0f},{drag}")
    a = stitch(rows_from_csv(SEVEN, "a"))
    b = stitch(rows_from_csv("\r\n".join(other), "b"))
    np.testing.assert_allclose(a.grid, b.grid, atol=1e-7)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("1.23,.153,.256", "1.23,.153,O.256", "row 5, column drag_coefficient is 'O.256', but mus"),
        ("1.23,.153,.256", "123000,.153,.256", "row 5, column reynolds_1e5 .* from 0.1 to 10"),
        ("1.23,.153,.256,.214", "1.23,.153,.256", "row 5, column lift_coefficient is ''"),
        ("1.23,.153", "1.23,nan", "row 5, column spin_ratio is 'nan'"),
        ("2.00,.092,.241,.153", "2.00,.092,.241,2.5", "row 9, column lift_coefficient is '2.5'"),
        ("spin_ratio", "spin_rat", "row 1, column 'spin_rat' is not known; did you mean spin_rati"),
        ("note", "reynolds", "row 1, column 'reynolds' gives reynolds a second time"),
        (",lift_coefficient,note", ",note", "row 1 lacks the column lift_coefficient"),
    ],
)
def test_bad_cells_are_named_by_row_and_column(tmp_path, old, new, words):
    file = tmp_path / "range.csv"
    file.write_text(SEVEN.replace(old, new))
    with pytest.raises(InputError, match=words):
        read_aero_table(file)


def test_bad_tables_are_refused(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_aero_table(tmp_path / "absent.csv")
    with pytest.raises(InputError, match="is empty"):
        rows_from_csv("", "t.csv")
    with pytest.raises(InputError, match="t has 5 rows, but must have from 6 to 500"):
        stitch(scattered(5), "t")
    rows = scattered(12)
    line = rows.copy()
    line[:, 1] = 0.05 + line[:, 0] / 1e6
    with pytest.raises(InputError, match="lie on one line"):
        stitch(line)
    constant = rows.copy()
    constant[:, 0] = 1e5
    with pytest.raises(InputError, match="lie on one line"):
        stitch(constant)
    line[0, 1] = 0.6
    with pytest.raises(InputError, match="without one of its rows"):
        stitch(line)


def test_repeats_are_allowed():
    rows = scattered(20)
    again = rows[:5] + np.array([0.0, 0.0, 0.004, -0.004])
    law = stitch(np.concatenate([rows, again]))
    between = law(rows[:5, 0], rows[:5, 1]).drag
    assert np.abs(between - rows[:5, 2] - 0.002).max() < 0.005


@pytest.mark.parametrize(
    ("count", "said"), [(5, "has 5 rows"), (6, "tried"), (500, "tried"), (501, "has 501 rows")]
)
def test_a_table_has_from_6_to_500_rows(monkeypatch, count, said):
    def tried(*_):
        raise InputError("tried")

    monkeypatch.setattr("layers.flight.aerotable._surface", tried)
    rng = np.random.default_rng(0)
    rows = np.column_stack([rng.uniform(1e5, 2e5, count), rng.uniform(0.05, 0.3, (count, 3))])
    with pytest.raises(InputError, match=said):
        stitch(rows)


@pytest.mark.parametrize(("share", "terms"), [(0.8e-6, 3), (1.25e-6, 4)])
def test_a_square_of_spin_ratio_needs_a_millionth_of_its_own(share, terms):
    """Rows at two spin ratios but for two: what S^2 adds is a share of the largest direction."""
    rng = np.random.default_rng(3)
    points = np.column_stack([rng.uniform(0.0, 1.0, 12), np.tile([0.0, 1.0], 6)])

    def off(by):
        moved = points.copy()
        moved[[2, 5, 8, 9], 1] += by * np.array([1.0, -1.0, 1.5, -2.0])
        return moved

    size = np.linalg.svd(aerotable._trend(off(1e-4), 4), compute_uv=False)
    by = share / (size[-1] / size[0]) * 1e-4
    size = np.linalg.svd(aerotable._trend(off(by), 4), compute_uv=False)
    assert size[-1] / size[0] == pytest.approx(share, rel=1e-3)
    assert aerotable._terms(off(by)) == terms


def test_a_square_of_spin_ratio_that_hangs_on_one_row_is_left_out():
    """All rows but one at two spin ratios: without that row nothing tells the square."""
    rng = np.random.default_rng(4)
    points = np.column_stack([rng.uniform(0.0, 1.0, 12), np.tile([0.0, 1.0], 6)])
    points[7, 1] = 0.5
    assert aerotable._terms(points) == 3
    points[8, 1] = 0.3
    assert aerotable._terms(points) == 4
