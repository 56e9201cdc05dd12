"""Kernels of largest likelihood: which starts are tried, on which builds.

The regressor is a stand-in that records what it is asked, so that no fit runs.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

from optimize.emulator import likelihood
from optimize.emulator.likelihood import likeliest

EARLIER = ConstantKernel(3.0) * RBF([0.3, 0.4]) + WhiteKernel(1e-3)


@pytest.fixture
def fits(monkeypatch) -> list[SimpleNamespace]:
    """Record the fits; the second one is the likeliest."""
    made: list[SimpleNamespace] = []

    class Regressor:
        def __init__(self, kernel, optimizer):
            self.kernel_, self.optimizer = kernel, optimizer
            self.log_marginal_likelihood_value_ = [-3.0, -1.0, -2.0][len(made) % 3]

        def fit(self, x, z):
            made.append(SimpleNamespace(kernel=self.kernel_, steps=self.optimizer, x=x, z=z))
            return self

    monkeypatch.setattr(likelihood, "GaussianProcessRegressor", Regressor)
    monkeypatch.setattr(likelihood, "_ascend", lambda steps: steps)
    return made


def points(n: int) -> tuple[np.ndarray, np.ndarray]:
    return np.arange(2.0 * n).reshape(n, 2), np.arange(float(n))


def scales(fit: SimpleNamespace) -> np.ndarray:
    return np.exp(fit.kernel.theta[1:3])


def test_golden_starts_of_a_fit(fits):
    """Pinned settings: other starts find the same maximum in most cases, only later or earlier."""
    kernel, restarted = likeliest(*points(20), None, 0)
    assert restarted == 20
    assert [fit.steps for fit in fits] == [60, 60]
    assert kernel is fits[1].kernel
    for fit, scale in zip(fits, (1.0, 0.2), strict=True):
        theta = [10.0, scale, scale, 1e-3, 0.1, 1e-5]
        np.testing.assert_allclose(np.exp(fit.kernel.theta), theta)
        bounds = [(1e-2, 1e5), *[(0.05, 100.0)] * 2, (1e-8, 1.0), (0.03, 0.5), (1e-8, 1e-2)]
        np.testing.assert_allclose(np.exp(fit.kernel.bounds), bounds)


@pytest.mark.parametrize(("builds", "restarts"), [(27, False), (28, True), (29, True)])
def test_several_starts_are_tried_when_the_builds_have_grown_by_two_fifths(fits, builds, restarts):
    """Else the last fit is continued, by fewer steps."""
    kernel, restarted = likeliest(*points(builds), EARLIER, 20)
    assert [fit.steps for fit in fits] == ([12, 60, 60] if restarts else [12])
    assert fits[0].kernel is EARLIER
    assert restarted == (builds if restarts else 20)
    assert kernel is fits[1 if restarts else 0].kernel


def test_without_an_earlier_fit_several_starts_are_tried_however_few_builds_are_new(fits):
    assert likeliest(*points(21), None, 20)[1] == 21
    assert len(fits) == 2


def test_scales_are_fitted_to_three_hundred_builds_spread_over_all(fits):
    x, z = points(1000)
    likeliest(x, z, EARLIER, 999)
    assert len(fits[0].z) == 300
    assert (fits[0].z[0], fits[0].z[-1]) == (0.0, 999.0)
    assert set(np.diff(fits[0].z)) == {3.0, 4.0}
    np.testing.assert_array_equal(fits[0].x[:, 0], 2.0 * fits[0].z)
    likeliest(*points(300), EARLIER, 299)
    np.testing.assert_array_equal(fits[1].z, np.arange(300.0))


def test_an_ascent_ends_after_its_steps_at_the_lowest_place_within_bounds():
    """The regressor asks for the least of minus its likelihood."""

    def bowl(theta):  # nearly a parabola, so that a few steps do not end it
        return float(np.sum(theta**2 + theta**4)), 2.0 * theta + 4.0 * theta**3

    bounds = np.array([(-5.0, 5.0), (1.0, 5.0)])
    start = np.array([3.0, 4.0])
    place, value = likelihood._ascend(50)(bowl, start, bounds)
    assert place == pytest.approx([0.0, 1.0], abs=1e-4)
    assert value == pytest.approx(2.0, abs=1e-6)
    assert likelihood._ascend(1)(bowl, start, bounds)[1] > value + 1e-3
