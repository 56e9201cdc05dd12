"""Tolerance: exact sums over many pieces, exact normal cases, propagation, refusals, the docs."""

import csv
import doctest
import io
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers.ball_file import read_ball
from layers.errors import InputError
from layers.estimation import estimate
from layers.mass import concentricity, inertia
from layers.mass.concentricity import off_centre
from layers.mass.inertia import Pieces
from optimize.compute.pool import mapping
from optimize.lab.process import Process, process_from_table
from optimize.lab.scatter import LayerScatter, scatter_from_table
from optimize.report.tables import markdown
from optimize.report.tolerance import tolerance_sections
from optimize.report.tolerance_record import tolerance_csv, tolerance_record
from optimize.report.writing import json_text
from optimize.tolerance import exact as closed_forms
from optimize.tolerance.limits import Limit, sheet_windows
from optimize.tolerance.nominal import recentre
from optimize.tolerance.pass_rates import draws_of, joint_pass, rate_of, tolerance, variance_shares
from optimize.tolerance.pieces import Draws, draw, piece
from optimize.tolerance.study import study, values_of
from tests.optimize.commands.test_app import refused, run

ROOT = Path(__file__).parents[3]
K1 = read_ball(ROOT / "scenarios" / "prototype" / "ball.toml")
CLOSED = ("mass_g", "diameter_mm", "moi_g_cm2", "moi_ratio", "mean_density_g_cm3")
STAGED = (*CLOSED, "stage1.mass_g", "stage2.moi_g_cm2")


@pytest.fixture(scope="module")
def closed():
    return study(K1, STAGED)


def drawn(found, samples, seed=3):
    return draw(found.sources, found.concentricity, samples, np.random.default_rng(seed))


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
    def fewer(pieces):
        fraction = 0.999 * pieces.dimple_volume_fraction
        return 1e3 * inertia.mass(replace(pieces, dimple_volume_fraction=fraction))

    monkeypatch.setitem(closed_forms._CLOSED_FORMS, "mass_g", (fewer, 1.0))
    with pytest.raises(AssertionError):
        check_many_pieces(closed)


def check_many_balances(balance=concentricity.balance):
    body, rng = K1.body(), np.random.default_rng(4)
    offset = rng.normal(0.0, 1e-4, (6, 2, 3))
    radius = body.outer_radius + rng.normal(0.0, 2e-5, (6, 3))
    density = body.density * (1.0 + rng.normal(0.0, 0.01, (6, 3)))
    found = balance(Pieces(radius, density, body.dimple_volume_fraction, body.dimple_depth), offset)
    for i in range(6):
        one = off_centre(replace(body, outer_radius=radius[i], density=density[i]), offset[i])
        assert found.imbalance[i] == pytest.approx(one.imbalance, rel=1e-9)
        assert found.principal_moments[i] == pytest.approx(one.principal_moments, rel=1e-13)


def test_analytic_many_off_centre_pieces_are_single_ones():
    check_many_balances()


def test_guard_an_offset_of_a_thousandth_is_seen():
    with pytest.raises(AssertionError):
        check_many_balances(lambda p, offset: concentricity.balance(p, 1.001 * offset))


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


# Analytic: yield.


def normal_share(low, high, mean, deviation):
    def below(x):
        return 0.5 * (1.0 + math.erf((x - mean) / (deviation * math.sqrt(2.0))))

    return below(high) - below(low)


LINEAR = [
    Limit("stage1.diameter_mm", 37.95, 38.06, "window"),
    Limit("diameter_mm", 42.72, None, "rule"),
]


def check_normal_yields(found, deviations=(0.03, 0.02)):
    """Diameters are linear in what scatters: shares by the error function, jointly by product."""
    drawn_ = tolerance(found, LINEAR, 10_000, seed=5)
    core = normal_share(37.95, 38.06, 38.0, deviations[0])
    ball = normal_share(42.72, np.inf, 42.75, deviations[1])
    exact = (core, ball, core * ball)
    rates = [*(row.rate for row in drawn_.limit), drawn_.joint["all"]]
    for share, rate in zip(exact, rates, strict=True):
        assert abs(rate.value - share) < 3.0 * rate.error
        assert rate.low < rate.value < rate.high
    return rates


def test_analytic_yields_of_an_exact_normal_case(closed):
    check_normal_yields(closed)


