"""Calibration: exact linear cases, coverage on drawn truths, use of the result, files."""

import doctest
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers.errors import InputError
from layers.estimation import estimate
from layers.figures import parse_figure
from layers.model_version import MODEL_VERSION
from layers.resolution.difference import differences
from optimize.calibration import calibrate as calibrate_module
from optimize.calibration import inference
from optimize.calibration.calibrate import calibrate, concluded
from optimize.calibration.calibrated import (
    apply,
    calibrated_differences,
    calibrated_estimate,
    calibration_from_toml,
    calibration_toml,
    read_calibration,
)
from optimize.calibration.case import case_of
from optimize.calibration.domain import outside
from optimize.calibration.inference import (
    Problem,
    condition,
    fit,
    leave_out,
    scatter_cost,
    scatter_of,
    update,
)
from optimize.calibration.model import Model, jacobian, predict
from optimize.calibration.parameters import parameters_of, with_parameters
from optimize.calibration.result import WIDTH, key_of
from optimize.lab.readings import Measurements
from optimize.report.calibration import calibration_sections, left_out_errors
from optimize.report.pictures.calibration import draw_calibration
from optimize.report.pictures.section import save
from optimize.report.tables import markdown
from tests.helpers.lab import FIVE, SOFT, build, draw_errors, measure, true_means

ROOT = Path(__file__).parents[3]
NAMES = ("stage1.mass_g", "stage1.deflection_mm", "stage2.deflection_mm", "mass_g", "deflection_mm")
BALLS = [build(name, FIVE[name]) for name in "ABCD"]
BUILDS = [ball.name for ball in BALLS for _ in NAMES]
KEYS = ("mass_g", "deflection_mm")


@pytest.fixture(scope="module")
def model():
    return Model(parameters_of(BALLS), tuple((ball, NAMES) for ball in BALLS))


@pytest.fixture(scope="module")
def slopes(model):
    return jacobian(model, np.zeros(len(model.parameters)))


def drawn(model, seed):
    """Draw a truth and measure it; return parameters, biases, measurements."""
    rng = np.random.default_rng(seed)
    theta = rng.normal(0.0, [p.prior_sd for p in model.parameters])
    bias = draw_errors(KEYS, rng)
    logs = true_means(NAMES * len(BALLS), predict(model, theta), bias, rng)
    return theta, bias, measure(BUILDS, NAMES * len(BALLS), logs, rng)


@pytest.fixture(scope="module")
def found(model):
    return calibrate(BALLS, drawn(model, 3)[2])


# Inference.


def linear(seed, m=30, p=4, k=2):
    rng = np.random.default_rng(seed)
    problem = Problem(
        observed=np.zeros(m),
        noise_variance=rng.uniform(0.5, 2.0, m) * 1e-4,
        key=rng.integers(0, k, m),
        parameter_sd=rng.uniform(0.1, 0.4, p),
        bias_sd=rng.uniform(0.02, 0.05, k),
        scatter_sd=np.full(k, 0.01),
    )
    slopes = rng.normal(0.0, 1.0, (m, p))
    x = rng.normal(0.0, problem.prior_sd)
    variance = problem.noise_variance + problem.scatter_sd[problem.key] ** 2
    observed = slopes @ x[:p] + x[p:][problem.key] + rng.normal(0.0, np.sqrt(variance))
    return replace(problem, observed=observed), slopes, x


def check_update():
    """Kalman's form of the same update: P A^T (A P A^T + R)^-1, written out densely."""
    problem, slopes, _ = linear(1)
    rows = inference.design(slopes, problem.key, 2)
    variance = problem.noise_variance + 1e-4
    mean, covariance = update(problem.prior_sd, rows, problem.observed, variance)
    prior = np.diag(problem.prior_sd**2)
    gain = prior @ rows.T @ np.linalg.inv(rows @ prior @ rows.T + np.diag(variance))
    assert mean == pytest.approx(gain @ problem.observed, rel=1e-8, abs=1e-12)
    assert covariance == pytest.approx(prior - gain @ rows @ prior, rel=1e-6, abs=1e-12)


def test_analytic_update_equals_the_gain_form():
    check_update()


def test_guard_a_prior_two_percent_off_is_seen(monkeypatch):
    true = inference.cho_factor
    monkeypatch.setattr(inference, "cho_factor", lambda a: true(a + 0.02 * np.eye(len(a))))
    with pytest.raises(AssertionError):
        check_update()


