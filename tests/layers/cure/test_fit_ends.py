"""When the fit to cut cores ends, and derivatives and intervals of the map in closed form."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from layers.cure import fit, hardening
from layers.cure.cycle import one_step
from layers.cure.fit import CutCore, calibrate, covariance_of
from layers.cure.hardening import PARAMETERS, Hardening, HardnessProfile, Noise
from layers.cure.history import History
from layers.cure.law import Law
from layers.cure.stock import Stock

AT = np.array([0.0, 5.0, 9.0, 13.0, 17.0])
THETA = np.array([p.mean for p in PARAMETERS])
# A core whose stock and cycle nothing looks at.
NO_STOCK = Stock("", 1.0, 1.0, 0.0, 1.0, 0.0, *[np.zeros(1)] * 3, ("",), 0.0, 0.0, 0.0)
CORE = CutCore("a", NO_STOCK, one_step(160, 20), 38.6, AT, np.zeros(len(AT)))
WEIGHT = np.linalg.inv(covariance_of(CORE, Noise()))


def across(direction):
    """Return a direction that the readings' weights make square to another, of length one."""
    beside = np.random.default_rng(3).normal(size=len(direction))
    beside -= direction * (direction @ WEIGHT @ beside) / (direction @ WEIGHT @ direction)
    return beside / np.sqrt(beside @ WEIGHT @ beside)


def rounds(monkeypatch, predict, slope, reads, prior=None):
    """Return how many linearisations a fit of one core takes, and the fit."""
    taken = []

    def slopes(theta, *_):
        taken.append(theta)
        return slope

    monkeypatch.setattr(fit, "hardness", lambda theta, *_: predict(theta))
    monkeypatch.setattr(fit, "slopes", slopes)
    found = calibrate([replace(CORE, shore_c=reads)], prior)
    return len(taken), found


@pytest.mark.parametrize("place", [0, 1, 8])
@pytest.mark.parametrize(("moved", "expected"), [(0.0199, 1), (0.0201, 2), (-0.0201, 2), (2.0, 2)])
def test_a_fit_ends_when_no_parameter_moves_by_a_fiftieth_of_its_deviation(
    monkeypatch, place, moved, expected
):
    """A linear map, and residuals whose size keeps the noise as it was: factor 1 at once."""
    deviation = PARAMETERS[place].deviation
    slope = np.zeros((len(AT), len(PARAMETERS)))
    direction = slope[:, place] = np.array([1.0, 2.0, 1.5, -1.0, 0.5]) / deviation
    told = direction @ WEIGHT @ direction
    wanted = moved * deviation
    # The step is told / (1 / deviation^2 + told) of the misfit along the slopes.
    along = wanted * (deviation**-2 + told) / told
    rest = told * (along - wanted) ** 2
    freedom = len(AT) - told / (deviation**-2 + told)
    reads = along * direction + np.sqrt(freedom - rest) * across(direction)
    count, found = rounds(monkeypatch, lambda theta: slope @ (theta - THETA), slope, reads)
    assert count == expected
    assert found.hardening.noise.reading == pytest.approx(1.0, rel=1e-9)
    np.testing.assert_allclose(found.hardening.mean[place], THETA[place] + wanted, rtol=1e-9)


@pytest.mark.parametrize(
    ("factor", "expected"), [(1.019, 1), (1.021, 2), (0.981, 1), (0.979, 2), (9.0, 2)]
)
def test_a_fit_ends_when_its_noise_changes_by_less_than_a_fiftieth(monkeypatch, factor, expected):
    """A map without slopes: (4 + residuals' square) / (4 + readings) is the noise's factor."""
    size = np.sqrt(factor * (4.0 + len(AT)) - 4.0)
    slope = np.zeros((len(AT), len(PARAMETERS)))
    reads = size * across(np.ones(len(AT)))
    count, found = rounds(monkeypatch, lambda _: np.zeros(len(AT)), slope, reads)
    assert count == expected
    noise = found.hardening.noise
    assert noise.reading == noise.core == noise.shape == pytest.approx(np.sqrt(factor))
    assert found.hardening.degrees == pytest.approx(4.0 + len(AT))
    np.testing.assert_array_equal(found.hardening.mean, THETA)