def test_guard_a_deviation_five_percent_off_fails_the_normal_case(closed):
    with pytest.raises(AssertionError):
        check_normal_yields(closed, (0.0315, 0.021))


def test_analytic_wilson_interval():
    # Newcombe 1998, Stat. Med. 17, 857, table I, method 3: 81 of 263 (from memory).
    rate = rate_of(np.arange(263) < 81)
    assert (rate.low, rate.high) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert rate_of(np.ones(50, bool)).high == 1.0


def test_wilson_intervals_cover_the_truth(closed):
    exact = normal_share(42.72, np.inf, 42.75, 0.02)
    limit, covered = LINEAR[1:], 0
    for seed in range(100):
        rate = rate_of(joint_pass(closed, limit, draws_of(closed, 1000, seed)))
        covered += rate.low <= exact <= rate.high
    assert 88 <= covered <= 100


def test_analytic_halved_deviation_and_its_gain(closed):
    rows = tolerance(closed, LINEAR[:1], 10_000, seed=6).tighten
    gain = normal_share(37.95, 38.06, 38.0, 0.015) - normal_share(37.95, 38.06, 38.0, 0.03)
    assert (rows[0].layer, rows[0].what) == (0, "diameter")
    assert abs(rows[0].gain - gain) < 3.0 * rows[0].error
    assert all(row.gain == 0.0 for row in rows[1:])


def test_analytic_shares_of_variance_add_up(closed):
    shares = variance_shares(closed)
    by_source = dict(zip(closed.sources, shares["stage1.mass_g"], strict=True))
    core = {s.kind: share for s, share in by_source.items() if s.layer == 0}
    # By hand: mass goes with the cube of the diameter and with the density.
    diameter, density = (3.0 * 0.03 / 38.0) ** 2, 0.003**2
    assert core["density"] == pytest.approx(density / (density + diameter), rel=1e-4)
    assert all(sum(share) == pytest.approx(1.0) for share in shares.values())


def test_analytic_recentred_nominal(closed):
    limit = [Limit("diameter_mm", 42.74, None, "rule")]
    found = recentre(closed, limit, draws_of(closed, 40_000, 1), 0.95)
    best = found.move[0]
    assert (best.source.layer, best.source.kind, best.reached) == (2, "diameter", True)
    # 1.6449 deviations above the limit, within three errors of the sampled quantile.
    density = math.exp(-(1.6449**2) / 2.0) / math.sqrt(2.0 * math.pi) / 0.02
    error = math.sqrt(0.95 * 0.05 / 40_000) / density
    assert best.by == pytest.approx(42.74 + 1.6449 * 0.02 - 42.75, abs=3.0 * error)
    assert not any(move.reached for move in found.move[1:])
    assert recentre(closed, limit, draws_of(closed, 1000, 1), 0.5).move == ()


def test_analytic_thickness_of_known_offsets(closed):
    """Half the difference of the diameters, less or more the eccentricity of the body inside."""
    count = len(closed.sources)
    diameter = [i for i, s in enumerate(closed.sources) if s.kind == "diameter"]
    move, offset = np.zeros((2, count)), np.zeros((2, 2, 3))
    move[:, diameter] = [(0.10, -0.06, 0.02), (0.0, 0.0, 0.0)]
    offset[0] = [(0.03e-3, 0.04e-3, 0.0), (0.0, 0.0, -0.12e-3)]
    names = [f"stage{n}.{end}_thickness_mm" for n in (2, 3) for end in ("minimum", "maximum")]
    found = values_of(closed, Draws(move, offset), names)
    nominal = [layer.outer_diameter_mm for layer in K1.layer]
    mantle, cover = np.diff(nominal) / 2.0
    thickness = [
        mantle - 0.08 - 0.05,
        mantle - 0.08 + 0.05,
        cover + 0.04 - 0.12,
        cover + 0.04 + 0.12,
    ]
    assert [found[name][0] for name in names] == pytest.approx(thickness, abs=1e-12)
    assert [found[name][1] for name in names] == pytest.approx([mantle] * 2 + [cover] * 2)


