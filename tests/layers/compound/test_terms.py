"""Which terms a surface takes, against plain leave-one-out; outliers, leverage and messages."""

import itertools
import math

import numpy as np
import pytest

from layers.compound import response, terms
from layers.compound.least_squares import LeastSquares, least_squares
from layers.compound.response import Surface, Unknown, fit_surface, predict
from layers.compound.trials import SETTINGS, Trials, trials_from_csv
from layers.errors import InputError

MIDDLE, HALF = np.array([30.0, 1.0, 12.0, 160.0]), np.array([10.0, 0.4, 4.0, 10.0])
GRID = np.array([*itertools.product((-1.0, 0.0, 1.0), repeat=2)])


def trials(coded, logarithm):
    """Trials of the first settings; the others stand still at their middle."""
    still = np.zeros((len(coded), 4 - coded.shape[1]))
    names = tuple(f"T{n}" for n in range(1, len(coded) + 1))
    settings = MIDDLE + HALF * np.column_stack([coded, still])
    return Trials(names, settings, "modulus_mpa", np.exp(logarithm), 38.0)


def at(*coded):
    coded = np.array([*coded, *[0.0] * (4 - len(coded))])
    return dict(zip(SETTINGS, (MIDDLE + HALF * coded).tolist(), strict=True))


def press(chosen, coded, observed):
    """Root sum of squares of predicting each trial by a fit of the others."""
    design = terms.design_of(coded, tuple(chosen))
    errors = []
    for out in range(len(observed)):
        kept = np.arange(len(observed)) != out
        solved, *_ = np.linalg.lstsq(design[kept], observed[kept], rcond=None)
        errors.append(observed[out] - design[out] @ solved)
    return math.sqrt(sum(e**2 for e in errors))


@pytest.mark.parametrize("seed", range(8))
def test_analytic_a_term_is_taken_while_it_lowers_the_leave_one_out_error_by_a_tenth(seed):
    rng = np.random.default_rng(seed)
    coded = np.vstack([GRID, rng.uniform(-0.9, 0.9, (5, 2))])
    observed = coded @ [0.3, -0.2] + 0.1 * coded[:, 0] ** 2 + 0.06 * rng.standard_normal(14)
    linear = ((), (0,), (1,))
    chosen = terms.grown(linear, coded, observed)
    assert chosen[:3] == linear
    candidates = [(0, 1), (0, 0), (1, 1)]
    for count in range(3, len(chosen)):
        before = press(chosen[:count], coded, observed)
        tried = {c: press((*chosen[:count], c), coded, observed) for c in candidates}
        assert min(tried, key=tried.get) == chosen[count]
        assert tried[chosen[count]] < 0.9 * before
        candidates.remove(chosen[count])
    end = press(chosen, coded, observed)
    assert all(press((*chosen, c), coded, observed) >= 0.9 * end for c in candidates)


def curved(x):
    return 0.3 * x[:, 0] * x[:, 1] + 0.2 * x[:, 0] ** 2 + 0.25 * x[:, 1] ** 2


@pytest.mark.parametrize(("count", "taken"), [(9, 3), (8, 2), (7, 1), (6, 0)])
def test_three_degrees_of_freedom_are_left_over(count, taken):
    """Of three terms that the truth has, as many are taken as leave three trials to spare."""
    coded = np.delete(GRID, range(2, 2 + 9 - count), axis=0)
    chosen = terms.grown(((), (0,), (1,)), coded, curved(coded))
    assert len(chosen) == 3 + taken


def test_as_few_trials_as_leave_three_to_spare_are_enough():
    corners = np.array([*itertools.product((-1.0, 1.0), repeat=4)])
    eight = corners[[0, 3, 5, 6, 9, 10, 12, 15]]
    observed = eight @ [0.1, 0.2, -0.1, 0.05]
    assert isinstance(fit_surface(trials(eight, observed)), Surface)
    told = fit_surface(trials(eight[:7], observed[:7]))
    assert told == Unknown("7 trials of 4 settings are too few: at least 8 are needed")
    same = fit_surface(trials(np.zeros((9, 1)), np.zeros(9)))
    assert same == Unknown("all 9 trials have the same settings")
    bound = fit_surface(trials(np.column_stack([GRID, GRID[:, 0]]), np.zeros(9)))
    names = "coagent_phr, peroxide_phr, cure_minutes"
    assert bound == Unknown(f"{names} are confounded in these trials")


