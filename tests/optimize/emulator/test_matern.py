"""The likeliest rough covariance: its starts, bounds and likelihood.

Kinds: analytic, limits; one golden test of settings, which are common practice and have no source.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

from optimize.emulator import matern
from optimize.emulator.matern import likeliest_matern, minus_log_likelihood

X = np.random.default_rng(1).random((6, 2))
Z = X[:, 0] - X[:, 1]


@pytest.fixture
def searches(monkeypatch) -> list[dict]:
    """Record the searches for the likeliest; the second one ends at the better place."""
    asked: list[dict] = []

    def minimize(function, start, **options):
        asked.append({"function": function, "start": np.exp(start), **options})
        return SimpleNamespace(x=start, fun=-float(len(asked)))

    monkeypatch.setattr(matern, "minimize", minimize)
    return asked


def test_golden_settings_of_the_search(searches):
    """Pinned: another start or bound finds the same maximum in most cases, only later."""
    found = likeliest_matern(X, Z)
    (one,) = searches
    assert one["start"] == pytest.approx([10.0, 2.0, 2.0, 1e-3])
    bounds = np.array([(1e-2, 1e4), (0.1, 100.0), (0.1, 100.0), (1e-8, 1e-1)])
    np.testing.assert_allclose(np.exp(one["bounds"]), bounds)
    np.testing.assert_allclose(np.exp(found.bounds), bounds)
    assert (one["jac"], one["method"]) == (True, "L-BFGS-B")
    assert one["options"] == {"maxiter": 100}
    squares, z = one["args"]
    np.testing.assert_array_equal(squares[4, 1], (X[4] - X[1]) ** 2)
    assert z is Z


def test_the_kernel_is_that_of_the_better_start_and_an_earlier_one_is_cut_to_the_bounds(searches):
    earlier = ConstantKernel(1e6) * Matern([1e-3, 7.0], nu=2.5) + WhiteKernel(1e-12)
    found = likeliest_matern(X, Z, earlier)
    assert searches[0]["start"] == pytest.approx([10.0, 2.0, 2.0, 1e-3])
    assert searches[1]["start"] == pytest.approx([1e4, 0.1, 7.0, 1e-8])
    assert np.exp(found.theta) == pytest.approx(searches[1]["start"])
    covariance = ConstantKernel(1e4) * Matern([0.1, 7.0], nu=2.5) + WhiteKernel(1e-8)
    np.testing.assert_allclose(found(X), covariance(X))
    other = ConstantKernel(1e-6) * Matern([7.0, 1e3], nu=2.5) + WhiteKernel(1.0)
    likeliest_matern(X, Z, other)
    assert searches[3]["start"] == pytest.approx([1e-2, 7.0, 100.0, 0.1])


def test_the_likelier_of_two_starts_is_kept(monkeypatch):
    ends = iter([-2.0, -1.0])
    monkeypatch.setattr(
        matern, "minimize", lambda _, start, **__: SimpleNamespace(x=start, fun=next(ends))
    )
    earlier = ConstantKernel(5.0) * Matern([1.0, 1.0], nu=2.5) + WhiteKernel(1e-4)
    found = likeliest_matern(X, Z, earlier)
    assert np.exp(found.theta) == pytest.approx([10.0, 2.0, 2.0, 1e-3])


def test_limits_of_equal_builds_without_noise():
    """C = s + j on the diagonal, s beside it: eigenvalues 2 s + j and j; z lies along the second.

    The variance j that keeps C regular is 1e-10 of that of the figure, the least of other fits.
    """
    squares, z, theta = np.zeros((2, 2, 1)), np.array([1.0, -1.0]), np.array([0.0, 0.0, -100.0])
    value, _ = minus_log_likelihood(theta, squares, z)
    assert value == pytest.approx(1e10 + 0.5 * np.log(2e-10), rel=1e-5)
    # A covariance that rounding makes singular is as unlikely as can be, wherever one looks.
    near = np.linspace(0.0, 1e-3, 30)
    squares = (near[:, None, None] - near[None, :, None]) ** 2
    value, gradient = minus_log_likelihood(np.array([60.0, 0.0, -100.0]), squares, near)
    assert value == 1e10
    np.testing.assert_array_equal(gradient, np.zeros(3))
