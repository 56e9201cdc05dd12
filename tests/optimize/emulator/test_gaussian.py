"""Gaussian processes of figures: against closed forms, and the coverage of their intervals."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import lognorm, norm, qmc
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, Matern, WhiteKernel
from threadpoolctl import threadpool_limits

from optimize.emulator import gaussian
from optimize.emulator.gaussian import FEWEST, Emulator, Prediction, _Process, fit
from optimize.emulator.inflation import leave_one_out_inflation
from optimize.emulator.intervals import SIGMAS_95
from optimize.emulator.likelihood import conditioned
from optimize.emulator.matern import minus_log_likelihood

RNG = np.random.default_rng(5)


def branin(x: np.ndarray) -> np.ndarray:
    """Branin's function on [0, 1]^2 (Forrester, Sobester and Keane 2008), raised above zero."""
    a, b = 15.0 * x[:, 0] - 5.0, 15.0 * x[:, 1]
    valley = (b - 5.1 / (4 * np.pi**2) * a**2 + 5.0 / np.pi * a - 6.0) ** 2
    return valley + 10.0 * (1.0 - 1.0 / (8.0 * np.pi)) * np.cos(a) + 20.0


def emulated(n: int = 60, **extra: np.ndarray) -> tuple[np.ndarray, Emulator]:
    x = np.random.default_rng(1).random((n, 2))
    return x, fit(x, {"branin": branin(x), **extra})


# Against the textbook.


@pytest.mark.parametrize("log", [False, True])
def test_analytic_prediction_is_the_conditional_normal(log):
    x = np.random.default_rng(1).random((30, 2))
    y = branin(x) / 100.0 + 0.05 * np.random.default_rng(2).random(30)  # positive
    if log:
        y = np.exp(y)
    emulator = fit(x, {"figure": y})
    process = emulator._processes["figure"]
    assert process.log == log
    z = np.log(y) if log else y
    centre, scale = z.mean(), z.std()
    z = (z - z.mean()) / z.std()
    kernel, new = process.model.kernel_, RNG.random((7, 2))
    cross, inverse = kernel(new, x), np.linalg.inv(kernel(x))
    mean = cross @ inverse @ z
    variance = kernel.diag(new) - np.sum(cross @ inverse * cross, axis=1)
    found = emulator.predict(new)["figure"]
    np.testing.assert_allclose(found.mean, centre + scale * mean, rtol=1e-5)
    np.testing.assert_allclose(found.sd, scale * np.sqrt(variance) * process.inflation, rtol=1e-3)


def test_analytic_leave_one_out_is_that_of_leaving_each_out_in_turn():
    x, emulator = emulated(25)
    model = emulator._processes["branin"].model
    z, covariance = model.y_train_, model.kernel_(x) + model.alpha * np.eye(25)
    sigmas, variances = [], []
    for i in range(25):
        others = np.delete(np.arange(25), i)
        weights = np.linalg.solve(covariance[np.ix_(others, others)], covariance[others, i])
        variances.append(covariance[i, i] - weights @ covariance[others, i])
        sigmas.append((z[i] - weights @ z[others]) / np.sqrt(variances[-1]))
    lone = np.abs(sigmas)[np.array(variances) >= np.quantile(variances, 0.7)]
    freedom = np.sqrt(25 / (25 - len(model.kernel_.theta)))
    spread = max(
        max(np.sqrt(np.mean(some**2)), np.quantile(some, 0.95) / SIGMAS_95)
        for some in (np.abs(sigmas), lone)
    )
    assert leave_one_out_inflation(model) == pytest.approx(freedom * spread, rel=1e-3)


@pytest.mark.parametrize("log", [False, True])
def test_analytic_probabilities_are_those_of_a_normal_variable(log):
    belief = Prediction(np.array([1.0, 0.2]), np.array([0.5, 0.1]), log)
    bound = 2.0
    wanted = norm.cdf(np.log(bound) if log else bound, belief.mean, belief.sd)
    np.testing.assert_allclose(belief.below(bound), wanted)
    if log:
        assert np.all(belief.below(-1.0) == 0.0)
    np.testing.assert_allclose(belief.sigmas_to(belief.at(1.3)), 1.3)


