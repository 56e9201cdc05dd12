"""Lots and the model's error: exact normal cases, what scatters, and a yield's digits.

Kinds: analytic (normal distribution), limits, guard.
"""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from layers.ball_file import read_ball
from layers.estimates import Figure
from optimize.calibration.calibrated import calibrated_build
from optimize.calibration.result import Calibrated, Calibration
from optimize.lab.scatter import LayerScatter, Scatter
from optimize.report.tables import markdown
from optimize.report.tolerance import tolerance_sections
from optimize.report.tolerance_record import tolerance_record
from optimize.tolerance.levels import level_rates, model_error
from optimize.tolerance.limits import Limit
from optimize.tolerance.pass_rates import draws_of, tolerance
from optimize.tolerance.pieces import Draws, draw, kinds_for, piece, sources_of
from optimize.tolerance.study import Study, study, values_of, with_levels
from optimize.tolerance.surrogate import Surrogate

K1 = read_ball(Path(__file__).parents[3] / "scenarios" / "prototype" / "ball.toml")
NAME = "initial_velocity_m_s"
LIMIT = Limit(NAME, None, 77.05, "given")
# Of a piece, m/s; the limit is one of these from the nominal.
PIECE = 0.05
# Place of the core's modulus among the sources of three layers.
_MODULUS = 6


def linear(error: float, lot: float = 0.0, at: float = 77.0) -> Study:
    """A study whose one figure is exactly normal: slope 1 in one source."""
    sources = tuple(
        replace(s, deviation=PIECE, lot=lot) if i == _MODULUS else replace(s, lot=0.0)
        for i, s in enumerate(sources_of(K1, Scatter()))
    )
    step = np.array([s.step for s in sources])
    slope = np.zeros((len(sources), 1))
    slope[_MODULUS] = step[_MODULUS]
    model = Surrogate((NAME,), step, np.array([at]), slope, np.zeros_like(slope))
    nominal = {NAME: Figure(NAME, at, "m/s", "finite element", 0.0, error)}
    return Study(K1, Scatter(), sources, np.full(2, 1e-5), nominal, model, {NAME: 0.0}, {})


def check_interval(error: float, lot: float) -> None:
    row = tolerance(linear(error, lot), [LIMIT], 4000, seed=2).limit[0]
    level = math.hypot(error / 1.96, lot)
    wanted = [norm.cdf((PIECE + z * 1.96 * level) / PIECE) for z in (-1.0, 1.0)]
    assert row.level == pytest.approx(wanted, abs=0.06)
    assert row.level_deviation == pytest.approx(level, rel=0.12)


@pytest.mark.parametrize(("error", "lot"), [(0.03, 0.0), (0.0, 0.02), (0.03, 0.02)])
def test_analytic_interval_of_a_lots_yield(error, lot):
    check_interval(error, lot)


def test_guard_an_error_taken_for_one_standard_deviation_is_seen(monkeypatch):
    monkeypatch.setattr("optimize.tolerance.levels._WIDTH", 1.0)
    with pytest.raises(AssertionError):
        check_interval(0.03, 0.0)


def test_limits_without_lots_and_error_the_interval_is_the_yield():
    found = tolerance(linear(0.0), [LIMIT], 500, seed=1)
    rate = found.limit[0].rate.value
    assert found.limit[0].level == (rate, rate)
    assert found.level["all"] == (rate, rate)


def test_a_margin_below_the_models_error_is_no_hundred_percent():
    near = replace(LIMIT, high=77.17)
    sure, unsure = (tolerance(linear(e), [near], 4000, seed=1) for e in (0.01, 1.2))
    assert sure.limit[0].rate.value > 0.999
    text = markdown(tolerance_sections(unsure, None), "K1")
    assert "not known" in text
    assert "the margin of 0.17 m/s is below the uncertainty of the level" in text
    assert "100.00" not in text
    plain = markdown(tolerance_sections(sure, None), "K1")
    assert "below the uncertainty" not in plain
    assert tolerance_record(unsure, None)["limits"][0]["lot_range"] == list(unsure.limit[0].level)


def test_figures_scatter_by_what_they_depend_on():
    assert kinds_for(["mass_g", "stage1.deflection_mm"]) == (
        "diameter",
        "density",
        "modulus",
        "contrast",
    )
    assert kinds_for(["cor"])[3:] == ("loss", "dynamic ratio", "contrast")
    assert kinds_for(["mass_g", "driver fast.spin_rpm"])[3:] == (
        "loss", "dynamic ratio", "friction", "contrast",
    )  # fmt: skip
    sources = sources_of(K1, Scatter(), kinds_for(["driver fast.spin_rpm"]))
    assert [s.layer for s in sources if s.kind == "friction"] == [2]
    loss = next(s for s in sources if s.kind == "loss")
    assert (loss.deviation, loss.lot) == (0.03, 0.04)


def test_analytic_a_piece_has_its_loss_ratio_and_friction():
    sources = sources_of(K1, Scatter(), kinds_for(["driver fast.spin_rpm"]))
    moved = ("loss", "dynamic ratio", "friction")
    move = np.array([0.1 if s.kind in moved else 0.0 for s in sources])
    one, same = piece(K1, sources, move), piece(K1, sources, np.zeros(len(sources)))
    for new, old in zip(one.layer, same.layer, strict=True):
        for a, b in zip(new.material.relaxation, old.material.relaxation, strict=True):
            assert a.strength == pytest.approx(b.strength * math.exp(0.1))
        ratio = old.material.dynamic_modulus_ratio.value * math.exp(0.1)
        assert new.material.dynamic_modulus_ratio.value == pytest.approx(ratio)
    covers = [x.layer[-1].material for x in (one, same)]
    for field in ("friction", "friction_wet"):
        new, old = (getattr(card, field).value for card in covers)
        assert new == pytest.approx(old * math.exp(0.1))
    assert one.layer[0].material.friction == same.layer[0].material.friction