def test_analytic_left_out_error_is_that_of_surfaces_fitted_without_each_trial():
    rng = np.random.default_rng(4)
    coded = np.vstack([GRID, GRID[[0, 2, 6, 8, 1]]])  # no trial alone holds a range's end
    observed = curved(coded) + 0.15 * rng.standard_normal(len(coded))  # enough to change the terms
    surface = fit_surface(trials(coded, observed))
    errors = []
    for out in range(len(coded)):
        kept = np.arange(len(coded)) != out
        rest = fit_surface(trials(coded[kept], observed[kept]))
        errors.append(observed[out] - rest.logarithm(coded[out : out + 1])[0])
    whole = math.sqrt(np.mean(np.square(errors)))
    assert surface.left_out_percent == pytest.approx(100.0 * whole, rel=1e-9)
    fixed = press(surface.terms, coded, observed) / math.sqrt(len(coded))
    assert surface.inflation == pytest.approx(max(1.0, whole / fixed), rel=1e-9)
    assert whole > 1.5 * fixed  # choosing terms anew costs something here
    np.testing.assert_allclose(surface.middle, MIDDLE[:2])
    np.testing.assert_allclose(surface.half, HALF[:2])


def test_a_trial_alone_with_a_value_cannot_be_left_out():
    line = ((), (0,))
    alone = np.array([[-1.0], [-1.0], [-1.0], [-1.0], [1.0]])
    observed = np.array([0.1, 0.2, 0.3, 0.2, 0.9])
    # The others are each predicted by the mean of three: (0.1 - 0.7/3), ... by hand.
    by_mean = [0.1 - 0.7 / 3, 0.2 - 0.6 / 3, 0.3 - 0.5 / 3, 0.2 - 0.6 / 3]
    expected = math.sqrt(np.mean(np.square(by_mean)))
    assert terms.left_out_error(line, alone, observed) == pytest.approx(expected)
    assert terms.left_out_error(line, alone[3:], observed[3:]) == math.inf


def test_squares_are_of_settings_with_three_levels():
    coded = np.array([[-1.0, -1.0, 0.0], [1.0, 0.0, 0.0], [1.0 + 1e-7, 1.0, 1.0]])
    assert terms._second_order(coded) == [(0, 1), (0, 2), (1, 2), (1, 1)]
    assert terms._second_order(coded[:, :1]) == []


def test_columns_are_dependent_within_a_millionth():
    one = np.linspace(-1.0, 1.0, 5)
    for off, found in ((1e-7, True), (1e-4, False)):
        assert terms.dependent(np.column_stack([one, one + off * one**2])) == found
    for off, message in ((1e-13, "dependent"), (1e-7, "")):
        design = np.column_stack([one, one + off * one**2])
        if not message:
            assert least_squares(design, one).coefficient.sum() == pytest.approx(1.0)
            continue
        with pytest.raises(InputError, match=message):
            least_squares(design, one)


def fitted(studentized, freedom):
    none = np.zeros(len(studentized))
    return LeastSquares(none, 1.0, freedom, none, none, np.array(studentized), np.eye(1))


@pytest.mark.parametrize(("freedom", "bound"), [(11, 4.1437), (2, 318.309)])
def test_published_bound_of_an_outlier(freedom, bound):
    """Student's t, tables of its 0.999 quantile: 5 trials, both sides, 1 % in all (Bonferroni)."""
    five = trials(GRID[:5], np.zeros(5))
    values = [0.0, 1.0001 * bound, -1.0001 * bound, 0.9999 * bound, -0.9999 * bound]
    assert response._outliers(five, fitted(values, freedom)) == ("T2", "T3")


def test_one_degree_of_freedom_tells_no_outlier():
    five = trials(GRID[:5], np.zeros(5))
    assert response._outliers(five, fitted([1e9] * 5, 1)) == ()


def test_trials_that_all_say_the_same_leave_no_scatter():
    surface = fit_surface(trials(GRID, np.zeros(9)))
    assert (surface.inflation, surface.left_out_percent, surface.terms[3:]) == (1.0, 0.0, ())
    found = predict(surface, at(0.5))
    assert (found.low, found.value, found.high, found.unit) == (1.0, 1.0, 1.0, "MPa")


def test_analytic_leverage_beyond_every_trial_is_told():
    """Eight corners and three middles; a square is known by the middles alone.

    Leverage is 3/8 at a corner and 1/3 in the middle, but 1/3 + 1/8 in the middle of a face, which
    trials surround.
    """
    coded = np.vstack([np.repeat([*itertools.product((-1.0, 1.0), repeat=2)], 2, axis=0),
                       np.zeros((3, 2))])  # fmt: skip
    noise = 1e-3 * np.array([1, -1, -1, 1, -1, 1, 1, -1, 1, -1, 0.0])
    surface = fit_surface(trials(coded, 0.2 * coded[:, 0] ** 2 + 0.1 * coded[:, 1] + noise))
    assert surface.terms[3:] in (((0, 0),), ((1, 1),))  # alike at these trials
    face = (0.0, 1.0) if surface.terms[3] == (0, 0) else (1.0, 0.0)
    other = {(0, 0): "peroxide_phr", (1, 1): "coagent_phr"}[surface.terms[3]]
    assert surface.confounded == (f"{other} x {other}",)
    for where, leverage in (((1.0, 1.0), 3 / 8), ((0.0, 0.0), 1 / 3)):
        found = predict(surface, at(*where))
        assert (found.leverage, found.flag) == (pytest.approx(leverage), "")
    found = predict(surface, at(*face))
    assert found.leverage == pytest.approx(1 / 3 + 1 / 8)
    assert found.flag == "extrapolated: leverage above that of every trial"


