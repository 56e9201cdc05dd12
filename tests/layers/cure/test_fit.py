"""The map from cure to hardness: its law, its calibration and its intervals."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers.ball import Ball, Layer
from layers.compound.recipe import read_recipe, with_active
from layers.cure.chemistry import default_chemistry
from layers.cure.cycle import one_step
from layers.cure.fit import Calibrated, CutCore, Residual, calibrate, covariance_of
from layers.cure.hardening import (
    COARSE,
    NAMES,
    PARAMETERS,
    Hardening,
    HardnessProfile,
    Noise,
    hardness,
    law_of,
    log_modulus,
    log_slope,
    predict,
    shore_c,
    slopes,
)
from layers.cure.history import cure_core
from layers.cure.stock import stock_of
from layers.errors import InputError
from layers.gpu.many import estimate_many
from layers.hardness import modulus_from_hardness
from layers.materials import default_catalogue

RECIPE = read_recipe(Path(__file__).parents[3] / "scenarios" / "prototype" / "core_recipe.toml")
AT = np.array([0.0, 4.0, 8.0, 12.0, 16.0, 18.5])
# Co-agent, peroxide, platen, minutes: six trials, and three cores that are none of them.
PLAN = (
    (24, 0.6, 155, 20),
    (24, 1.0, 170, 15),
    (30, 0.6, 170, 15),
    (30, 1.0, 155, 20),
    (27, 0.8, 160, 20),
    (27, 0.8, 150, 30),
)
NEW = ((32, 0.9, 165, 16), (22, 0.7, 160, 20), (27, 0.5, 175, 14))


def stock(coagent, peroxide):
    recipe = with_active(RECIPE, "co-agent", float(coagent))
    return stock_of(with_active(recipe, "peroxide", float(peroxide)), default_chemistry())


def core(name, row, theta, rng=None, noise=None):
    coagent, peroxide, platen, minutes = row
    made = CutCore(
        name, stock(coagent, peroxide), one_step(platen, minutes), 38.6, AT, np.zeros(len(AT))
    )
    reads = hardness(theta, made.stock, made.cycle, 38.6, AT)
    if rng is not None:
        reads = rng.multivariate_normal(reads, covariance_of(made, noise or Noise()))
    return replace(made, shore_c=reads)


def test_shore_c_undoes_the_modulus():
    points = np.array([40.0, 68.0, 90.0])
    moduli = np.array([modulus_from_hardness("C", float(s)) for s in points])
    assert shore_c(moduli) == pytest.approx(points)
    near = np.array([modulus_from_hardness("C", float(s) + 1e-4) for s in points])
    assert log_slope(moduli) == pytest.approx(np.log(near / moduli) / 1e-4, rel=1e-3)


def test_analytic_modulus_of_a_complete_cure():
    # By hand: 28 phr all polymerised, all peroxide gone, 2.36 % of solids by volume.
    theta = np.array([p.mean for p in PARAMETERS])
    made = stock(28, 0.8)
    found = cure_core(made, one_step(160.0, 25.0), 38.6)
    whole = replace(
        found, conversion=np.ones_like(found.conversion), left=np.zeros_like(found.left)
    )
    by_hand = 1.8 * np.exp(1.2 * 2.8 + 0.10 * (8.0 / 270.4) / 0.01)
    by_hand *= 1.0 + 2.5 * made.solids + 14.1 * made.solids**2
    assert np.exp(log_modulus(theta, whole, AT)) == pytest.approx(by_hand, rel=1e-6)


def test_the_coarse_cure_is_close_to_the_default_one():
    theta = np.array([p.mean for p in PARAMETERS])
    made, cycle = stock(28, 0.8), one_step(165.0, 18.0)
    fine = cure_core(made, cycle, 38.6, law_of(theta))
    coarse = cure_core(made, cycle, 38.6, law_of(theta), *COARSE)
    apart = [shore_c(np.exp(log_modulus(theta, h, AT))) for h in (fine, coarse)]
    assert np.abs(apart[0] - apart[1]).max() < 0.2


def test_slopes_are_those_of_the_hardness():
    theta = np.array([p.mean for p in PARAMETERS])
    made, cycle = stock(28, 0.8), one_step(165.0, 18.0)
    jacobian = slopes(theta, made, cycle, 38.6, AT)
    for name in ("kappa", "per_coagent"):
        j = NAMES.index(name)
        moved = theta.copy()
        moved[j] += 0.1 * PARAMETERS[j].deviation
        rise = hardness(moved, made, cycle, 38.6, AT) - hardness(theta, made, cycle, 38.6, AT)
        assert rise / (0.1 * PARAMETERS[j].deviation) == pytest.approx(jacobian[:, j], rel=0.25)


def test_exact_readings_of_another_truth_are_recovered():
    theta = np.array([p.mean for p in PARAMETERS])
    theta[NAMES.index("per_coagent")] += 0.3
    theta[NAMES.index("kappa")] -= 0.3
    found = calibrate([core(str(i), row, theta) for i, row in enumerate(PLAN[:4])])
    assert max(abs(r.measured - r.predicted) for r in found.residual) < 1.0
    assert found.hardening.calibrated
    assert found.hardening.source == "calibrated on 24 readings of 4 cut cores"
    made, cycle = stock(*NEW[0][:2]), one_step(*NEW[0][2:])
    expected = predict(found.hardening, made, cycle, 38.6, AT)
    assert np.abs(expected.shore_c - hardness(theta, made, cycle, 38.6, AT)).max() < 1.5
    # The guard: from memory it is far off.
    before = predict(Hardening(), made, cycle, 38.6, AT)
    assert np.abs(before.shore_c - expected.shore_c).max() > 3.0
    assert np.all(
        before.interval[1] - before.interval[0] > expected.interval[1] - expected.interval[0]
    )


def test_an_outlier_is_named_and_the_noise_grows():
    theta = np.array([p.mean for p in PARAMETERS])
    cores = [core(str(i), row, theta) for i, row in enumerate(PLAN[:2])]
    calm = calibrate(cores)
    reads = cores[1].shore_c.copy()
    reads[2] -= 15.0
    wild = calibrate([cores[0], replace(cores[1], shore_c=reads)])
    assert wild.hardening.noise.reading > 2.0 * calm.hardening.noise.reading
    assert [(r.core, r.position_mm) for r in wild.outliers] in ([], [("1", 8.0)])
    worst = max(wild.residual, key=lambda r: abs(r.standard))
    assert (worst.core, worst.position_mm) == ("1", 8.0)
    with pytest.raises(InputError, match="no cut core"):
        calibrate([])


def test_analytic_a_linear_map_is_fitted_by_bayes_rule(monkeypatch):
    """With slopes that do not change, the mode and the factor of the noise solve two equations."""
    rng = np.random.default_rng(4)
    theta = np.array([p.mean for p in PARAMETERS])
    design = rng.normal(size=(len(AT), len(PARAMETERS)))

    def straight(at, stock, cycle, diameter_mm, position_mm):
        return 70.0 + design @ (at - theta)

    monkeypatch.setattr("layers.cure.fit.hardness", straight)
    monkeypatch.setattr("layers.cure.fit.slopes", lambda *_: design)
    monkeypatch.setattr("layers.cure.fit._CLOSE", 1e-12)
    monkeypatch.setattr("layers.cure.fit._ITERATIONS", 400)
    cores = [
        CutCore(name, stock(24, 0.8), one_step(160, 20), 38.6, AT, 70.0 + rng.normal(0, 3, len(AT)))
        for name in "abc"
    ]
    made = calibrate(cores)
    found = made.hardening
    noise = np.kron(np.eye(3), covariance_of(cores[0], Noise()))
    whole, reads = np.vstack([design] * 3), np.concatenate([c.shore_c for c in cores])
    known = np.diag([p.deviation**-2 for p in PARAMETERS])
    factor = found.noise.reading**2
    weighed = np.linalg.solve(noise, whole)
    covariance = np.linalg.inv(known + whole.T @ weighed / factor)
    mean = theta + covariance @ (weighed.T @ (reads - 70.0)) / factor
    np.testing.assert_allclose(found.covariance, covariance, rtol=1e-6)
    np.testing.assert_allclose(found.mean, mean, rtol=1e-6, atol=1e-9)
    left = reads - 70.0 - whole @ (mean - theta)
    taken = np.trace(covariance @ (whole.T @ weighed)) / factor
    assert found.degrees == pytest.approx(4.0 + 18.0 - taken, rel=1e-6)
    spread = (4.0 + left @ np.linalg.solve(noise, left)) / found.degrees
    assert factor == pytest.approx(spread, rel=1e-6)
    assert found.noise.core == found.noise.shape == found.noise.reading
    assert found.noise.length == Noise().length
    standard = left / np.sqrt(factor * np.diag(noise))
    np.testing.assert_allclose([r.standard for r in made.residual], standard, atol=1e-9)
    assert [r.core for r in made.residual] == list("aaaaaabbbbbbcccccc")
    assert [r.position_mm for r in made.residual] == [*AT] * 3


def test_analytic_covariance_of_readings_and_profiles():
    """Core, shape alike over a length of the radius, and a reading's own on the diagonal."""
    noise = Noise(reading=0.5, core=0.8, shape=1.2, length=0.4)
    made = CutCore("a", stock(24, 0.8), one_step(160, 20), 40.0, np.array([0.0, 8.0]), np.zeros(2))
    alike = 0.64 + 1.44 * np.exp(-0.5)  # 8 mm are a length of 0.4 of the radius of 20
    expected = [[0.64 + 1.44 + 0.25, alike], [alike, 0.64 + 1.44 + 0.25]]
    np.testing.assert_allclose(covariance_of(made, noise), expected)


