"""The spring-type tester: a mechanism that gives no score before two unlike bodies calibrate it."""

from dataclasses import replace

import numpy as np
import pytest

from layers.compression.curve import Compression
from layers.compression.tester import INCH, Calibration, Reference, SpringTester, calibrated, score
from layers.errors import InputError

FORCE = np.concatenate([[0.0], np.geomspace(2.0, 2500.0, 14)])
# An invented tester, to be found again from the scores it gives.
RATE, TRAVEL = 120e3, 5.4e-3
TRUE = SpringTester(calibration=Calibration(RATE, TRAVEL, np.zeros((2, 2)), 0.0))


def ball(millimetres_at_1_kn: float) -> Compression:
    """Hertz-like curve, deflection as force^(2/3)."""
    deflection = millimetres_at_1_kn * 1e-3 * (FORCE / 1000.0) ** (2 / 3)
    return Compression(FORCE, deflection, np.zeros_like(FORCE), "")


def reference(curve, error=1.0, shift=0.0):
    return Reference(score(TRUE, curve, 42.67e-3).points + shift, curve, score_error=error)


SOFT, MIDDLE, FIRM = ball(4.0), ball(3.0), ball(2.2)


def test_analytic_score_of_a_linear_body():
    """Body of rate c and spring of rate k in series share the travel T: x = T / (1 + k/c)."""
    rate = 400e3
    curve = Compression(FORCE, FORCE / rate, np.zeros_like(FORCE), "")
    # The interpolation is in force^(2/3), so the line is met between nodes to a small error.
    expected = (TRAVEL / (1.0 + RATE / rate) - 0.05 * INCH) / (0.001 * INCH)
    assert score(TRUE, curve, 42.67e-3).points == pytest.approx(expected, rel=1e-3)


def test_limits_a_rigid_body_scores_the_whole_travel():
    rigid = Compression(FORCE, 1e-12 * FORCE, np.zeros_like(FORCE), "")
    expected = (TRAVEL - 0.05 * INCH) / (0.001 * INCH)
    assert score(TRUE, rigid, 42.67e-3).points == pytest.approx(expected, rel=1e-4)


def test_two_references_find_the_tester_again():
    found = calibrated(SpringTester(), (reference(SOFT), reference(FIRM))).calibration
    assert found.spring_rate == pytest.approx(RATE, rel=1e-4)
    assert found.travel == pytest.approx(TRAVEL, rel=1e-4)
    assert found.residual == 0.0
    # Guard: one reading two points off is seen.
    off = calibrated(SpringTester(), (reference(SOFT, shift=2.0), reference(FIRM))).calibration
    assert off.spring_rate != pytest.approx(RATE, rel=0.01)


def test_the_stated_error_is_the_scatter_of_repeated_calibrations():
    rng = np.random.default_rng(3)
    curves = (SOFT, FIRM)
    clean = calibrated(SpringTester(), tuple(reference(c) for c in curves))
    rates, scores = [], []
    for shifts in rng.standard_normal((40, 2)):
        refs = tuple(reference(c, shift=s) for c, s in zip(curves, shifts, strict=True))
        noisy = calibrated(SpringTester(), refs)
        rates.append(noisy.calibration.spring_rate)
        scores.append(score(noisy, MIDDLE, 42.67e-3).points)
    assert np.std(rates) == pytest.approx(clean.calibration.spring_rate_error, rel=0.35)
    assert np.std(scores) == pytest.approx(score(clean, MIDDLE, 42.67e-3).error, rel=0.35)


def test_three_references_leave_a_residual():
    refs = (reference(SOFT, shift=1.0), reference(MIDDLE, shift=-1.0), reference(FIRM, shift=1.0))
    found = calibrated(SpringTester(), refs).calibration
    assert 1.0 < found.residual < 3.0
    assert found.spring_rate == pytest.approx(RATE, rel=0.1)


def test_no_score_without_a_calibration():
    with pytest.raises(InputError, match="calibration of the spring-type tester is missing"):
        score(SpringTester(), MIDDLE, 42.67e-3)


def test_smaller_bodies_are_shimmed_and_larger_ones_press_the_spring_further():
    base = score(TRUE, MIDDLE, 42.67e-3).points
    assert score(TRUE, MIDDLE, 38.0e-3).points == pytest.approx(base, abs=0.2)
    assert score(TRUE, MIDDLE, 43.0e-3).points > base + 5.0
    longer = replace(TRUE, uncounted=0.04 * INCH)
    assert score(longer, MIDDLE, 42.67e-3).points == pytest.approx(base + 10.0, abs=1e-6)


@pytest.mark.parametrize(
    ("references", "message"),
    [
        ((reference(SOFT),), "references are 1, but must be at least 2"),
        ((reference(SOFT), reference(ball(3.98))), "too alike: their scores span"),
        ((reference(SOFT, error=8.0), reference(MIDDLE)), "too alike"),
        ((reference(SOFT, error=0.0), reference(FIRM)), "score_error 0"),
        ((reference(SOFT, shift=60.0), reference(FIRM, shift=-60.0)), "fit no spring"),
        (
            (reference(SOFT), reference(MIDDLE, shift=7.0), reference(FIRM)),
            "contradict one another: one misses its score by 4.6 times",
        ),
    ],
)
def test_references_that_do_not_tell_the_tester_are_refused(references, message):
    with pytest.raises(InputError, match=message):
        calibrated(SpringTester(), references)


def test_references_four_errors_apart_are_taken():
    found = calibrated(
        SpringTester(), (reference(SOFT), reference(MIDDLE, shift=6), reference(FIRM))
    )
    assert found.calibration is not None


def test_a_curve_that_ends_too_early_is_refused():
    short = Compression(FORCE[:9], MIDDLE.deflection[:9], np.zeros(9), "")
    with pytest.raises(InputError, match="must reach the tester's force"):
        score(TRUE, short, 42.67e-3)


def test_references_with_proportional_slopes_are_refused():
    """A larger ball presses the spring further, and its score may still say nothing new.

    A score's slopes by log(rate) and travel are in the ratio -F d'(F). A Hertz-like body has
    F d' = 2/3 d, a linear one F d' = d: here both have the same F d' at the tester's forces.
    """
    larger = 43.27e-3
    force = score(TRUE, MIDDLE, 42.67e-3).force
    give = 2.0 / 3.0 * MIDDLE.deflection_at(force)
    # The linear body's force, from deflection + spring's deflection = travel + excess diameter.
    other = RATE * (TRAVEL + larger - TRUE.nominal_diameter - give)
    line = Compression(FORCE, give * FORCE / other, np.zeros_like(FORCE), "")
    first, second = score(TRUE, MIDDLE, 42.67e-3), score(TRUE, line, larger)
    assert second.force * line.deflection_at(second.force) == pytest.approx(
        second.force * give, rel=0.01
    )
    refs = (
        Reference(first.points, MIDDLE),
        Reference(second.points, line, diameter=larger),
    )
    with pytest.raises(InputError, match="too alike: the spring rate would be uncertain by"):
        calibrated(SpringTester(), refs)