def test_a_setting_just_beyond_the_trials_is_told_with_their_range():
    surface = fit_surface(trials(GRID, GRID @ [0.1, 0.2] + 1e-3 * np.sin(7.0 * GRID[:, 0])))
    for edge in (1.0, -1.0):
        assert predict(surface, at(edge, 0.0)).flag == ""
        assert predict(surface, at(edge * (1.0 + 1e-10), 0.0)).flag == ""
        told = predict(surface, at(edge * 1.001, 0.0)).flag
        value = 30.0 + 10.01 * edge
        assert told == (f"extrapolated: coagent_phr is {value:g}, the trials have 20 to 40 phr")


@pytest.mark.parametrize(
    ("changes", "level", "said"),
    [
        ({}, 0.0, "level is 0, but must be between 0 and 1."),
        ({}, 1.0, "level is 1, but must be between 0 and 1."),
        ({}, math.nan, "level is nan, but must be between 0 and 1."),
        (
            {"cure_minutes": math.inf},
            0.9,
            "setting cure_minutes is missing or not a finite number.",
        ),
        ({"oven": 3.0}, 0.9, f"setting 'oven' is not known; known: {', '.join(SETTINGS)}."),
    ],
)
def test_settings_and_level_are_checked(changes, level, said):
    surface = fit_surface(trials(GRID, np.zeros(9)))
    with pytest.raises(InputError) as found:
        predict(surface, at(0.0) | changes, level)
    assert str(found.value) == said
    with pytest.raises(InputError, match="setting coagent_phr is missing"):
        predict(surface, {"peroxide_phr": 1.0})
    assert predict(surface, at(0.0), 0.01).level == 0.01
    assert predict(surface, at(0.0)).level == 0.95


HEADS = "trial,coagent_phr,peroxide_phr,cure_minutes,cure_celsius,core_diameter_mm"
ENDS = {
    "coagent_phr": (0.0, 80.0),
    "peroxide_phr": (0.0, 10.0),
    "cure_minutes": (1.0, 120.0),
    "cure_celsius": (100.0, 220.0),
    "core_diameter_mm": (10.0, 45.0),
    "deflection_mm": (0.3, 12.0),
    "modulus_mpa": (0.5, 500.0),
}


@pytest.mark.parametrize("column", ENDS)
def test_columns_of_trials_have_ends(column):
    measured = column if column in ("deflection_mm", "modulus_mpa") else "deflection_mm"
    good = {"coagent_phr": 28, "peroxide_phr": 0.8, "cure_minutes": 12, "cure_celsius": 160,
            "core_diameter_mm": 38, measured: 3.2}  # fmt: skip

    def read(value):
        row = ",".join(str(v) for v in (good | {column: value}).values())
        return trials_from_csv(f"{HEADS},{measured}\nA,{row}\n", "t.csv")

    for end, off in zip(ENDS[column], (-0.01, 0.01), strict=True):
        assert read(end).response == measured
        with pytest.raises(InputError, match=f"row 2, {column} is {end + off:g}"):
            read(end + off)


@pytest.mark.parametrize(
    ("heads", "cells", "said"),
    [
        ("", "", "t.csv: .*deflection_mm"),
        (
            ",deflection_mm,modulus_mpa",
            ",3,40",
            "deflection_mm and modulus_mpa, but must have one of deflection_mm, modulus_mpa",
        ),
    ],
)
def test_one_response_is_measured(heads, cells, said):
    with pytest.raises(InputError, match=said):
        trials_from_csv(f"{HEADS}{heads}\nA,28,0.8,12,160,38{cells}\n", "t.csv")


@pytest.mark.parametrize("count", [4, 5, 9])
def test_analytic_a_studentized_residual_is_that_of_a_fit_of_the_others(count):
    """The error of predicting a trial over the prediction's own standard deviation."""
    design = np.column_stack([np.ones(count), np.arange(count) ** 1.5])
    observed = 0.3 * design[:, 1] + np.sin(3.0 * np.arange(count))
    fit = least_squares(design, observed)
    for out in range(count):
        kept = np.arange(count) != out
        rest = least_squares(design[kept], observed[kept])
        error = observed[out] - design[out] @ rest.coefficient
        deviation = rest.scatter * math.sqrt(1.0 + rest.leverage_of(design[out : out + 1]).item())
        assert fit.studentized[out] == pytest.approx(error / deviation, rel=1e-6)
