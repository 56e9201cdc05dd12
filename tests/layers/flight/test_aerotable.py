"""Stitched tables in parts: reading a grid, the hull and what lies outside it, the smoothing."""

import numpy as np
import pytest

from layers.errors import InputError
from layers.flight import aerotable
from layers.flight.aerodynamics import ferguson_2022
from layers.flight.aerotable import MeasuredLaw, bilinear, stitch


def test_analytic_bilinear_reading_of_a_bilinear_grid():
    """Grids of a + b x + c y + d x y over cells of unequal number are read exactly, edges held."""
    terms = np.array([[0.3, 1.0, -2.0, 0.7], [1.1, -0.4, 0.9, -3.0]])

    def at(x, y):
        return np.array([a + b * x + c * y + d * x * y for a, b, c, d in terms])

    grid = at(*np.meshgrid(np.linspace(0.0, 1.0, 4), np.linspace(0.0, 1.0, 6), indexing="ij"))
    x = np.array([0.0, 0.1, 0.35, 0.5, 0.95, 1.0, 1.0, -0.4, 1.7])
    y = np.array([0.0, 0.9, 0.21, 0.5, 0.05, 0.3, 1.0, 2.0, -1.0])
    expected = at(np.clip(x, 0.0, 1.0), np.clip(y, 0.0, 1.0))
    np.testing.assert_allclose(bilinear(grid, x, y), expected, rtol=1e-12)


@pytest.mark.parametrize(("by", "inside"), [(1e-9, True), (1.001e-9, False)])
def test_a_law_holds_to_a_rounding_beyond_its_hull(by, inside):
    none = np.zeros(2)
    law = MeasuredLaw(
        np.zeros((1, 2)), none, none, none, none, np.ones(2), np.array([[0.0, 0.0, by]]),
        np.zeros((2, 2, 2)),
    )  # fmt: skip
    assert law(np.array([0.5]), np.array([0.5])).inside[0] == inside


# A right triangle, counter-clockwise, and its edges as unit normals and offsets.
CORNERS = np.array([[0.0, 0.0], [0.8, 0.0], [0.0, 0.6]])
EDGES = np.array([[0.0, -1.0, 0.0], [0.6, 0.8, -0.48], [-1.0, 0.0, 0.0]])
REACH = 1.5 / 128.0  # a cell's diagonal, 1.41 cells, and a little


# Of its sides and corners: a point, and a direction in which that is the nearest.
AROUND = [
    ((0.3, 0.0), (0.0, -1.0)),
    ((0.0, 0.2), (-1.0, 0.0)),
    ((0.4, 0.3), (0.6, 0.8)),
    ((0.0, 0.0), (-0.8, -0.6)),
    ((0.8, 0.0), (1.0, 0.0)),
    ((0.0, 0.6), (-0.28, 0.96)),
]


@pytest.mark.parametrize(("foot", "outward"), AROUND)
def test_analytic_points_outside_the_hull_come_within_reach_of_it(foot, outward):
    """Each side and corner of a triangle: the nearest point, and the reach beyond it."""
    foot, outward = np.array(foot), np.array(outward)
    distances = np.array([0.3, 1.1 * REACH, 0.9 * REACH, 0.4 * REACH])
    points = foot + distances[:, None] * outward
    got = aerotable._onto_hull(points, EDGES, CORNERS)
    expected = foot + np.minimum(distances, REACH)[:, None] * outward
    np.testing.assert_allclose(got, expected, atol=1e-14)


def test_points_inside_the_hull_stay():
    points = np.array([[0.1, 0.1], [0.4, 0.2], [0.01, 0.55], [0.0, 0.3], [0.2, 0.0]])
    np.testing.assert_array_equal(aerotable._onto_hull(points, EDGES, CORNERS), points)


def strip(area):
    """Return rows on a strip along the diagonal of their box, of so much of its area."""
    along = np.linspace(0.0, 1.0, 12)
    # The middle rows stand off the diagonal: a rhombus of diagonals sqrt 2 and 2 h sqrt 2.
    off = np.zeros(12)
    off[5], off[6] = 0.5 * area, -0.5 * area
    middle = np.isin(np.arange(12), (5, 6))
    x, y = np.where(middle, 0.5, along) + off, np.where(middle, 0.5, along) - off
    re, s = 1e5 + 1e5 * x, 0.05 + 0.3 * y
    c = ferguson_2022(re, s)
    return np.column_stack([re, s, c.drag, c.lift])


@pytest.mark.parametrize(("area", "fits"), [(0.9e-3, False), (1.1e-3, True)])
def test_rows_that_span_a_thousandth_of_their_box_are_no_line(monkeypatch, area, fits):
    def tried(*_):
        raise InputError("tried")

    monkeypatch.setattr(aerotable, "_surface", tried)
    with pytest.raises(InputError, match="tried" if fits else "lie on one line"):
        stitch(strip(area))


@pytest.fixture(scope="module")
def rows():
    rng = np.random.default_rng(2)
    re, s = rng.uniform(0.6e5, 2.2e5, 16), rng.uniform(0.05, 0.5, 16)
    c = ferguson_2022(re, s)
    noise = rng.normal(0.0, 0.004, (2, 16))
    return np.column_stack([re, s, c.drag + noise[0], c.lift + noise[1]])


def test_the_smoothing_foretells_best_of_half_decades(monkeypatch, rows):
    """From a millionth to a thousand; each alone foretells no better. 128 cells (docstring)."""
    law = stitch(rows)
    assert law.grid.shape == (2, 129, 129)
    trials = 10.0 ** np.arange(-6.0, 3.25, 0.5)
    np.testing.assert_allclose(aerotable._SMOOTHINGS, trials, rtol=1e-12)
    monkeypatch.setattr(aerotable, "_CELLS", 2)
    alone = []
    for trial in trials:
        monkeypatch.setattr(aerotable, "_SMOOTHINGS", np.array([trial]))
        alone.append(stitch(rows).foretold)
    best = np.argmin(alone, axis=0)
    assert (best > 0).all()
    assert (best < len(trials) - 1).any()
    np.testing.assert_allclose(law.smoothing, trials[best])
    np.testing.assert_allclose(law.foretold, np.min(alone, axis=0))


def test_the_residual_is_the_misfit_at_the_rows(monkeypatch):
    """Rows at corners and middle of their box, twice each: nodes of the grid, read exactly."""
    corners = np.array([[0.6e5, 0.05], [0.6e5, 0.5], [2.2e5, 0.05], [2.2e5, 0.5], [1.4e5, 0.275]])
    c = ferguson_2022(*corners.T)
    off = np.array([0.004, -0.003, 0.002, -0.004, 0.005])
    table = np.column_stack([corners, c.drag + off, c.lift - 2.0 * off])
    table = np.concatenate([table, table + np.array([0.0, 0.0, 0.001, 0.002])])
    monkeypatch.setattr(aerotable, "_SMOOTHINGS", np.array([0.1]))
    law = stitch(table)
    got = law(*table[:, :2].T)
    for i, values in enumerate((got.drag, got.lift)):
        misfit = np.sqrt(np.mean((values - table[:, 2 + i]) ** 2))
        assert law.residual[i] == pytest.approx(misfit, rel=1e-9)
    assert (law.residual < law.foretold).all()