@pytest.mark.parametrize("log", [False, True])
def test_analytic_area_below_is_the_integral_of_the_probability(log):
    belief = Prediction(np.array([1.0, 0.2]), np.array([0.5, 0.3]), log)
    bounds = np.array([-0.7, 0.4, 1.1, 2.5, 9.0])
    found = belief.area_below(bounds)
    for i, (mean, sd) in enumerate(zip(belief.mean, belief.sd, strict=True)):
        for j, bound in enumerate(bounds):
            low = 1e-12 if log else mean - 12.0 * sd
            x = np.linspace(low, max(bound, low), 20_001)
            below = norm.cdf(np.log(x) if log else x, mean, sd)
            assert found[i, j] == pytest.approx(np.trapezoid(below, x), rel=1e-5, abs=1e-8)


def test_without_coordinates_a_figure_is_its_mean():
    y = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    found = fit(np.zeros((6, 0)), {"figure": y - 10.0}).predict(np.zeros((2, 0)))["figure"]
    np.testing.assert_allclose(found.value, -6.5)
    np.testing.assert_allclose(found.sd, y.std())


def test_published_function_is_met():
    """Branin at 64 points: the error is below 2 % of the spread."""
    x = qmc.Sobol(2, rng=np.random.default_rng(2)).random_base2(6)
    emulator = fit(x, {"branin": branin(x) - 100.0})
    new = np.random.default_rng(9).random((400, 2))
    found, true = emulator.predict(new)["branin"], branin(new) - 100.0
    assert np.sqrt(np.mean((found.value - true) ** 2)) < 0.02 * true.std()


def test_published_function_lies_within_its_intervals_as_often_as_stated():
    """Branin at few points, of 8 designs: 88 to 99 % of unseen points lie within."""
    new = np.random.default_rng(99).random((300, 2))
    sigmas = []
    for seed in range(8):
        x = np.random.default_rng(seed).random((25, 2))
        found = fit(x, {"branin": branin(x) - 100.0}).predict(new)["branin"]
        sigmas.append(np.abs(found.sigmas_to(branin(new) - 100.0)))
    assert 0.88 <= np.mean(np.array(sigmas) <= SIGMAS_95) <= 0.99
    assert np.mean(3.0 * np.array(sigmas) <= SIGMAS_95) < 0.88  # bars of a third are caught


def test_analytic_gradient_of_the_rough_likelihood_is_that_of_finite_differences():
    x = np.random.default_rng(3).random((20, 3))
    z, squares = np.sin(5.0 * x[:, 0]) + x[:, 1], (x[:, None, :] - x[None, :, :]) ** 2
    theta = np.log([2.0, 0.5, 1.5, 3.0, 1e-3])
    value, gradient = minus_log_likelihood(theta, squares, z)
    for i, step in enumerate(1e-5 * np.eye(5)):
        ends = [minus_log_likelihood(theta + way * step, squares, z)[0] for way in (1.0, -1.0)]
        assert (ends[0] - ends[1]) / 2e-5 == pytest.approx(gradient[i], rel=1e-5, abs=1e-6)
    kernel = ConstantKernel(2.0) * Matern([0.5, 1.5, 3.0], nu=2.5) + WhiteKernel(1e-3)
    known = GaussianProcessRegressor(kernel, optimizer=None).fit(x, z)
    constant = 10.0 * np.log(2.0 * np.pi)
    assert value + constant == pytest.approx(-known.log_marginal_likelihood_value_, rel=1e-6)


def test_a_figure_that_some_builds_lack_is_fitted_to_the_others():
    x = np.random.default_rng(1).random((30, 2))
    partial = np.where(np.arange(30) < 20, branin(x), np.nan)
    found = fit(x, {"branin": partial}, rough=True).predict(x[:3])["branin"]
    alone = fit(x[:20], {"branin": branin(x[:20])}, rough=True).predict(x[:3])["branin"]
    np.testing.assert_array_equal(found.value, alone.value)