def test_analytic_gauss_newton_ends_at_the_linear_answer():
    problem, slopes, _ = linear(2)
    found = fit(problem, lambda x: slopes @ x, lambda x: slopes)
    mean, covariance, _ = condition(problem, np.zeros(4), np.zeros(30), slopes)
    assert found.theta == pytest.approx(mean[:4], rel=1e-9)
    assert found.covariance == pytest.approx(covariance, rel=1e-9)


def test_analytic_a_bent_model_ends_at_a_stationary_point():
    problem, slopes, _ = linear(3)

    def bent(x):
        return slopes @ x + 0.3 * (slopes @ x) ** 2

    def bent_slopes(x):
        return slopes * (1.0 + 0.6 * (slopes @ x))[:, None]

    found = fit(problem, bent, bent_slopes)
    variance = problem.noise_variance + found.scatter[problem.key] ** 2
    residual = problem.observed - found.predicted - found.bias[problem.key]
    gradient = bent_slopes(found.theta).T @ (residual / variance)
    gradient -= found.theta / problem.parameter_sd**2
    sd = np.sqrt(np.diag(found.covariance))[:4]
    assert np.max(np.abs(gradient) * sd) < 0.1  # a tenth of a posterior deviation from the mode


def test_analytic_leaving_out_equals_conditioning_on_the_rest():
    problem, slopes, _ = linear(4)
    whole = fit(problem, lambda x: slopes @ x, lambda x: slopes)
    rows = np.arange(30) < 7
    mean, sd = leave_out(problem, whole, rows)
    rest = problem.of(~rows)
    x, covariance, scatter = condition(rest, np.zeros(4), np.zeros(23), slopes[~rows])
    ahead = inference.design(slopes[rows], problem.key[rows], 2)
    assert mean == pytest.approx(ahead @ x, rel=1e-8, abs=1e-10)
    variance = np.diag(ahead @ covariance @ ahead.T) + scatter[problem.key[rows]] ** 2
    assert sd == pytest.approx(np.sqrt(variance + problem.noise_variance[rows]), rel=1e-8)


@pytest.mark.parametrize("true", [0.006, 0.02])
def test_limits_scatter_is_found_from_many_builds(true):
    problem, slopes, _ = linear(5, m=400, k=1)
    rng = np.random.default_rng(6)
    quiet = replace(problem, noise_variance=np.full(400, 1e-6))
    data = rng.normal(0.0, true, 400)
    rows = inference.design(slopes, quiet.key, 1)
    assert scatter_of(quiet, rows, data)[0] == pytest.approx(true, rel=0.1)


def scatter_case(seed):
    """Return a small case: problem, covariance without scatter, data."""
    problem, slopes, _ = linear(seed, m=12, k=3)
    rows = inference.design(slopes, problem.key, 3)
    return problem, (rows * problem.prior_sd**2) @ rows.T + np.diag(problem.noise_variance)


def check_scatter_gradient(tolerance=1e-7):
    """Central differences of the cost, at points where prior and likelihood both have slope."""
    problem, fixed = scatter_case(8)
    for at in ([0.0, 0.0, 0.0], [0.8, -1.2, 0.4], [-2.0, 1.5, -0.3]):
        at = np.array(at)
        _, slopes = scatter_cost(problem, fixed, problem.observed, at)
        step = 1e-5 * np.eye(3)
        ends = [
            [scatter_cost(problem, fixed, problem.observed, at + s * one)[0] for s in (-1.0, 1.0)]
            for one in step
        ]
        differences = np.diff(ends, axis=1)[:, 0] / 2e-5
        assert slopes == pytest.approx(differences, rel=tolerance, abs=tolerance)


def test_analytic_gradient_of_the_scatters_cost():
    check_scatter_gradient()


@pytest.mark.parametrize("change", [lambda x: 0.0 * x, lambda x: -x, lambda x: x * np.abs(x)])
def test_guard_another_slope_of_the_scatters_prior_is_seen(monkeypatch, change):
    """Dropped, of the other sign, of another power."""
    true = inference.scatter_cost

    def wrong(problem, fixed, data, at):
        value, slopes = true(problem, fixed, data, at)
        prior = at / inference._SCATTER_PRIOR**2
        return value, slopes - prior + change(prior)

    monkeypatch.setitem(globals(), "scatter_cost", wrong)
    with pytest.raises(AssertionError):
        check_scatter_gradient()


def test_analytic_scatters_prior_by_hand():
    """With noise far above the scatter the likelihood is flat: the cost varies as the prior."""
    problem, fixed = scatter_case(9)
    loud = fixed + 1e6 * np.eye(len(fixed))
    at = np.array([0.7, -1.4, 0.0])
    value, slopes = scatter_cost(problem, loud, problem.observed, at)
    middle, _ = scatter_cost(problem, loud, problem.observed, np.zeros(3))
    assert value - middle == pytest.approx(0.5 * (1.0 + 4.0), abs=1e-6)
    assert slopes == pytest.approx(at / 0.7**2, abs=1e-6)


