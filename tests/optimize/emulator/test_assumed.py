"""A value taken as given: against a fit to all builds, and where rounding takes over."""

from types import SimpleNamespace

import numpy as np
import pytest
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

from optimize.emulator.assumed import assuming

KERNEL = ConstantKernel(2.0) * RBF([0.5, 0.7]) + WhiteKernel(0.05)


def test_analytic_one_value_more_is_one_row_more_of_the_fit():
    rng = np.random.default_rng(1)
    x, z = rng.random((8, 2)), rng.standard_normal(8)
    few, all_ = (
        GaussianProcessRegressor(KERNEL, alpha=0.1, optimizer=None).fit(x[:n], z[:n])
        for n in (7, 8)
    )
    told = assuming(few, x[7], z[7])
    np.testing.assert_allclose(told.L_, all_.L_, rtol=1e-10, atol=1e-12)
    np.testing.assert_allclose(told.alpha_, all_.alpha_, rtol=1e-9)
    np.testing.assert_array_equal(told.X_train_, x)
    assert few.L_.shape == (7, 7)  # the first one is as it was


def test_limits_what_rounding_leaves_of_a_variance_is_at_least_what_was_added_to_it():
    """A build told twice, with 0.9 in place of 1 on the root's diagonal: less than none is left."""
    kernel = ConstantKernel(1.0) * RBF([1.0])
    once = SimpleNamespace(
        kernel_=kernel, X_train_=np.zeros((1, 1)), L_=np.array([[0.9]]), alpha_=np.zeros(1)
    )
    once.alpha = 0.01
    told = assuming(once, np.zeros(1), 1.0)  # type: ignore[arg-type]
    np.testing.assert_allclose(told.L_, [[0.9, 0.0], [1.0 / 0.9, 0.1]])
    assert told.alpha_[1] == pytest.approx(1.0 / 0.01)