def test_a_fit_that_never_settles_is_given_up_after_fifteen_rounds(monkeypatch):
    swing = itertools.cycle([np.zeros(len(AT)), np.full(len(AT), 30.0)])
    slope = np.zeros((len(AT), len(PARAMETERS)))
    count, _ = rounds(monkeypatch, lambda _: next(swing), slope, np.zeros(len(AT)))
    assert count == 15


def test_a_map_before_is_where_the_next_fit_starts(monkeypatch):
    prior = Hardening(mean=THETA + 1.0, noise=Noise(2.0, 3.0, 4.0, 0.5), degrees=7.0)
    slope = np.zeros((len(AT), len(PARAMETERS)))
    _, found = rounds(monkeypatch, lambda _: np.zeros(len(AT)), slope, np.zeros(len(AT)), prior)
    np.testing.assert_array_equal(found.hardening.mean, THETA + 1.0)
    share = np.sqrt(4.0 / 9.0)  # exact readings: of 4 + 5 degrees the prior's four are left
    own = found.hardening.noise
    assert (own.reading, own.core, own.shape) == pytest.approx((2 * share, 3 * share, 4 * share))
    assert own.length == 0.5
    assert found.hardening.source == "calibrated on 5 readings of 1 cut cores"
    assert not Hardening().calibrated
    assert Hardening().source == "from memory: no cut cores; use its trends, not its numbers"
    assert Noise() == Noise(reading=1.0, core=1.0, shape=1.0, length=0.35)


def test_analytic_differences_of_a_cubic_show_their_reach(monkeypatch):
    """(f(x + h) - f(x - h)) / 2h of x^3 at 0 is h^2: h is 0.4 prior deviations of each."""
    cured = []

    def values(theta, *_):
        return (theta**3).sum() + 50.0 + AT * 0.0

    monkeypatch.setattr(hardening, "cure_core", lambda *given: cured.append(given))
    monkeypatch.setattr(hardening, "law_of", lambda theta: theta[:6].tolist())
    monkeypatch.setattr(hardening, "log_modulus", values)
    monkeypatch.setattr(hardening, "shore_c", np.log)
    found = hardening.slopes(np.zeros(9), NO_STOCK, CORE.cycle, 38.6, AT)
    reach = np.array([0.4 * p.deviation for p in PARAMETERS])
    np.testing.assert_allclose(found, np.tile(reach**2, (len(AT), 1)), rtol=1e-6)
    # One cure in the middle, two for each parameter of the cure; none for those of the hardness.
    laws = np.array([given[3] for given in cured])
    assert laws.shape == (13, 6)
    expected = np.zeros((13, 6))
    for j in range(6):
        expected[[1 + 2 * j, 2 + 2 * j], j] = -reach[j], reach[j]
    np.testing.assert_allclose(laws, expected)
    assert {given[4:] for given in cured} == {hardening.COARSE}


def test_analytic_covariance_of_a_predicted_profile(monkeypatch):
    """Slopes on either side of the map's covariance, with batch and shape; not the reading's."""
    slope = np.random.default_rng(5).normal(size=(len(AT), 9))
    monkeypatch.setattr(hardening, "cure_core", lambda *given: given)
    monkeypatch.setattr(hardening, "log_modulus", lambda *_: np.log(np.full(len(AT), 50.0)))
    monkeypatch.setattr(hardening, "slopes", lambda *_: slope)
    root = np.random.default_rng(6).normal(size=(9, 9))
    noise = Noise(reading=9.0, core=0.8, shape=1.2, length=0.4)
    known = Hardening(covariance=root @ root.T, noise=noise, degrees=6.0, source="invented")
    found = hardening.predict(known, NO_STOCK, CORE.cycle, 40.0, AT)
    apart = (AT[:, None] - AT) / 8.0  # of 20 mm a share of 0.4
    expected = (slope @ root) @ (slope @ root).T + 0.64 + 1.44 * np.exp(-0.5 * apart**2)
    np.testing.assert_allclose(found.covariance, expected)
    np.testing.assert_allclose(found.modulus_mpa, 50.0)
    np.testing.assert_allclose(found.shore_c, hardening.shore_c(found.modulus_mpa))
    assert found.width == pytest.approx(2.4469, abs=1e-4)
    assert found.source == "invented"