# Limits and bad input.


def test_limits_a_computed_build_is_known_and_a_far_one_is_not():
    x, emulator = emulated()
    near, far = emulator.predict(x)["branin"], emulator.predict(x + 50.0)["branin"]
    np.testing.assert_allclose(near.value, branin(x), rtol=2e-2)
    assert far.sd.min() > 10.0 * near.sd.max()


def test_a_constant_figure_stays_constant():
    _, emulator = emulated(20, mass=np.full(20, 45.9))
    mass = emulator.predict(RNG.random((3, 2)))["mass"]
    np.testing.assert_allclose(mass.value, 45.9)
    np.testing.assert_allclose(mass.sd, 0.0, atol=1e-6)


def test_the_likelier_of_a_figure_and_its_logarithm_is_emulated():
    """A power law of ten to one is even in its logarithm, a parabola near zero in itself."""
    x = np.random.default_rng(2).random((30, 2))
    law, parabola = np.exp(2.5 * x[:, 0] - x[:, 1]), 2.0 + 60.0 * np.sum((x - 0.4) ** 2, axis=1)
    emulator = fit(x, {"law": law, "parabola": parabola})
    new = np.random.default_rng(3).random((50, 2))
    found = emulator.predict(new)
    assert (found["law"].log, found["parabola"].log) == (True, False)
    true = 2.0 + 60.0 * np.sum((new - 0.4) ** 2, axis=1)
    assert np.abs(found["parabola"].value - true).max() < 0.02


def test_a_build_taken_as_computed_is_one_more_in_the_fit():
    """Against scikit-learn's fit to all builds with the same kernel."""
    x, emulator = emulated(30, mass=np.full(30, 45.9))
    build, new = np.array([0.3, 0.6]), np.random.default_rng(3).random((20, 2))
    value = float(branin(build[None])[0] + 0.5)
    told = emulator.assuming(build, {"branin": value, "mass": 45.9})
    process = emulator._processes["branin"]
    z = (np.append(branin(x), value) - process.centre) / process.scale
    every = np.vstack([x, build])
    model = GaussianProcessRegressor(process.model.kernel_, alpha=1e-10, optimizer=None)
    mean, sd = model.fit(every, z).predict(new, return_std=True)
    found = told.predict(new)
    expected = process.centre + process.scale * mean
    np.testing.assert_allclose(found["branin"].mean, expected, rtol=1e-5, atol=1e-3)
    expected = process.scale * sd * process.inflation
    np.testing.assert_allclose(found["branin"].sd, expected, rtol=1e-4)
    np.testing.assert_allclose(found["mass"].value, 45.9)
    # Before it was told, it was less sure there.
    assert told.predict(build[None])["branin"].sd < 0.5 * emulator.predict(build[None])["branin"].sd


def test_recent_prediction_errors_inflate_the_intervals():
    x = np.random.default_rng(1).random((12, 2))
    values = {"branin": branin(x)}
    sure = fit(x, values)
    shaken = fit(x, values, recent_errors={"branin": np.array([3.0, -4.0, 5.0])})
    new = x[:5] + 1e-3
    ratio = shaken.predict(new)["branin"].sd / sure.predict(new)["branin"].sd
    assert np.all(ratio > 1.5)
    np.testing.assert_allclose(
        shaken.standardised_errors(new, {"branin": branin(new)})["branin"],
        sure.standardised_errors(new, {"branin": branin(new)})["branin"],
    )


def test_a_covariance_that_rounding_makes_singular_is_regularised():
    kernel = ConstantKernel(1e5) * RBF([50.0, 50.0]) + WhiteKernel(1e-12)
    x = np.random.default_rng(3).random((200, 2))
    with pytest.raises(np.linalg.LinAlgError):
        GaussianProcessRegressor(kernel, optimizer=None).fit(x, x[:, 0])
    model = conditioned(kernel, x, x[:, 0])
    np.testing.assert_allclose(model.predict(x), x[:, 0], atol=1e-3)