def test_without_observations_the_prior_stays():
    problem, slopes, _ = linear(7)
    none = problem.of(np.zeros(30, bool))
    mean, covariance, scatter = condition(none, np.zeros(4), np.zeros(0), slopes[:0])
    assert not mean.any()
    assert np.sqrt(np.diag(covariance)) == pytest.approx(problem.prior_sd)
    assert scatter == pytest.approx(problem.scatter_sd)


# Parameters.


def test_parameters_are_shared_by_name_and_number():
    names = {(p.material, p.number, p.nominal) for p in parameters_of(BALLS)}
    assert len(names) == len(parameters_of(BALLS)) == 6 * 4
    core, *shells = BALLS[0].layer
    firmer = core.material.with_values("test", youngs_modulus_mpa=44.0)
    layers = (core.model_copy(update={"material": firmer}), *shells)
    other = BALLS[0].model_copy(update={"layer": layers})
    # Its dynamic modulus ratio and relaxation follow its modulus; its density is the same.
    assert len(parameters_of([*BALLS, other])) == 27


def test_moved_parameters_stay_within_the_cards_ranges():
    ball = BALLS[0]
    parameters = parameters_of([ball])
    for by in (-30.0, 30.0):
        moved = with_parameters(ball, parameters, np.full(len(parameters), by))
        assert moved.layer[0].material.dynamic_modulus_ratio.value >= 1.0
    same = with_parameters(ball, parameters, np.zeros(len(parameters)))
    assert estimate(same, ["deflection_mm"])["deflection_mm"].value == pytest.approx(
        estimate(ball, ["deflection_mm"])["deflection_mm"].value, rel=1e-12
    )


def test_analytic_slopes_of_masses_are_shares_of_mass(slopes, model):
    # d log(mass) / d log(density of a layer) = its share; one row adds up to 1.
    rows = [i for i in range(len(BUILDS)) if (NAMES * 4)[i].endswith("mass_g")]
    assert slopes[rows].sum(axis=1) == pytest.approx(np.ones(len(rows)), abs=2e-4)
    # Compression: load / (modulus x length^2) and geometry alone decide, at small strain, so that a
    # common factor on all moduli is one on the load.
    deflections = [i for i in range(len(BUILDS)) if "deflection" in (NAMES * 4)[i]]
    total = slopes[deflections].sum(axis=1)
    assert np.all((total > -2 / 3) & (total < -0.5))  # Hertz's 2/3, less for flattening at load


# Calibration on drawn truths.


def coverage(model, slopes, seeds, predicted=None):
    """Count parameters and left-out means that 95 % intervals hold; ratio of errors, by seed."""
    predicted = predicted or (lambda x: predict(model, x))
    held, total, ratios = 0, 0, []
    for seed in seeds:
        theta, _, measured = drawn(model, seed)
        case = case_of(BALLS, measured)
        found = concluded(case, measured, predicted, lambda x: slopes)
        away = [(p.theta - t) / p.sd for p, t in zip(found.parameter, theta, strict=True)]
        away += [np.log(o.measured / o.left_out) / o.left_out_sd for o in found.observation]
        held += int(np.sum(np.abs(away) < WIDTH))
        total += len(away)
        pairs = left_out_errors(found).values()
        ratios.append(float(np.mean([after / before for before, after in pairs])))
    return held / total, ratios


def test_analytic_intervals_hold_the_truth_and_errors_fall(model, slopes):
    share, ratios = coverage(model, slopes, range(4))
    assert 0.88 <= share <= 1.0
    assert np.mean(ratios) < 0.5
    assert sum(ratio < 1.0 for ratio in ratios) >= 3


@pytest.mark.slow
def test_analytic_intervals_hold_over_twenty_truths(model, slopes):
    share, ratios = coverage(model, slopes, range(20))
    assert 0.88 <= share <= 1.0
    assert sum(ratio < 1.0 for ratio in ratios) >= 19


def test_guard_noise_taken_four_times_too_small_is_seen(model, slopes, monkeypatch):
    true = calibrate_module.case_of

    def blind(*arguments):
        case = true(*arguments)
        problem = replace(
            case.problem,
            noise_variance=case.problem.noise_variance / 16.0,
            scatter_sd=case.problem.scatter_sd / 1e3,
        )
        return replace(case, problem=problem)

    monkeypatch.setitem(globals(), "case_of", blind)
    monkeypatch.setattr(inference, "_SCATTER_PRIOR", 1e-3)
    middle = predict(model, np.zeros(len(model.parameters)))
    share, _ = coverage(model, slopes, range(4), lambda x: middle + slopes @ x)
    assert share < 0.88


