"""Functions drawn from a Gaussian process, and builds left out, against the process itself."""

import numpy as np
import pytest
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

from optimize.emulator import draws
from optimize.emulator.draws import left_out, mean_and_deviations
from optimize.emulator.gaussian import fit


def data(n: int = 60) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    x = rng.random((n, 3))
    y = np.sin(5.0 * x[:, 0]) * x[:, 1] + 0.02 * rng.standard_normal(n)
    return x, (y - y.mean()) / y.std()


def fitted(n: int = 60) -> GaussianProcessRegressor:
    emulator = fit(data(n)[0], {"y": data(n)[1]})
    return emulator._processes["y"].model


def test_draws_scatter_about_the_mean_as_the_process_says():
    model, x = fitted(), np.random.default_rng(4).random((500, 3))
    white = model.kernel_(x[:1])[0, 0] - model.kernel_(x[:1], x[:1])[0, 0]
    mean, deviations = mean_and_deviations(model, x, 400, np.random.default_rng(5))
    believed, covariance = model.predict(x, return_cov=True)
    covariance -= white * np.eye(len(x))
    assert mean == pytest.approx(believed, abs=1e-8)
    drawn = deviations.T @ deviations / 400
    # 400 draws tell the trace to 7 % and the covariance to 10 %; 512 waves add 11 and 20 %.
    assert np.trace(drawn) == pytest.approx(np.trace(covariance), rel=0.25)
    assert np.linalg.norm(drawn - covariance) < 0.4 * np.linalg.norm(covariance)
    # Tolerance guard: independent errors of the same sizes would not pass.
    alone = np.diag(np.diag(covariance))
    assert np.linalg.norm(alone - covariance) > 0.5 * np.linalg.norm(covariance)


def test_waves_start_at_any_phase():
    term = ConstantKernel(1.0) * RBF([1.0, 1.0])
    phase = np.sort(draws._waves(term, 2, 1, np.random.default_rng(1)).phases)
    even = 2.0 * np.pi * (np.arange(len(phase)) + 0.5) / len(phase)
    # Kolmogorov and Smirnov's bound of one in 10,000.
    assert np.abs(phase - even).max() < 2.0 * np.pi * 2.2 / np.sqrt(len(phase))


def test_what_is_said_of_builds_left_out_is_what_a_process_without_them_says():
    model, (x, y) = fitted(), data()
    said = left_out(model)
    for i in (0, 17, 59):
        others = np.arange(len(x)) != i
        without = GaussianProcessRegressor(model.kernel_, optimizer=None).fit(x[others], y[others])
        assert said[i] == pytest.approx(without.predict(x[i : i + 1])[0], abs=1e-6)
    assert np.abs(said - model.predict(x)).max() > 1e-3


def test_draws_come_in_pairs_about_the_mean_in_the_figures_unit():
    x = np.random.default_rng(6).random((40, 2))
    law = np.exp(4.0 + 3.0 * x[:, 0] - x[:, 1])
    emulator = fit(x, {"plain": law.max() - law - 5.0, "law": law, "mass": np.full(40, 45.9)})
    new = np.random.default_rng(7).random((9, 2))
    predicted = emulator.predict(new)
    assert (predicted["plain"].log, predicted["law"].log) == (False, True)
    found = {name: emulator.draws(name, new, 50, seed=1) for name in predicted}
    assert {draws.shape for draws in found.values()} == {(100, 9)}
    np.testing.assert_allclose(found["plain"].mean(axis=0), predicted["plain"].mean, atol=1e-4)
    np.testing.assert_allclose(np.log(found["law"]).mean(axis=0), predicted["law"].mean, atol=1e-5)
    np.testing.assert_allclose(found["mass"], 45.9)


def test_analytic_waves_have_the_kernels_spectral_density():
    """Wave numbers of an RBF of length l are normal of 1/l (Rahimi and Recht 2007); var(g) = c."""
    term = ConstantKernel(3.0) * RBF([0.5, 2.0])
    waves = draws._waves(term, 2, 400, np.random.default_rng(1))
    assert waves.numbers.shape == (2, 512)  # as few as a draw may have: see its comment
    np.testing.assert_allclose(waves.numbers.std(axis=1), [2.0, 0.5], rtol=0.02)
    np.testing.assert_allclose(waves.numbers.mean(axis=1), 0.0, atol=0.02)
    assert waves.weights.shape == (512, 400)
    # Half of each cosine's square remains, and 512 of them add up.
    assert 0.5 * np.sum(waves.weights**2) / 400 == pytest.approx(3.0, rel=0.02)
    x = np.random.default_rng(2).random((50, 2))
    sums = np.cos(x @ waves.numbers + waves.phases) @ waves.weights
    np.testing.assert_allclose(waves(x), sums)
    np.testing.assert_allclose(waves.in_short(x), sums, atol=1e-3)
    assert waves.in_short(x).dtype == np.float32


def test_analytic_one_noisy_build_leaves_what_noise_and_signal_share():
    """Of a prior of variance s seen through noise n there remains s n/(s + n); here 1/2.

    The noise is of two parts, and a second, local part of the prior has hardly any size.
    """
    local = ConstantKernel(1e-6) * RBF([0.1])
    kernel = ConstantKernel(1.0) * RBF([1.0]) + local + WhiteKernel(0.6) + WhiteKernel(0.4)
    model = GaussianProcessRegressor(kernel, optimizer=None).fit(np.zeros((1, 1)), [2.0])
    x = np.array([[0.0], [60.0]])
    mean, deviations = mean_and_deviations(model, x, 4000, np.random.default_rng(5))
    np.testing.assert_allclose(mean, [1.0, 0.0], atol=1e-5)
    np.testing.assert_allclose(deviations.var(axis=0), [0.5, 1.0], rtol=0.15)
    np.testing.assert_allclose(deviations.mean(axis=0), 0.0, atol=0.1)


def test_builds_in_blocks_are_drawn_as_all_at_once(monkeypatch):
    model = GaussianProcessRegressor(
        ConstantKernel(1.0) * RBF([1.0]) + WhiteKernel(1e-4), optimizer=None
    ).fit(np.array([[0.0], [1.0]]), [1.0, -1.0])
    x = np.linspace(0.0, 3.0, 10)[:, None]
    whole = mean_and_deviations(model, x, 3, np.random.default_rng(1))
    monkeypatch.setattr(draws, "_BLOCK", 4)
    assert list(draws._blocks(10)) == [slice(0, 4), slice(4, 8), slice(8, 12)]
    parts = mean_and_deviations(model, x, 3, np.random.default_rng(1))
    for one, other in zip(whole, parts, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-5)
    assert parts[0] == pytest.approx(model.predict(x))
