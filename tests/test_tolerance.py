"""Tolerance: exact sums over many pieces, exact normal cases, propagation, refusals, the docs."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers import inertia, pieces
from layers.ball import read_ball
from layers.centring import off_centre
from layers.estimate import estimate
from layers.pieces import Pieces
from optimize.tolerance import draw, piece, study, values_of

ROOT = Path(__file__).parents[1]
K1 = read_ball(ROOT / "scenarios" / "prototype" / "ball.toml")
CLOSED = ("mass_g", "diameter_mm", "inertia_g_cm2", "inertia_ratio", "mean_density_g_cm3")
STAGED = (*CLOSED, "stage1.mass_g", "stage2.inertia_g_cm2")


@pytest.fixture(scope="module")
def closed():
    return study(K1, STAGED)


def drawn(found, samples, seed=3):
    return draw(found.sources, found.centring, samples, np.random.default_rng(seed))


# Analytic: every piece as the one-ball closed forms have it.


def check_many_pieces(found):
    draws = drawn(found, 5)
    values = values_of(found, draws, STAGED)
    for i, move in enumerate(draws.move):
        one = estimate(piece(K1, found.sources, move), STAGED)
        for name in STAGED:
            assert values[name][i] == pytest.approx(one[name].value, rel=1e-12)


def test_analytic_many_pieces_are_single_balls(closed):
    check_many_pieces(closed)


def test_guard_dimples_left_out_of_the_inertia_are_seen(closed, monkeypatch):
    true = pieces._dimple_square
    monkeypatch.setattr(pieces, "_dimple_square", lambda p: 0.999 * true(p))
    with pytest.raises(AssertionError):
        check_many_pieces(closed)


def check_many_balances():
    body, rng = K1.body(), np.random.default_rng(4)
    offset = rng.normal(0.0, 1e-4, (6, 2, 3))
    radius = body.outer_radius + rng.normal(0.0, 2e-5, (6, 3))
    density = body.density * (1.0 + rng.normal(0.0, 0.01, (6, 3)))
    found = pieces.balance(
        Pieces(radius, density, body.dimple_volume_fraction, body.dimple_depth), offset
    )
    for i in range(6):
        one = off_centre(replace(body, outer_radius=radius[i], density=density[i]), offset[i])
        assert found.imbalance[i] == pytest.approx(one.imbalance, rel=1e-9)
        assert found.principal_moments[i] == pytest.approx(one.principal_moments, rel=1e-13)


def test_analytic_many_off_centre_pieces_are_single_ones():
    check_many_balances()


def test_guard_an_offset_of_a_thousandth_is_seen(monkeypatch):
    true = pieces.balance
    monkeypatch.setattr(pieces, "balance", lambda p, offset: true(p, 1.001 * offset))
    with pytest.raises(AssertionError):
        check_many_balances()


# Analytic: propagation.


def check_mass_variance(found):
    """First-order propagation of independent deviations, by hand, against 40,000 pieces."""
    body = K1.body()
    share, r = body.dimple_volume_fraction, body.outer_radius
    step = body.density - np.append(body.density[1:], 0.0)
    by_radius = 4.0 * np.pi * r**2 * step
    by_radius[-1] -= 4.0 * np.pi * r[-1] ** 2 * body.density[-1] * share
    by_density = inertia.layer_volume(body) * body.density
    by_density[-1] -= inertia.dimple_mass(body)
    by = {"diameter": 0.5e-3 * by_radius, "density": by_density, "modulus": np.zeros(3)}
    exact = sum((s.deviation * by[s.kind][s.layer]) ** 2 for s in found.sources)
    count = 40_000
    sampled = np.var(values_of(found, drawn(found, count), ["mass_g"])["mass_g"] * 1e-3)
    # The deviation of a sampled variance is sqrt(2 / n) of it; three of them.
    assert sampled == pytest.approx(exact, rel=3.0 * np.sqrt(2.0 / count))


def test_analytic_variance_of_the_mass(closed):
    check_mass_variance(closed)


def test_guard_a_deviation_four_percent_off_is_seen(closed):
    sources = list(closed.sources)
    core_density = next(i for i, s in enumerate(sources) if (s.layer, s.kind) == (0, "density"))
    true = sources[core_density]
    sources[core_density] = replace(true, deviation=1.04 * true.deviation)
    wrong = replace(closed, sources=tuple(sources))
    count, draws = 40_000, drawn(wrong, 40_000)
    right = np.var(values_of(closed, drawn(closed, count), ["mass_g"])["mass_g"])
    off = np.var(values_of(wrong, draws, ["mass_g"])["mass_g"])
    assert off / right - 1.0 > 3.0 * np.sqrt(2.0 / count)


def test_limits_the_surrogate_of_a_closed_form_is_the_closed_form(closed):
    draws = drawn(closed, 200)
    exact = values_of(closed, draws, ["mass_g"])["mass_g"]
    modelled = closed.surrogate(draws.move)[:, closed.surrogate.names.index("mass_g")]
    # Products of two sources, which the surrogate leaves out, are a thousandth of the scatter.
    assert np.std(modelled - exact) < 0.01 * np.std(exact)
    assert np.std(modelled - exact) > 0.0


def test_a_wall_too_thin_for_its_scatter_is_refused():
    from layers.errors import InputError
    from optimize.scatter import scatter_from_table

    wide = scatter_from_table({"cover": {"centring_mm": 0.4}}, "lab.toml")
    with pytest.raises(InputError, match=r"layer 3 \(cover\) is 1.075 mm thick"):
        study(K1, ("mass_g",), wide)