def test_analytic_an_interface_moves_with_every_body_around_it(closed):
    """A core carried along by an eccentric mantle: both interfaces take the mantle's offset."""
    own, around = np.array([0.1e-3, 0.0, 0.0]), np.array([0.0, 0.2e-3, 0.0])
    draws = Draws(np.zeros((1, len(closed.sources))), np.array([[own, around]]))
    exact = off_centre(K1.body(), np.array([own + around, around]))
    found = values_of(closed, draws, ["imbalance_g_mm", "moi_asymmetry_percent"])
    assert found["imbalance_g_mm"][0] == pytest.approx(1e6 * exact.imbalance, rel=1e-9)
    assert found["moi_asymmetry_percent"][0] == pytest.approx(100.0 * exact.anisotropy, rel=1e-6)


def test_analytic_imbalance_of_a_scattered_core():
    """Three normal axes: the mean imbalance is sqrt(8 / pi) deviations, Maxwell's."""
    sharp = {"diameter_mm": 0, "density_percent": 0, "modulus_percent": 0, "concentricity_mm": 0}
    table = {"core": sharp, "cover": sharp, "mantle": sharp | {"concentricity_mm": 0.06}}
    found = study(K1, ("mass_g",), scatter_from_table(table, "lab.toml"))
    count = 20_000
    values = values_of(found, drawn(found, count), ["imbalance_g_mm"])["imbalance_g_mm"]
    heavier = K1.layer[0].material.density_g_cm3.value - K1.layer[1].material.density_g_cm3.value
    one = heavier * math.pi / 6.0 * 3.8**3 * 0.06
    assert values.mean() == pytest.approx(one * math.sqrt(8.0 / math.pi), rel=3 * 0.42 / count**0.5)


# Finite elements.


@pytest.fixture(scope="module")
def pressed():
    return study(K1, ("deflection_mm", "mass_g"))


def test_limits_the_surrogate_is_near_finite_elements(pressed):
    draws = drawn(pressed, 4, seed=8)
    values = values_of(pressed, draws, ["deflection_mm"])["deflection_mm"]
    scatter = tolerance(pressed, (), 2000, 0).spread[0].deviation
    assert pressed.check_error["deflection_mm"] < 0.03 * scatter
    for value, move in zip(values, draws.move, strict=True):
        exact = estimate(piece(K1, pressed.sources, move), ["deflection_mm"])["deflection_mm"].value
        assert abs(value - exact) < 4.0 * pressed.check_error["deflection_mm"]


def test_a_recentred_nominal_is_verified_by_finite_elements(pressed):
    limit = [Limit("deflection_mm", 3.25, None, "given")]
    draws = draws_of(pressed, 2000, 0)
    best = recentre(pressed, limit, draws, 0.9).move[0]
    assert (best.source.layer, best.source.kind, best.reached) == (0, "modulus", True)
    move = draws.move[:40].copy()
    move[:, pressed.sources.index(best.source)] += best.by
    exact = [
        estimate(piece(K1, pressed.sources, m), ["deflection_mm"])["deflection_mm"].value
        for m in move
    ]
    model = joint_pass(pressed, limit, Draws(move, draws.offset[:40]))
    assert np.mean(model == limit[0].passed(np.array(exact))) >= 0.95
    assert best.by < 0.0  # softer


def test_same_seed_same_pieces_and_any_mapper(pressed):
    one = tolerance(pressed, LINEAR[1:], 500, seed=9)
    again = study(K1, ("deflection_mm", "mass_g"), mapper=lambda f, *a: list(map(f, *a)))
    assert tolerance(again, LINEAR[1:], 500, seed=9).spread == one.spread
    assert tolerance(pressed, LINEAR[1:], 500, seed=10).spread != one.spread


# Input.


def test_windows_are_those_of_the_sheet():
    with mapping(1) as mapper:  # as the command computes them
        windows = {w.figure: w for w in sheet_windows(K1, Process(), mapper)}
    assert (windows["diameter_mm"].low, windows["diameter_mm"].high) == pytest.approx(
        (42.69, 42.81)
    )
    assert windows["stage2.minimum_thickness_mm"].low == pytest.approx(1.1)
    assert {"stage1.mass_g", "deflection_mm", "moi_g_cm2"} <= set(windows)


def test_scatter_has_unit_bounds_help_and_stands_in_the_process():
    for field in LayerScatter.model_fields.values():
        assert field.description
        assert field.json_schema_extra["unit"]
        assert len(field.metadata) == 2
    lab = process_from_table({"scatter": {"core": {"diameter_mm": 0.01}}}, "lab.toml")
    assert lab.scatter.core.diameter_mm == 0.01
    assert lab.scatter.core.density_percent == LayerScatter().density_percent
    assert lab.scatter.mantle.modulus_percent == 2.0
    assert "common practice" in lab.scatter.source