def test_pieces_keep_their_sizes_whatever_else_scatters():
    few = sources_of(K1, Scatter())
    many = sources_of(K1, Scatter(), kinds_for(["driver fast.spin_rpm"]))
    off = np.full(2, 1e-5)
    a, b = (draw(s, off, 7, np.random.default_rng(3)) for s in (few, many))
    assert np.array_equal(a.move, b.move[:, : len(few)])
    assert np.array_equal(a.offset, b.offset)


def test_lots_have_unit_bounds_and_are_common_practice():
    lots = [n for n in LayerScatter.model_fields if n.startswith("lot_")]
    assert len(lots) == 6
    for name in lots:
        assert LayerScatter.model_fields[name].json_schema_extra["unit"] == "%"
    assert "common practice" in Scatter().source


def test_analytic_a_calibration_scales_a_study_to_its_level():
    found = study(K1, ("mass_g", "mean_density_g_cm3"))
    figures = {n: replace(f, value=1.01 * f.value) for n, f in found.nominal.items()}
    scaled = with_levels(found, figures)
    before = found.surrogate(np.zeros((1, len(found.sources))))
    assert scaled.surrogate(np.zeros((1, len(found.sources)))) == pytest.approx(1.01 * before)
    assert scaled.nominal["mass_g"].value == pytest.approx(1.01 * found.nominal["mass_g"].value)
    moves = draw(found.sources, found.concentricity, 3, np.random.default_rng(0))
    assert values_of(scaled, moves, ["mass_g"])["mass_g"] == pytest.approx(
        values_of(found, moves, ["mass_g"])["mass_g"]
    )


def test_a_calibrated_card_keeps_its_loss_in_a_piece_of_another_modulus():
    card, name = K1.layer[0].material, "dynamic_modulus_ratio"
    calibration = Calibration(
        ("r.csv",),
        "v",
        (Calibrated(card.name, name, getattr(card, name).value, 0.1, 0.2, 0.02),),
        (), ((0.0,),), (), (), (),
    )  # fmt: skip
    ball = calibrated_build(calibration, K1)
    calibrated = ball.layer[0].material.dynamic_modulus_ratio.value
    assert calibrated != card.dynamic_modulus_ratio.value
    sources = sources_of(ball, Scatter())
    move = np.array([0.1 if s.kind == "modulus" else 0.0 for s in sources])
    assert piece(ball, sources, move).layer[0].material.dynamic_modulus_ratio.value == calibrated


def test_analytic_lots_and_pieces_of_a_seed():
    """400 lots (docs/tolerance.md) of the first 500 pieces, each stream of its own: by hand."""
    found = linear(0.03, 0.02)
    checked = replace(found, check_error={NAME: 0.04})
    pieces = 600
    draws = draws_of(checked, pieces, 11)
    levels = level_rates(checked, [LIMIT], draws, 11)
    lot = np.random.default_rng([11, 4]).standard_normal((400, 9))[:, _MODULUS] * 0.02
    error = np.random.default_rng([11, 5, *NAME.encode()]).standard_normal(400)
    level = lot + error * math.hypot(0.03 / 1.96, 0.04)
    assert levels.deviation[NAME] == pytest.approx(level.std(ddof=1), rel=1e-12)
    values = 77.0 + draws.move[:500, _MODULUS] + level[:, None]
    assert np.array_equal(levels.passed[LIMIT], values <= 77.05 + 1e-9)
    rates = np.sort(np.mean(values <= 77.05, axis=1))
    low, high = levels.interval([LIMIT])
    for share, told in ((0.025, low), (0.975, high)):
        place = share * 399
        below = rates[int(place)]
        between = below + (place - int(place)) * (rates[int(place) + 1] - below)
        assert told == pytest.approx(between, abs=1e-12)
    floor = replace(LIMIT, low=76.95, high=None)
    both = level_rates(checked, [LIMIT, floor], draws, 11)
    joint = np.mean((values <= 77.05) & (values >= 76.95), axis=1)
    assert both.interval([LIMIT, floor]) == pytest.approx(
        tuple(np.quantile(joint, (0.025, 0.975))), abs=1e-12
    )
    # Lots and errors do not depend on what else is limited.
    assert np.array_equal(both.passed[LIMIT], levels.passed[LIMIT])


def test_limits_a_closed_form_has_no_model_error():
    found = study(K1, ("mass_g",))
    assert found.nominal["mass_g"].absolute_error > 0.0
    assert model_error(found, "mass_g") == 0.0
    assert model_error(linear(0.03), NAME) == 0.03
    limit = Limit("mass_g", 45.5, None, "given")
    levels = level_rates(found, [limit], draws_of(found, 100, 1), 1)
    lots = np.random.default_rng([1, 4]).standard_normal((400, 9)) * [s.lot for s in found.sources]
    centred = Draws(lots, np.zeros((400, 2, 3)))
    mass = values_of(found, centred, ["mass_g"])["mass_g"]
    assert levels.deviation["mass_g"] == pytest.approx(mass.std(ddof=1), rel=1e-12)