def test_what_is_added_to_a_singular_covariance_ends_at_a_hundredth_of_the_variance(monkeypatch):
    tried = []

    class Singular(GaussianProcessRegressor):
        def fit(self, x: np.ndarray, y: np.ndarray) -> GaussianProcessRegressor:
            tried.append(self.alpha)
            if self.alpha < 1e-2:
                raise np.linalg.LinAlgError
            return super().fit(x, y)

    monkeypatch.setattr("optimize.emulator.likelihood.GaussianProcessRegressor", Singular)
    x = np.random.default_rng(3).random((5, 2))
    conditioned(ConstantKernel(1.0) * RBF([1.0, 1.0]), x, x[:, 0])
    assert tried == pytest.approx([1e-10, 1e-8, 1e-6, 1e-4, 1e-2])


def test_a_figure_that_turned_negative_has_a_finite_error():
    x, emulator = emulated(20)
    errors = emulator.standardised_errors(x[:1], {"branin": np.array([-1.0])})
    assert errors["branin"] == [-10.0]


def test_too_few_builds_are_refused():
    x = RNG.random((FEWEST - 1, 2))
    with pytest.raises(ValueError, match="at least 5"):
        fit(x, {"branin": branin(x)})


def test_the_same_bits_at_any_number_of_threads():
    x = np.random.default_rng(1).random((80, 2))
    found = []
    for threads in (1, 2):
        with threadpool_limits(threads, "blas"):
            emulator = fit(x, {"branin": branin(x)})
            found.append(emulator.predict(x[:5] + 0.01)["branin"])
    assert np.array_equal(found[0].mean, found[1].mean)
    assert np.array_equal(found[0].sd, found[1].sd)


# Single steps of a fit, other processes' models being stand-ins.


def process(log=False, model="model", centre=0.0, scale=1.0, inflation=1.0, restarted_at=10):
    if model == "model":
        model = SimpleNamespace(log_marginal_likelihood_value_=-1.0, kernel_="its kernel")
    return _Process(model, log, centre, scale, inflation, restarted_at)


@pytest.mark.parametrize(
    ("least", "most", "scales"),
    [
        (1.0, 2.999, [True]),
        (1.0, 3.0, [True, False]),
        (0.5, 49.99, [True, False]),
        (0.5, 50.0, [False]),
        (0.0, 1.0, [False]),
        (-3.0, -2.0, [False]),
        (1e-9, 2e-9, [True]),
    ],
)
def test_logarithms_are_for_positive_figures_within_a_factor_of_a_hundred(least, most, scales):
    """Below three, figure and logarithm are nearly proportional: no need to try both."""
    assert gaussian._scales(np.array([most, least, most])) == scales


@pytest.fixture
def tried(monkeypatch):
    """Record on which scale a figure is fitted, and how often; residuals need no inflation."""
    scales: list[tuple[bool, int]] = []

    def fitted_on(x, y, log, start, rough):
        scales.append((log, len(y)))
        return process(log, restarted_at=len(y))

    monkeypatch.setattr(gaussian, "_fitted_on", fitted_on)
    monkeypatch.setattr(gaussian, "leave_one_out_inflation", lambda model: 0.9)
    return scales


@pytest.mark.parametrize(
    ("least", "log", "builds", "scales"),
    [
        (1.0, True, 13, [True]),  # kept
        (1.0, False, 13, [False]),
        (0.1, True, 13, [True]),
        (0.0, True, 13, [False]),  # but zero has no logarithm
        (-1.0, False, 13, [False]),
        (1.0, True, 14, [True, False]),  # grown by two fifths: tried anew
        (1.0, False, 14, [True, False]),
        (1.0, False, 15, [True, False]),
    ],
)
def test_the_scale_is_kept_until_the_builds_have_grown(tried, least, log, builds, scales):
    y = np.linspace(least, 7.0, builds)
    gaussian._fitted(np.zeros((builds, 1)), y, process(log, restarted_at=10), None, False)
    assert [scale for scale, _ in tried] == scales