def test_analytic_scatter_of_a_thickness_in_the_refusal():
    """Half of each diameter's deviation goes into a thickness: sqrt(0.15^2 + 0.2^2) = 0.25 mm."""
    table = {
        "mantle": {"diameter_mm": 0.3},
        "cover": {"diameter_mm": 0.4, "concentricity_mm": 0},
    }
    with pytest.raises(InputError, match=r"scatters by 0.250 mm .* must be at most 0.179 mm"):
        study(K1, ("mass_g",), scatter_from_table(table, "lab.toml"))


def test_a_layer_too_thin_for_its_scatter_is_refused():
    wide = scatter_from_table({"cover": {"concentricity_mm": 0.4}}, "lab.toml")
    with pytest.raises(InputError, match=r"layer 3 \(cover\) is 1.075 mm thick"):
        study(K1, ("mass_g",), wide)


def test_command(tmp_path):
    (tmp_path / "s.toml").write_text("[core]\nmodulus_percent = 4\n")
    ball = ROOT / "scenarios" / "prototype" / "ball.toml"
    asked = ("tolerance", ball, "--figure", "deflection_mm", "--workers", 1, "--samples", 1000)
    asked += ("--rules", "mass and diameter", "--limit", "deflection_mm>=3.2")
    asked += ("--limit", "imbalance_g_mm<=1", "--scatter", tmp_path / "s.toml")
    code, out, _ = run(*asked, "--yield", 0.9, "--json")
    record = json.loads(out)
    assert code == 0
    assert record["scatter"]["core"]["modulus_percent"] == 4.0
    assert record["recentred"]["changes"][0]["reached"]
    code, out, _ = run(*asked)
    assert code == 0
    for words in ("all of these jointly", "What to tighten first", "core modulus", "Wilson"):
        assert words in out


def test_reports_in_each_form(closed):
    found = tolerance(closed, LINEAR, 500, seed=1)
    recentred = recentre(closed, LINEAR, draws_of(closed, 500, 1), 0.9)
    sections = markdown(tolerance_sections(found, recentred), "K1")
    assert "Re-centred nominal for a yield of 90 %" in sections
    assert "67 % core density" in sections
    rows = list(csv.DictReader(io.StringIO(tolerance_csv(found))))
    assert [row["kind"] for row in rows][-3:] == ["joint"] * 3
    by_limit = {row["name"]: row for row in rows if row["kind"] in ("rule", "window")}
    assert float(by_limit["diameter_mm"]["yield"]) == found.limit[1].rate.value
    assert json.loads(json_text(tolerance_record(found, recentred)))["samples"] == 500


def test_command_refuses(tmp_path):
    ball = ROOT / "scenarios" / "prototype" / "ball.toml"
    (tmp_path / "s.toml").write_text("[core]\nmodulus_percent = 40\n")
    assert "at most 20" in refused("tolerance", ball, "--scatter", tmp_path / "s.toml")
    assert "must be a figure, >= or <=" in refused("tolerance", ball, "--limit", "mass_g=45")
    old = refused("tolerance", ball, "--limit", "moments_apart_percent<=1")
    assert "is now named 'moi_asymmetry_percent'" in old
    assert "did you mean mass_g" in refused("tolerance", ball, "--limit", "mas_g<=45")
    assert "--yield is 1" in refused("tolerance", ball, "--yield", 1)
    assert "needs a --limit" in refused("tolerance", ball, "--yield", 0.9, "--rules", "none")
    assert "must be from 2 to 3" in refused(
        "tolerance",
        ball,
        "-f",
        "mass_g",
        "--limit",
        "stage9.minimum_thickness_mm>=1",
        "--workers",
        1,
        "--rules",
        "none",
    )


def test_the_docs_examples_run(monkeypatch):
    monkeypatch.chdir(ROOT)
    text = (ROOT / "docs" / "tolerance.md").read_text(encoding="utf-8")
    test = doctest.DocTestParser().get_doctest(text, {}, "tolerance.md", "tolerance.md", 0)
    assert doctest.DocTestRunner().run(test).failed == 0
    assert len(test.examples) > 15
