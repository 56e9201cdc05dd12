"""Yields and what to tighten: exact cases, by hand. Kinds: analytic, limits."""

import math
from dataclasses import replace

import numpy as np
import pytest

from layers.estimates import Figure
from optimize.lab.scatter import Scatter
from optimize.tolerance.limits import Limit
from optimize.tolerance.pass_rates import draws_of, joint_pass, rate_of, tolerance, variance_shares
from optimize.tolerance.pieces import Draws, sources_of
from optimize.tolerance.study import Direct, Study, values_of
from optimize.tolerance.surrogate import Surrogate
from tests.optimize.tolerance.test_study import K1

NAME = "initial_velocity_m_s"
# Places among the sources of three layers: diameters, densities, moduli.
CORE, COVER = 6, 8


def made(slope=0.5, bend=0.0, check=0.0, absolute=0.0, offsets=(1e-5, 1e-5)) -> Study:
    """A study whose one computed figure is 77 + slope u + bend u^2, u of the core's modulus."""
    sources = tuple(
        replace(s, deviation=0.1 if i == CORE else 0.0, lot=0.0)
        for i, s in enumerate(sources_of(K1, Scatter()))
    )
    step = np.array([s.step for s in sources])
    linear, square = np.zeros((len(sources), 1)), np.zeros((len(sources), 1))
    linear[CORE], square[CORE] = slope * step[CORE], bend * step[CORE] ** 2
    model = Surrogate((NAME,), step, np.array([77.0]), linear, square)
    nominal = {NAME: Figure(NAME, 77.0, "m/s", "finite element", 0.0, absolute)}
    return Study(K1, Scatter(), sources, np.array(offsets), nominal, model, {NAME: check}, {})


def limit(low=None, high=None, origin="given") -> Limit:
    return Limit(NAME, low, high, origin)


def test_analytic_wilson_interval_holds_the_share_at_both_ends():
    # Wilson 1927: of none of n the upper end is z^2 / (n + z^2), with the z of 95 %.
    z = 1.959963984540054
    none, every = rate_of(np.zeros(50, bool)), rate_of(np.ones(50, bool))
    assert (none.value, none.error, none.low) == (0.0, 0.0, 0.0)
    assert none.high == pytest.approx(z**2 / (50 + z**2), rel=1e-6)
    assert (every.value, every.error, every.high) == (1.0, 0.0, 1.0)
    assert every.low == pytest.approx(50 / (50 + z**2), rel=1e-6)
    half = rate_of(np.arange(100) < 50)
    assert half.error == pytest.approx(0.05)
    assert half.low + half.high == pytest.approx(1.0)
    assert half.high - half.low == pytest.approx(z / math.sqrt(100 + z**2), rel=1e-6)


def test_analytic_spread_of_a_linear_figure():
    found = made()
    draws = draws_of(found, 4000, 1)
    by_name = {s.name: s for s in tolerance(found, (), 4000, 1).spread}
    figures = [*(f"stage{n}.minimum_thickness_mm" for n in (2, 3))]
    assert list(by_name) == [
        NAME, "imbalance_g_mm", "minimum_moi_g_cm2", "maximum_moi_g_cm2", "moi_asymmetry_percent",
        *figures,
    ]  # fmt: skip
    spread, values = by_name[NAME], 77.0 + 0.5 * draws.move[:, CORE]
    assert spread.nominal == 77.0
    assert by_name["imbalance_g_mm"].nominal is None
    assert spread.mean == pytest.approx(values.mean(), rel=1e-14)
    assert spread.deviation == pytest.approx(values.std(ddof=1), rel=1e-12)
    ordered = np.sort(values)
    for share, quantile in zip((0.05, 0.5, 0.95), spread.quantiles, strict=True):
        place = share * 3999  # linear between the ordered values
        low = int(place)
        between = ordered[low] + (place - low) * (ordered[low + 1] - ordered[low])
        assert quantile == pytest.approx(between, rel=1e-14)


def test_a_figures_errors_stand_beside_its_spread():
    spread = tolerance(made(check=0.01, absolute=0.3), (), 50, 1).spread
    assert (spread[0].check_error, spread[0].absolute_error) == (0.01, 0.3)
    assert (spread[1].check_error, spread[1].absolute_error, spread[1].shares) == (0.0, 0.0, ())


def test_a_study_without_limits_has_no_yield():
    found = tolerance(made(), (), 50, 1)
    assert (found.limit, found.joint, found.level, found.tighten) == ((), {}, {}, ())
    assert (found.samples, found.seed) == (50, 1)