def test_a_first_fit_tries_both_scales_on_the_known_builds(tried):
    y = np.array([1.0, np.nan, 7.0, 3.0, np.inf, 2.0])
    gaussian._fitted(np.zeros((6, 1)), y, None, None, False)
    assert tried == [(True, 4), (False, 4)]


@pytest.mark.parametrize(
    ("residuals", "recent", "inflation"),
    [
        (0.9, None, 1.0),  # never reduced
        (1.3, None, 1.3),
        (1.3, [1.1, -1.1], 1.3),
        (1.3, [1.7, -1.7], 1.7),
        (0.9, [0.5, 0.5], 1.0),
    ],
)
def test_intervals_grow_by_the_largest_need(tried, monkeypatch, residuals, recent, inflation):
    monkeypatch.setattr(gaussian, "leave_one_out_inflation", lambda model: residuals)
    errors = None if recent is None else np.array(recent)
    found = gaussian._fitted(np.zeros((6, 1)), np.linspace(1.0, 2.0, 6), None, errors, False)
    assert found.inflation == pytest.approx(inflation)


@pytest.mark.parametrize("rough", [False, True])
def test_a_fit_starts_from_an_earlier_one_on_the_same_scale(monkeypatch, rough):
    asked = []

    def likeliest(x, z, earlier, restarted_at=0):
        asked.append((earlier, restarted_at))
        return ("kernel", 4) if not rough else "kernel"

    monkeypatch.setattr(gaussian, "likeliest_matern" if rough else "likeliest", likeliest)
    monkeypatch.setattr(gaussian, "conditioned", lambda kernel, x, z: (kernel, z))
    x, y = np.zeros((6, 1)), np.exp(np.linspace(-1.0, 1.0, 6))
    starts = (None, process(True), process(False), process(True, None, restarted_at=0))
    found = [gaussian._fitted_on(x, y, True, start, rough) for start in starts]
    assert [earlier for earlier, _ in asked] == [None, "its kernel", None, None]
    assert [number for _, number in asked] == ([0] * 4 if rough else [0, 10, 10, 0])
    z = np.linspace(-1.0, 1.0, 6)
    for one in found:
        assert one.model[0] == "kernel"
        np.testing.assert_allclose(one.model[1], z / z.std())
        assert (one.centre, one.scale) == pytest.approx((0.0, z.std()))
        assert (one.log, one.inflation, one.restarted_at) == (True, 1.0, 6 if rough else 4)


@pytest.mark.parametrize(
    ("centre", "log", "size"),
    [
        (-100.0, False, 100.0),  # a billionth of itself,
        (100.0, False, 100.0),
        (0.1, False, 1.0),  # or of the unit where it is smaller;
        (1e100, True, 1.0),  # a logarithm is a share already
        (1.0, True, 1.0),
    ],
)
def test_a_figure_that_varies_by_less_than_a_billionth_is_constant(monkeypatch, centre, log, size):
    monkeypatch.setattr(gaussian, "likeliest", lambda *_: ("kernel", 6))
    monkeypatch.setattr(gaussian, "conditioned", lambda *_: "model")
    way = np.array([1.0, -1.0, 1.0, -1.0, 1.0, -1.0])
    for share, constant in ((0.99e-9, True), (1.01e-9, False)):
        y = centre * (1.0 + share * way) if log else centre + size * share * way
        found = gaussian._fitted_on(np.zeros((6, 1)), y, log, None, False)
        assert (found.model is None) == constant
        assert found.centre == pytest.approx(np.log(centre) if log else centre)
        assert found.scale == pytest.approx((1e-9 if constant else share) * size, rel=1e-3)
        assert (found.inflation, found.restarted_at) == (1.0, 0 if constant else 6)


