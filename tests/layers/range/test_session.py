"""Sessions: when rows have a surface; what a table of rows tells; two orientations by hand."""

from dataclasses import replace

import numpy as np
import pytest

from layers.flight.aero_file import table_from_csv
from layers.range import session as session_module
from layers.range.forms import forms
from layers.range.process import fit_process
from layers.range.reduction import reduce_tracks
from layers.range.rows_file import RangeRows, rows_of, rows_text
from layers.range.surface import Rows
from layers.range.symmetry import Difference, _difference, compare_orientations
from tests.helpers.range_data import session
from tests.layers.range.test_reduction import steady


@pytest.mark.parametrize(
    ("count", "balls", "fits"),
    [(3, 1, False), (4, 1, True), (4, 2, False), (1000, 1, True), (1001, 1, False)],
)
def test_a_surface_takes_four_rows_of_one_ball(monkeypatch, count, balls, fits):
    monkeypatch.setattr(session_module, "fit_surface", lambda rows, what: (len(rows.drag), what))
    head = "ball,reynolds,spin_ratio,drag_coefficient,lift_coefficient\n"
    text = head + "".join(f"b{i % balls},1e5,0.1,0.25,0.15\n" for i in range(count))
    rows, surface = session_module._surface(text, "mine")
    assert len(rows.ball) == count
    assert surface == ((count, "mine") if fits else None)


def test_no_row_is_no_table():
    tracks, _ = session(steady, 3, 3, screens=True)
    found = session_module.reduce_session(tracks)
    assert found.text.count("\n") == 1
    assert found.rows is found.surface is None


def test_a_session_s_rows_are_told_in_their_units():
    tracks, _ = session(steady, 5, 3)
    lift = np.where(np.arange(12)[:, None] < 3, [True] * 3, [True, False, True])
    position = tracks.position.copy()
    position[1] = np.where(lift, position[1], np.nan)  # three heights tell no lift
    found = reduce_tracks(replace(tracks, position=position))
    added = np.column_stack([np.full(5, 0.01), np.full(5, 0.02)])
    lines = rows_text(found, added).splitlines()
    rows = [dict(zip(lines[0].split(","), line.split(","), strict=True)) for line in lines[1:]]
    assert [row["launch"] for row in rows] == ["L001", "L003", "L004", "L005"]
    kept = np.array([0, 2, 3, 4])

    def column(name):
        return np.array([float(row[name]) for row in rows])

    np.testing.assert_allclose(
        column("spin_rpm") * 2.0 * np.pi / 60.0, found.spins.spin[kept], rtol=1e-6
    )
    np.testing.assert_allclose(column("speed_m_s"), found.speed[kept], rtol=1e-6)
    np.testing.assert_allclose(column("side_coefficient"), found.side[kept], rtol=1e-6)
    np.testing.assert_allclose(column("side_standard_error"), found.side_sd[kept], rtol=1e-6)
    np.testing.assert_allclose(column("spin_decay"), found.spins.decay[kept], rtol=1e-6)
    for name, own, more in (("drag", found.drag_sd, 0.01), ("lift", found.lift_sd, 0.02)):
        expected = np.hypot(own[kept], more)
        np.testing.assert_allclose(column(f"{name}_standard_error"), expected, rtol=1e-6)


def test_one_and_more_rows_of_swapped_columns_are_told():
    head = "reynolds,spin_ratio,drag_coefficient,lift_coefficient\n"
    for count, words in ((1, "(row 2), which"), (2, "(row 2 and others), which")):
        with pytest.raises(Exception, match="swapped") as found:
            rows_of(table_from_csv(head + "1e5,0.1,0.15,0.23\n" * count, "r.csv"), "r.csv")
        assert words in str(found.value)


@pytest.mark.parametrize(("value", "differs"), [(1.95, False), (1.97, True), (-1.97, True)])
def test_a_difference_counts_beyond_its_error_of_95_percent(value, differs):
    assert Difference(value * 3e-3, 3e-3).differs == differs


def rows_at(re, s, drag, error):
    errors = np.full(len(re), error)
    return Rows(re, s, drag, 0.6 * drag, errors, errors)


RE, S = np.linspace(0.8e5, 2.0e5, 8), np.tile([0.08, 0.2], 4)
DRAG = 0.22 + 0.3 * S


def test_analytic_the_difference_of_one_row_is_its_own():
    """Row less surface; the surface's, the row's and the scatter's variances together."""
    process = fit_process(forms("drag", RE, S)[0], RE, S, DRAG, np.full(8, 1e-3))
    re, s = np.array([1.3e5]), np.array([0.15])
    found = _difference(process, re, s, np.array([0.3]), np.array([2e-3]))
    assert found.value == pytest.approx(0.3 - process.mean(re, s)[0], rel=1e-9)
    variance = process.posterior(re, s, re, s)[0, 0] + 2e-3**2 + process.scatter**2
    assert found.error == pytest.approx(np.sqrt(variance), rel=1e-9)


def test_analytic_the_difference_of_two_rows_is_weighed_by_their_inverse_covariance():
    process = fit_process(forms("drag", RE, S)[0], RE, S, DRAG, np.full(8, 1e-3))
    re, s, errors = np.array([0.9e5, 2.2e5]), np.array([0.1, 0.3]), np.array([1e-3, 4e-3])
    values = np.array([0.26, 0.31])
    (a, b), (_, c) = process.posterior(re, s, re, s) + np.diag(errors**2 + process.scatter**2)
    weight = np.array([c - b, a - b]) / (a + c - 2.0 * b)
    found = _difference(process, re, s, values, errors)
    assert found.value == pytest.approx(weight @ (values - process.mean(re, s)), rel=1e-7)
    assert found.error == pytest.approx(np.sqrt((a * c - b * b) / (a + c - 2.0 * b)), rel=1e-7)


def test_orientations_are_told_by_name_with_their_rows_and_how_far_they_lie():
    first, second = rows_at(RE, S, DRAG, 1e-3), rows_at(RE[:3] + 1.5e5, S[:3], DRAG[:3], 1e-3)
    both = Rows(
        *(
            np.concatenate([getattr(one, name) for one in (first, second)])
            for name in Rows.__dataclass_fields__
        )
    )
    names = ("seam",) * 8 + ("pole",) * 3
    found = compare_orientations(
        RangeRows(both, ("",) * 11, ("",) * 11, names, tuple(range(2, 13)), ())
    )
    assert found.names == ("seam", "pole")
    assert found.counts == (8, 3)
    # 2.64e5 of Re at S = 0.08 lies farther from the hull's edge than the others do.
    assert found.outside == pytest.approx((RE[2] + 1.5e5 - RE[6]) / 1e5, abs=0.3)
