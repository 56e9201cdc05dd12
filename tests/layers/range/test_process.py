"""The process of one coefficient: correlation, slopes of the density, posterior, priors."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from layers.range import process as module
from layers.range.forms import forms
from layers.range.process import amplitude, by_reynolds, by_spin, fit_process, matern

RNG = np.random.default_rng(8)
RE, S = RNG.uniform(0.5e5, 2.2e5, 14), RNG.uniform(0.0, 0.4, 14)
VALUES = 0.22 + 0.3 * S + 0.02 * np.sin(RE / 3e4)
ERRORS = np.linspace(5e-4, 2e-3, 14)


@pytest.fixture(scope="module")
def fitted():
    return fit_process(forms("drag", RE, S)[0], RE, S, VALUES, ERRORS)


def parts():
    form = forms("drag", RE, S)[0]
    basis = form.basis(RE, S) * form.spread
    apart = tuple(np.subtract.outer(c, c) for c in (by_reynolds(RE), by_spin(S)))
    rise = np.outer(amplitude(RE), amplitude(RE))
    return basis @ basis.T, rise, apart, VALUES - form.published(RE, S), ERRORS


def test_published_matern_correlation():
    """(1 + r + r^2/3) exp(-r), r = sqrt 5 |d| / l: Rasmussen and Williams 2006, eq. 4.17."""
    d = np.array([-0.3, 0.0, 0.3, 0.9])
    r = np.sqrt(5.0) * np.array([0.3, 0.0, 0.3, 0.9]) / 0.45
    np.testing.assert_allclose(matern(d, 0.45), (1.0 + r + r**2 / 3.0) * np.exp(-r), rtol=1e-12)
    up, down = matern(d, 0.45 * np.exp(1e-5)), matern(d, 0.45 * np.exp(-1e-5))
    np.testing.assert_allclose(module._matern_slope(d, 0.45), (up - down) / 2e-5, atol=1e-9)


@pytest.mark.parametrize("shift", [np.zeros(4), np.array([0.5, -0.7, 0.4, -0.9])])
def test_analytic_slopes_of_the_density_are_its_differences(shift):
    theta = module._MEDIAN + shift
    _, slope = module._minus_log_density(theta, *parts())
    for j in range(4):
        step = 1e-5 * np.eye(4)[j]
        up, down = (module._minus_log_density(theta + s, *parts())[0] for s in (step, -step))
        assert slope[j] == pytest.approx((up - down) / 2e-5, rel=1e-5, abs=1e-6)


def test_analytic_density_is_that_of_a_normal_and_of_the_priors():
    """Rasmussen and Williams 2006, eq. 5.8, and normal priors of the logarithms."""
    theta = module._MEDIAN + np.array([0.3, -0.2, 0.1, 0.5])
    trend, rise, apart, residual, errors = parts()
    size, along, across, scatter = np.exp(theta)
    k = trend + size**2 * rise * matern(apart[0], along) * matern(apart[1], across)
    k += np.diag(errors**2 + scatter**2)
    expected = 0.5 * residual @ np.linalg.solve(k, residual) + 0.5 * np.linalg.slogdet(k)[1]
    expected += 0.5 * np.sum(((theta - module._MEDIAN) / module._SPREAD) ** 2)
    assert module._minus_log_density(theta, *parts())[0] == pytest.approx(expected, rel=1e-9)


def test_the_likeliest_is_no_less_likely_than_its_neighbours(fitted):
    best = np.log([fitted.size, fitted.length_reynolds, fitted.length_spin_ratio, fitted.scatter])
    least = module._minus_log_density(best, *parts())[0]
    for j in range(4):
        for sign in (-0.02, 0.02):
            moved = best + sign * np.eye(4)[j]
            assert module._minus_log_density(moved, *parts())[0] >= least - 1e-6


def test_analytic_posterior_of_rows_and_points(fitted):
    """By the whole covariance of rows and points, inverted at once."""
    re, s = np.array([0.8e5, 1.6e5]), np.array([0.05, 0.3])
    both_re, both_s = np.concatenate([RE, re]), np.concatenate([S, s])
    whole = fitted.covariance(both_re, both_s, both_re, both_s)
    np.testing.assert_allclose(whole, whole.T, rtol=1e-12)
    rows = whole[:14, :14] + np.diag(fitted.noise)
    np.testing.assert_allclose(fitted.noise, ERRORS**2 + fitted.scatter**2)
    gain = np.linalg.solve(rows, whole[:14, 14:])
    mean = fitted.form.published(re, s) + gain.T @ fitted.residual
    np.testing.assert_allclose(fitted.mean(re, s), mean, rtol=1e-9)
    wider = replace(fitted, inflation=1.5)
    left = 1.5**2 * (whole[14:, 14:] - whole[14:, :14] @ gain)
    np.testing.assert_allclose(wider.posterior(re, s, re, s), left, atol=1e-12)
    np.testing.assert_allclose(wider.sd(re, s), np.sqrt(np.diag(left)), rtol=1e-6)
    shape = np.diag(whole)[14:] - np.sum((fitted.form.basis(re, s) * fitted.form.spread) ** 2, 1)
    np.testing.assert_allclose(shape, (fitted.size * amplitude(re)) ** 2, rtol=1e-9)


def test_left_out_errors_score_and_inflation(fitted):
    """Closed form against the inverse's diagonal (ibid., eq. 5.12); inflation makes z^2 one."""
    k = fitted.covariance(RE, S, RE, S) + np.diag(fitted.noise)
    inverse = np.linalg.inv(k)
    variance = 1.0 / np.diag(inverse)
    error = inverse @ fitted.residual * variance
    z = error / np.sqrt(variance)
    assert fitted.left_out_rms == pytest.approx(np.sqrt(np.mean(error**2)), rel=1e-9)
    assert fitted.inflation == pytest.approx(max(1.0, np.sqrt(np.mean(z**2))), rel=1e-9)
    sd = fitted.inflation * np.sqrt(variance)
    density = -0.5 * (error / sd) ** 2 - np.log(sd) - 0.5 * np.log(2.0 * np.pi)
    assert fitted.score == pytest.approx(np.mean(density), rel=1e-9)