def test_analytic_likelihoods_of_both_scales_are_those_of_the_figures():
    """Independent normal values: a normal or log-normal density each (Box and Cox 1964)."""
    y = np.array([0.5, 1.0, 4.0, 9.0, 2.0])
    for log, density in ((False, norm(1.5, 2.0)), (True, lognorm(2.0, scale=np.exp(1.5)))):
        z = ((np.log(y) if log else y) - 1.5) / 2.0
        model = SimpleNamespace(log_marginal_likelihood_value_=np.sum(norm.logpdf(z)))
        found = gaussian._log_likelihood(process(log, model, 1.5, 2.0), y)
        assert found == pytest.approx(np.sum(density.logpdf(y)))
    assert gaussian._log_likelihood(process(model=None), y) == 0.0


def test_as_few_builds_as_there_must_be_are_emulated():
    x = np.linspace(0.0, 1.0, 5)[:, None]
    assert fit(x, {"plane": np.linspace(-1.0, 1.0, 5)}).builds == FEWEST == 5


def test_a_prediction_is_in_the_figures_unit_and_never_quite_sure():
    model = SimpleNamespace(
        predict=lambda x, return_std: (np.array([0.5, 2.0]), np.array([0.0, 0.1]))
    )
    found = process(True, model, centre=3.0, scale=4.0, inflation=1.5).predict(np.zeros((2, 1)))
    np.testing.assert_allclose(found.mean, [5.0, 11.0])
    np.testing.assert_allclose(found.sd, [6e-9, 0.6])
    assert found.log


@pytest.mark.parametrize("log", [False, True])
def test_draws_and_what_is_told_are_scaled_as_the_figure_is(monkeypatch, log):
    """Half the draws mirror the others; in the logarithm where that is emulated."""
    mean, deviations = np.array([0.0, 1.0]), np.array([[0.1, 0.2], [0.3, 0.4], [0.5, 0.6]])
    monkeypatch.setattr(gaussian, "mean_and_deviations", lambda *_: (mean, deviations))
    monkeypatch.setattr(gaussian, "assuming", lambda model, x, z: z)
    monkeypatch.setattr(gaussian, "left_out", lambda model: mean)
    one = process(log, centre=-1.0, scale=2.0, inflation=1.5)
    unit = np.exp if log else np.asarray
    x = np.zeros((2, 1))
    found = one.draws(x, 3, np.random.default_rng(1))
    ends = np.concatenate([mean + 1.5 * deviations, mean - 1.5 * deviations])
    np.testing.assert_allclose(found, unit(2.0 * ends - 1.0))
    assert one.assuming(x[0], float(unit(3.0))).model == pytest.approx(2.0)
    emulator = Emulator(4, {"one": one, "mass": process(log, None, -1.0)})
    assert emulator.figures == ("one", "mass")
    left_out = emulator.left_out()
    np.testing.assert_allclose(left_out["one"], unit(2.0 * mean - 1.0))
    np.testing.assert_allclose(left_out["mass"], unit(np.full(4, -1.0)))
    np.testing.assert_allclose(emulator.draws("mass", x, 3, 1), unit(np.full((6, 2), -1.0)))


def test_errors_are_in_standard_deviations_before_inflation_and_at_most_ten():
    model = SimpleNamespace(predict=lambda x, return_std: (np.zeros(5), np.ones(5)))
    emulator = Emulator(9, {"one": process(False, model, 1.0, 2.0, inflation=3.0)})
    values = {"one": np.array([1.0, 5.0, -3.0, 200.0, -200.0])}
    found = emulator.standardised_errors(np.zeros((5, 1)), values)["one"]
    np.testing.assert_allclose(found, [0.0, 2.0, -2.0, 10.0, -10.0])


def test_each_figure_continues_its_own_fit_and_errors(monkeypatch):
    asked = []
    monkeypatch.setattr(gaussian, "_fitted", lambda x, y, *rest: asked.append(rest))
    x, values = np.zeros((6, 1)), {"one": np.ones(6), "two": np.zeros(6)}
    fit(x, values)
    first, errors = process(), np.ones(2)
    assert fit(x, values, Emulator(5, {"one": first}), {"two": errors}, True).builds == 6
    assert asked == [
        (None, None, False),
        (None, None, False),
        (first, None, True),
        (None, errors, True),
    ]