def test_analytic_modulus_of_a_core_that_is_cured_in_part():
    """By hand at the shells, of the state at the end: co-agent over 10, groups over 0.01 mol/kg."""
    made = replace(NO_STOCK, radicals=np.array([0.05, 0.03]), coagent_phr=26.0, solids=0.1)
    conversion = np.array([[0.0, 0.0], [0.1, 0.2], [0.5, 0.8]])
    left = np.array([[1.0, 1.0], [0.7, 0.6], [0.3, 0.1]])
    nothing = np.zeros((3, 2))
    found = History(
        made, CORE.cycle, Law(), np.array([4.0, 12.0]), 16.0, np.arange(3.0), np.zeros(3),
        nothing, left, conversion, np.zeros(3),
    )  # fmt: skip
    theta = np.array([*[0.0] * 6, 0.5, 1.1, 0.2])
    logs = hardening.log_modulus(theta, found, np.array([4.0, 12.0]))
    filler = np.log(1.0 + 0.25 + 0.141)
    by_hand = [
        0.5 + 1.1 * 26.0 * x / 10.0 + 0.2 * 0.04 * (1.0 - y) / 0.01 + filler
        for x, y in ((0.5, 0.3), (0.8, 0.1))
    ]
    np.testing.assert_allclose(logs, by_hand, rtol=1e-12)


def profile(covariance, modulus=(20.0, 60.0)):
    moduli = np.array(modulus)
    shore = hardening.shore_c(moduli)
    return HardnessProfile(AT[:2], shore, moduli, np.array(covariance), 2.0, "invented")


def test_limits_ends_that_move_together_have_a_sure_difference():
    assert profile([[4.0, 4.0], [4.0, 4.0]]).difference[1] == 0.0
    assert profile([[4.0, 4.0 + 1e-12], [4.0 + 1e-12, 4.0]]).difference[1] == 0.0
    assert profile([[4.0, 3.99], [3.99, 4.0]]).difference[1] == pytest.approx(2.0 * np.sqrt(0.02))


def test_analytic_a_difference_is_of_the_outermost_and_the_innermost():
    moduli = np.array([20.0, 35.0, 60.0])
    covariance = np.array([[4.0, 0.5, 1.0], [0.5, 25.0, 2.0], [1.0, 2.0, 9.0]])
    points = hardening.shore_c(moduli)
    found = HardnessProfile(AT[:3], points, moduli, covariance, 2.0, "invented").difference
    assert found == pytest.approx((points[2] - points[0], 2.0 * np.sqrt(4.0 + 9.0 - 2.0)))


def test_limits_an_interval_of_any_width_lies_between_nothing_and_a_hundred():
    low, high = profile([[1e12, 0.0], [0.0, 1e12]]).interval
    np.testing.assert_allclose(low, 0.0, atol=1e-12)
    np.testing.assert_allclose(high, 100.0, rtol=1e-12)


def test_the_laws_parameters_are_told_apart():
    """Numbers as they are for the energy, exponentials for the factors."""
    law = hardening.law_of(np.array([-1.0, 21.0, 0.1, 0.2, 0.3, 0.4, 5.0, 6.0, 7.0]))
    factors = (law.rate, law.heat, law.conductivity, law.contact)
    assert law.energy_kj_mol == 21.0
    assert (law.kappa, *factors) == pytest.approx(np.exp([-1.0, 0.1, 0.2, 0.3, 0.4]))
    assert Hardening().law == Law(kappa=pytest.approx(0.36))
