"""Regression coefficients and Sobol indices on the page."""

from dataclasses import replace

import numpy as np

from optimize.ledger.ledger import Ledger
from optimize.page import regression, sobol
from optimize.page.data import page_data
from optimize.report import words


def test_regression_finds_the_slopes_that_were_put_in():
    rng = np.random.default_rng(5)
    x = rng.normal(size=(400, 3)) * [1.0, 20.0, 0.1]
    y = np.column_stack([x @ [3.0, 0.2, 0.0] + 0.1 * rng.normal(size=400), x[:, 2]])
    fit = regression.standardised_regression(x, y)
    spread = y.std(axis=0)
    expected = np.array([[3.0, 0.2, 0.0], [0.0, 0.0, 1.0]]) * x.std(axis=0) / spread[:, None]
    assert np.all(np.abs(fit.coefficients - expected) < np.maximum(1.5 * fit.error, 1e-9))
    assert np.all(fit.r2 > 0.99)
    assert abs(fit.coefficients[0, 2]) < fit.error[0, 2]


def test_interval_of_a_variable_without_effect_covers_zero_at_its_level():
    rng = np.random.default_rng(9)
    missed = 0
    for _ in range(400):
        x = rng.normal(size=(40, 2))
        fit = regression.standardised_regression(x, x[:, :1] + rng.normal(size=(40, 1)))
        missed += abs(fit.coefficients[0, 1]) > fit.error[0, 1]
    assert 8 <= missed <= 36  # 5 % of 400 is 20; 3.7 standard deviations either way


def test_too_few_builds_give_no_regression():
    assert regression.standardised_regression(np.ones((5, 2)), np.ones((5, 1))) is None
    assert regression.standardised_regression(np.ones((50, 0)), np.ones((50, 1))) is None


def test_sobol_indices_of_the_run_are_on_the_page_with_labels(folder, found):
    run, launches = found
    with Ledger(folder / "ledger.sqlite") as ledger:
        known = ledger.known([build.key for build in run.builds], run.model_version)
    record = page_data(run, launches, "x", sobol=sobol.sobol_of(run, known))["sobol"]
    assert record["figures"][:2] == [words.label_of("moi_g_cm2"), words.label_of("stage1.mass_g")]
    assert "cover thickness" in record["variables"]
    total, low, high = (np.array(record[k]) for k in ("total", "low", "high"))
    assert np.all((low <= total) & (total <= high))
    mass = record["figures"].index(words.label_of("stage1.mass_g"))
    core = record["variables"].index("core modulus")
    assert total[mass].argmax() != core  # the modulus weighs nothing
    assert total[mass, core] < 0.1


def test_sobol_indices_of_too_few_builds_are_left_out(found):
    run, _ = found
    assert sobol.sobol_of(replace(run, builds=run.builds[:2]), {}) is None


def test_given_sobol_indices_are_on_the_page(found):
    run, launches = found
    given = sobol.Sobol(
        ("carry",),
        ("cover: modulus",),
        *(np.array([[v]]) for v in (0.4, 0.6, 0.5, 0.7)),
        "a source",
    )
    record = page_data(run, launches, "x", sobol=given)["sobol"]
    assert [record[k] for k in ("first", "total", "low", "high")] == [
        [[v]] for v in (0.4, 0.6, 0.5, 0.7)
    ]