# The result and its use.


def test_calibrated_cards_say_where_they_come_from(found):
    ball = apply(found, BALLS[0])
    modulus = ball.layer[0].material.youngs_modulus_mpa
    assert modulus.source == "calibrated on 80 readings of lab.csv"
    assert modulus.grade == "measured"
    assert modulus.value != BALLS[0].layer[0].material.youngs_modulus_mpa.value
    # Nothing measured tells the relaxation: its grade stays.
    assert ball.layer[0].material.relaxation_grade == "from memory"


def test_calibrated_estimates_are_narrower_and_near_the_truth(found, model):
    theta, bias, _ = drawn(model, 3)
    new = build("new", (*SOFT, "ionomer, firm", 1.5, "urethane, soft", 1.0))
    plain = estimate(new, ["mass_g", "deflection_mm"])
    figures = calibrated_estimate(found, new, ["mass_g", "deflection_mm"]).figures
    truth = estimate(with_parameters(new, model.parameters, theta), figures)
    for name, figure in figures.items():
        assert figure.basis == "calibrated"
        assert figure.flag == ""
        # Beforehand densities are known to 3 % each, deflections to 15 %.
        assert figure.absolute_error < {"mass_g": 0.01, "deflection_mm": 0.06}[name] * figure.value
        true = truth[name].value * np.exp(bias[key_of(parse_figure(name))])
        assert abs(figure.value - true) < figure.absolute_error
        assert abs(plain[name].value - true) > abs(figure.value - true)


def test_the_difference_of_two_builds_follows_one_posterior(found, model):
    """Its deviation is that of differences of builds by parameters drawn from the posterior."""
    pair = build("near", (*SOFT, "ionomer, firm", 1.5, "urethane, soft", 1.0)), BALLS[0]
    first, second, steps = calibrated_differences(found, *pair, ["mass_g", "deflection_mm"])
    assert set(steps["deflection_mm"].parts) == {"mesh", "calibration", "new builds"}
    for name, step in steps.items():
        assert step.value == second[name].value - first[name].value
        alone = np.hypot(first[name].absolute_error, second[name].absolute_error)
        assert step.error < alone
    rng, mean = np.random.default_rng(11), np.array([*found.theta, *(0.0 for _ in KEYS)])
    drawn = rng.multivariate_normal(mean, np.array(found.covariance), size=400)
    k = len(model.parameters) + [d.key for d in found.discrepancy].index("mass_g")
    count = len(model.parameters)
    moved = [[with_parameters(b, model.parameters, row[:count]) for b in pair] for row in drawn]
    grams = np.array([[estimate(b, "mass_g")["mass_g"].value for b in two] for two in moved])
    grams *= np.exp(found.discrepancy[k - count].bias + drawn[:, k])[:, None]
    part = steps["mass_g"].parts["calibration"] / WIDTH
    assert np.std(grams[:, 1] - grams[:, 0]) == pytest.approx(part, rel=0.12)


def test_a_build_less_itself_is_known_but_for_the_scatter_of_making_it(found):
    _, _, steps = calibrated_differences(found, BALLS[0], BALLS[0], ["deflection_mm"])
    parts = steps["deflection_mm"].parts
    assert parts["calibration"] == 0.0
    assert parts["new builds"] > 0.0


def test_outside_the_calibration_a_difference_is_as_without(found):
    figures = ["frequency_hz"]
    first, second, steps = calibrated_differences(found, BALLS[0], BALLS[1], figures)
    assert steps == differences(first, second)


def test_what_was_not_measured_is_flagged_and_stays_wide(found):
    asked = ["frequency_hz", "deflection_mm@10-50", "stage1.deflection_mm", "diameter_mm"]
    figures = calibrated_estimate(found, BALLS[0], asked).figures
    assert figures["frequency_hz"].flag == "not calibrated: frequency_hz was not measured"
    assert figures["frequency_hz"].absolute_error == pytest.approx(
        0.1 * figures["frequency_hz"].value
    )
    assert "not at 10" in figures["deflection_mm@10-50"].flag
    assert figures["deflection_mm@10-50"].basis == "finite element"
    assert figures["stage1.deflection_mm"].basis == "calibrated"
    assert figures["diameter_mm"].flag == ""
    assert figures["diameter_mm"].value == pytest.approx(42.7)