def test_analytic_intervals_and_difference_of_a_profile():
    """Even in ln E; outermost less innermost with the covariance of both."""
    modulus = np.array([20.0, 60.0])
    points = shore_c(modulus)
    covariance = np.array([[4.0, 1.0], [1.0, 9.0]])
    profile = HardnessProfile(np.array([0.0, 18.0]), points, modulus, covariance, 2.1, "invented")
    reach = np.exp(2.1 * np.array([2.0, 3.0]) * log_slope(modulus))
    low, high = profile.interval
    np.testing.assert_allclose(low, shore_c(modulus / reach))
    np.testing.assert_allclose(high, shore_c(modulus * reach))
    value, half = profile.difference
    assert value == pytest.approx(points[1] - points[0])
    assert half == pytest.approx(2.1 * np.sqrt(4.0 + 9.0 - 2.0))
    assert Hardening().width() == pytest.approx(1.96, abs=1e-3)
    few = replace(Hardening(), degrees=6.0)
    assert few.width() == pytest.approx(2.4469, abs=1e-4)  # Student's t of six degrees
    assert few.width(0.9) == pytest.approx(1.9432, abs=1e-4)


def test_an_outlier_is_beyond_one_in_ten_thousand():
    at = [Residual("a", 0.0, 70.0, 70.0, s) for s in (-3.95, -3.9, -3.85, 0.0, 3.85, 3.9, 3.95)]
    found = Calibrated(Hardening(), tuple(at)).outliers
    assert [r.standard for r in found] == [-3.95, 3.95]