def test_wild_rows_widen_the_errors_from_five_rows_on():
    rng = np.random.default_rng(1)
    form = forms("drag", RE, S)[0]
    wild = VALUES + rng.normal(0.0, 0.4, 14)
    whole = fit_process(form, RE, S, wild, ERRORS)
    assert whole.inflation == pytest.approx(np.sqrt(np.mean(whole.left_out_z**2)))
    assert whole.inflation > 1.2
    for count, wider in ((5, True), (4, False)):
        at = slice(0, count)
        found = fit_process(form, RE[at], S[at], wild[at] + [3.0, *[0.0] * (count - 1)], ERRORS[at])
        assert (found.inflation > 1.0) == wider


def test_the_process_is_five_times_as_large_below_the_critical_reynolds_number():
    np.testing.assert_allclose(amplitude(np.array([1e4, 0.8e5, 3e5])), [5.0, 3.0, 1.0], rtol=1e-3)
    # By hand: at 0.8e5 half of four more; a logistic of width 0.08e5, e times as far beside it.
    found = amplitude(np.array([0.8e5, 0.88e5]))
    np.testing.assert_allclose(found, [3.0, 1.0 + 4.0 / (1.0 + np.e)], rtol=1e-9)
    assert by_reynolds(np.array([2e5]))[0] == 0.5
    assert by_spin(np.array([0.09]))[0] == pytest.approx(0.3)


def test_many_rows_are_thinned_for_the_hyperparameters_alone(monkeypatch):
    form = forms("drag", RE, S)[0]
    monkeypatch.setattr(module, "_MOST_FITTED", 7)
    thin = fit_process(form, RE, S, VALUES, ERRORS)
    assert len(thin.residual) == 14
    some = np.unique(np.linspace(0, 13, 7).astype(int))
    alone = fit_process(form, RE[some], S[some], VALUES[some], ERRORS[some])
    assert thin.size == pytest.approx(alone.size, rel=1e-9)
    assert thin.length_reynolds == pytest.approx(alone.length_reynolds, rel=1e-9)


@pytest.mark.parametrize(("count", "fitted"), [(1, 1), (200, 200), (201, 200), (350, 200)])
def test_the_search_takes_200_rows_within_four_deviations_of_the_priors(monkeypatch, count, fitted):
    """From the priors' medians, and from a larger process of shorter lengths; these are pinned."""
    asked = []

    def search(function, start, args, **more):
        asked.append((start, args, more))
        return SimpleNamespace(fun=float(len(asked) == 1), x=start)

    monkeypatch.setattr(module, "minimize", search)
    square = np.arange(count, dtype=float)
    flat = np.subtract.outer(square, square)
    found = module._likeliest(flat, flat, (flat, flat), square, square)
    assert [len(args[3]) for _, args, _ in asked] == [fitted, fitted]
    for _, (trend, rise, (along, across), residual, errors), more in asked:
        assert residual[0] == errors[0] == 0.0
        assert residual[-1] == errors[-1] == count - 1
        for part in (trend, rise, along, across):
            np.testing.assert_array_equal(part, np.subtract.outer(residual, residual))
        low, high = np.exp(np.transpose(more["bounds"]))
        np.testing.assert_allclose(high / low, np.array([2.0, 2.0, 2.0, 2.5]) ** 8)
        np.testing.assert_allclose(np.sqrt(high * low), [0.03, 0.5, 0.25, 0.003])
    np.testing.assert_allclose(np.exp(asked[0][0]), [0.03, 0.5, 0.25, 0.003])
    np.testing.assert_allclose(np.exp(asked[1][0]), [0.06, 0.15, 0.175, 0.003])
    np.testing.assert_array_equal(found, asked[1][0])  # the less unlikely of both


def test_priors_are_what_they_say():
    """Median and spread of size, lengths and scatter; of trend and regression terms."""
    np.testing.assert_allclose(np.exp(module._MEDIAN), [0.03, 0.5, 0.25, 0.003])
    np.testing.assert_allclose(np.exp(module._SPREAD), [2.0, 2.0, 2.0, 2.5])
    plain, regression = forms("lift", RE, S)
    np.testing.assert_allclose(plain.spread, [0.04, 0.06, 0.25])
    np.testing.assert_allclose(regression.spread, [0.04, 0.06, 0.25, 2.0, 0.1])


@pytest.mark.parametrize("coefficient", ["drag", "lift"])
def test_analytic_terms_of_the_forms(coefficient):
    """1, ln Re/1.5e5, S - 0.15; squared S, and Re or 1/Re^2, held at the edges of the rows."""
    plain, regression = forms(coefficient, RE, S)
    re, s = np.array([1.5e5, 1.2e5, 9e5, 1e4]), np.array([0.15, 0.3, 2.0, 0.0])
    trend = np.column_stack([np.ones(4), np.log(re / 1.5e5), s - 0.15])
    np.testing.assert_allclose(plain.basis(re, s), trend, atol=1e-12)
    r = np.clip(re, RE.min(), RE.max()) / 1e5
    held = np.clip(s, S.min(), S.max()) - 0.15
    by_re = r - 1.5 if coefficient == "drag" else r**-2 - 1.5**-2
    expected = np.column_stack([trend, held**2, by_re])
    np.testing.assert_allclose(regression.basis(re, s), expected, atol=1e-12)