def test_analytic_joint_yields_are_by_origin_and_of_all():
    low, high = limit(low=76.98, origin="rule"), limit(high=77.03, origin="window")
    wall = Limit("stage2.minimum_thickness_mm", 1.1, None, "rule")
    found = made(offsets=(1e-4, 1e-4))
    asked = [low, high, wall]
    result = tolerance(found, asked, 2000, 7)
    draws = draws_of(found, 2000, 7)
    each = {x: x.passed(values_of(found, draws, [x.figure])[x.figure]) for x in asked}
    groups = {"rule": [low, wall], "window": [high], "all": asked}
    assert set(result.joint) == set(groups) == set(result.level)
    for origin, group in groups.items():
        share = np.mean(np.all([each[x] for x in group], axis=0))
        assert 0.0 < share < 1.0
        assert result.joint[origin].value == share
    assert [row.limit for row in result.limit] == asked
    assert np.mean(joint_pass(found, asked, draws)) == result.joint["all"].value


def test_analytic_shifts_by_an_error_are_nine_from_end_to_end():
    """A narrow window is met best by some shift inside; the ends are the outermost shifts."""
    found = made(check=0.08, absolute=0.2)
    window = limit(77.01, 77.05)
    row = tolerance(found, [window], 3000, 3).limit[0]
    values = 77.0 + 0.5 * draws_of(found, 3000, 3).move[:, CORE]
    for error, told in ((0.08, row.surrogate), (0.2, row.model)):
        shifts = [error * k / 4.0 for k in range(-4, 5)]
        rates = [np.mean((values + s >= 77.01) & (values + s <= 77.05)) for s in shifts]
        assert told == pytest.approx((min(rates), max(rates)), abs=1e-12)
        assert max(rates) > max(rates[0], rates[-1])


def test_limits_a_figure_without_errors_is_not_shifted():
    row = tolerance(made(), [limit(77.01)], 500, 3).limit[0]
    assert row.surrogate == row.model == (row.rate.value, row.rate.value)


def test_analytic_shares_of_a_bent_figure():
    """Var(b u + c u^2) = b^2 v + 2 c^2 v^2 for a normal u of variance v."""
    found = made(0.5, 4.0)
    both = replace(
        found,
        sources=tuple(
            replace(s, deviation=0.2) if i == COVER else s for i, s in enumerate(found.sources)
        ),
    )
    both.surrogate.linear[COVER] = 0.3 * both.surrogate.step[COVER]
    parts = {CORE: 0.5**2 * 0.1**2 + 2.0 * 4.0**2 * 0.1**4, COVER: 0.3**2 * 0.2**2}
    shares = variance_shares(both)[NAME]
    for place in range(len(shares)):
        wanted = parts.get(place, 0.0) / sum(parts.values())
        assert shares[place] == pytest.approx(wanted, rel=1e-12)
    values = values_of(both, draws_of(both, 200_000, 1), [NAME])[NAME]
    assert values.var() == pytest.approx(sum(parts.values()), rel=0.02)


def test_limits_what_does_not_scatter_has_no_share():
    still = replace(made(), sources=tuple(replace(s, deviation=0.0) for s in made().sources))
    assert variance_shares(still)[NAME] == (0.0,) * len(still.sources)


def test_analytic_halving_each_deviation_the_largest_gain_first():
    found = made(offsets=(0.0, 2e-4))
    wall = Limit("stage3.minimum_thickness_mm", 0.9, None, "given")
    asked = [limit(76.95, 77.05), wall]
    draws = draws_of(found, 4000, 2)
    rows = tolerance(found, asked, 4000, 2).tighten
    # What does not scatter is not halved: one modulus and the offset within the cover are left.
    assert {(row.layer, row.what) for row in rows} == {(0, "modulus"), (2, "concentricity")}
    assert rows[0].gain > rows[1].gain > 0.0
    before = joint_pass(found, asked, draws)
    move, offset = draws.move.copy(), draws.offset.copy()
    move[:, CORE] /= 2.0
    offset[:, 1] /= 2.0
    halved = {"modulus": Draws(move, draws.offset), "concentricity": Draws(draws.move, offset)}
    for row in rows:
        gain = joint_pass(found, asked, halved[row.what]).astype(float) - before
        assert row.gain == pytest.approx(gain.mean(), abs=1e-12)
        assert row.error == pytest.approx(math.sqrt(gain.var() / 4000), rel=1e-12)


def test_gains_are_of_the_surrogate_even_where_pieces_were_computed():
    found = made()
    draws = draws_of(found, 200, 2)
    direct = Direct(draws.move, {NAME: np.full(200, 70.0)})
    asked = [limit(76.95)]
    own = tolerance(replace(found, direct=direct), asked, 200, 2)
    assert own.limit[0].rate.value == 0.0
    assert own.tighten == tolerance(found, asked, 200, 2).tighten


def test_the_pieces_of_a_seed_are_the_generators_own_stream():
    """Checks of the surrogate and lots have streams of their own; see `draw` for the order."""
    found = made()
    rng = np.random.default_rng([5, 0])
    move = rng.standard_normal((7, 9)) * [s.deviation for s in found.sources]
    offset = rng.standard_normal((7, 2, 3)) * found.concentricity[:, None]
    draws = draws_of(found, 7, 5)
    assert np.array_equal(draws.move, move)
    assert np.array_equal(draws.offset, offset)