def test_priors_are_those_the_page_prints():
    """Mean and deviation of each parameter before any cut core, as docs/cure.md has them."""
    text = (Path(__file__).parents[3] / "docs" / "cure.md").read_text("utf-8")
    for parameter in PARAMETERS:
        [row] = [line for line in text.splitlines() if re.match(rf"{parameter.name}\s+-?\d", line)]
        mean, deviation = (float(part) for part in row.split()[1:3])
        assert mean == pytest.approx(parameter.mean, abs=6e-4)
        assert deviation == pytest.approx(parameter.deviation, abs=6e-4)


def shells(profile_mpa):
    """A core of six shells of one modulus each."""
    card = default_catalogue().material[0]
    edges = np.linspace(0.0, 38.0, 7)[1:]
    roles = ("centre", "inner core", "outer core", "envelope", "mantle", "cover")
    layers = tuple(
        Layer(
            role=role,
            outer_diameter_mm=float(d),
            material=card.with_values("profile", youngs_modulus_mpa=float(e)),
        )
        for role, d, e in zip(roles, edges, profile_mpa, strict=True)
    )
    return Ball(name="core", layer=layers, dimple_volume_percent=0.0)


def weights():
    """Return d ln figure / d ln E of six shells, by differences, for two figures of a core."""
    moved = [40.0 * np.exp(0.2 * row) for row in np.vstack([np.zeros(6), np.eye(6)])]
    names = ("deflection_mm", "frequency_hz")
    found = estimate_many([shells(m) for m in moved], names)
    logs = np.array([[np.log(e[name].value) for name in names] for e in found])
    return (logs[1:] - logs[0]).T / 0.2


def misses(hardening, theta, row, weight, rng):
    """Return errors of a new core's profile and figures over the half widths of their intervals."""
    middle = np.linspace(0.0, 19.0, 13)[1::2]
    at, inner = np.concatenate([AT, middle]), slice(len(AT), None)
    made, cycle = stock(*row[:2]), one_step(*row[2:])
    true = hardness(theta, made, cycle, 38.6, at)
    true = rng.multivariate_normal(true, Noise().between(at / 19.3, at / 19.3))
    expected = predict(hardening, made, cycle, 38.6, at)
    slope = log_slope(expected.modulus_mpa)
    error = np.log(true / (100.0 - true)) - np.log(expected.shore_c / (100.0 - expected.shore_c))
    covariance = expected.covariance * np.outer(slope, slope)
    half = expected.width * np.sqrt(np.diag(covariance))
    of_figures = np.einsum("fi,ij,fj->f", weight, covariance[inner, inner], weight)
    figures = np.abs(weight @ error[inner]) / (expected.width * np.sqrt(of_figures))
    return np.abs(error / half)[: len(AT)], figures


@pytest.mark.slow
def test_intervals_hold_the_profile_and_the_figures_of_new_cores():
    # Twenty truths drawn from the priors, with their own noise; 88 to 100 % is the bar.
    rng = np.random.default_rng(15)
    weight = weights()
    found = []
    for _ in range(20):
        theta = np.array([rng.normal(p.mean, p.deviation) for p in PARAMETERS])
        cores = [core(str(i), row, theta, rng) for i, row in enumerate(PLAN)]
        hardening = calibrate(cores).hardening
        found += [misses(hardening, theta, row, weight, rng) for row in NEW]
    profile, figures = (np.array(part) for part in zip(*found, strict=True))
    for errors in (profile, figures):
        assert 0.88 <= np.mean(errors <= 1.0) <= 1.0
        # The guard: intervals of half the width would be noticed.
        assert np.mean(errors <= 0.5) < 0.88