@pytest.mark.parametrize(
    ("parts", "name", "said"),
    [
        (
            (*SOFT, "ionomer, soft", 1.3, "urethane, soft", 1.0),
            "deflection_mm",
            "70 of ionomer, so",
        ),
        (("core rubber, soft", 1.3, "ionomer, firm", 1.3, "urethane, soft", 1.0), "mass_g", "1.3"),
        ((*SOFT, "ionomer, firm", 3.0, "urethane, soft", 1.0), "deflection_mm", "diameter of"),
        ((*SOFT, "ionomer, firm", 0.65, "urethane, soft", 1.2), "deflection_mm", "not 0.65 mm"),
        ((*SOFT, "ionomer, firm", 1.5, "urethane, soft", 1.0), "deflection_mm", ""),
        ((*SOFT, "ionomer, soft", 1.3, "urethane, soft", 1.0), "stage1.deflection_mm", ""),
    ],
)
def test_domain_of_materials_and_sizes(found, parts, name, said):
    why = outside(found, build("new", parts), name)
    assert said in why
    assert bool(why) == bool(said)


def test_toml_round_trip_is_exact(found, tmp_path):
    path = tmp_path / "c.toml"
    path.write_text(calibration_toml(found))
    assert read_calibration(path) == found


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (f'model_version = "{MODEL_VERSION}"', 'model_version = "0"', "calibrate again"),
        ("[[domain]]", "[[domane]]", "domane is not a known field; did you mean domain?"),
        ("prior_sd = ", "prior_sd = nan #", "prior_sd is nan"),
        ("covariance = [\n", "covariance = [[1.0],\n", "covariance must be"),
        ("source", "sour ce", "not valid TOML"),
    ],
)
def test_bad_calibrations_are_refused(found, old, new, said):
    text = calibration_toml(found)
    assert old in text
    with pytest.raises(InputError, match=said.replace("?", r"\?")):
        calibration_from_toml(text.replace(old, new, 1), "c.toml")


def test_report_and_plot(found, tmp_path):
    text = markdown(calibration_sections(found))
    assert "| core rubber, soft | youngs_modulus_mpa |" in text
    assert text.count("| A | ") == len(NAMES)
    save(draw_calibration(found), tmp_path / "c.svg")
    svg = (tmp_path / "c.svg").read_text()
    assert svg.count('<g id="axes_') == 2


# What is refused, and what is flagged.


def test_an_implausible_mean_is_refused(model, slopes):
    measured = drawn(model, 3)[2]
    wrong = [
        replace(r, value=r.value * 6.0) if (r.build, r.figure) == ("B", "deflection_mm") else r
        for r in measured.reading
    ]
    with pytest.raises(InputError, match=r"lab.csv row 38, value: deflection_mm of B is .*unit"):
        calibrate(BALLS, Measurements(tuple(wrong), measured.source))


def test_an_inconsistent_build_and_an_outlier_are_flagged_and_used(model, slopes):
    measured = drawn(model, 3)[2]
    readings = [
        replace(r, value=r.value * 1.08) if (r.build, r.figure) == ("B", "mass_g") else r
        for r in measured.reading
    ]
    readings[5] = replace(readings[5], value=readings[5].value * 1.3)
    edited = Measurements(tuple(readings), ("lab.csv",))
    case = case_of(BALLS, edited)
    found = concluded(case, edited, lambda x: predict(model, x), lambda x: slopes)
    assert any(n.startswith("outlier: lab.csv row 7, value") for n in found.note)
    assert any(n.startswith("inconsistent: mass_g of B (lab.csv row 34") for n in found.note)
    assert sum(d.readings for d in found.discrepancy) == len(readings)


def test_what_does_not_fit_is_refused(model):
    measured = drawn(model, 3)[2]
    with pytest.raises(InputError, match="build 'D' was measured, but is not among those given"):
        calibrate(BALLS[:3], measured)
    only = [replace(r, figure="diameter_mm", value=42.7) for r in measured.reading[:1]]
    with pytest.raises(InputError, match="only diameters were measured"):
        calibrate(BALLS, Measurements(tuple(only), ("lab.csv",)))


@pytest.mark.slow
def test_the_docs_examples_run(monkeypatch):
    monkeypatch.chdir(ROOT)
    text = (ROOT / "docs" / "calibration.md").read_text()
    test = doctest.DocTestParser().get_doctest(text, {}, "calibration.md", None, 0)
    said = []
    result = doctest.DocTestRunner().run(test, out=said.append)
    assert result.attempted > 25
    assert result.failed == 0, "".join(said)
