"""The spring-type tester: a mechanism that gives no score before two unlike bodies calibrate it."""

from dataclasses import replace

import numpy as np
import pytest

from layers.compression.curve import Compression
from layers.compression.tester import (
    INCH,
    Calibration,
    Reference,
    SpringTester,
    calibrated,
    score,
)
from layers.compression.tester import _check_references as check_references
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


@pytest.mark.parametrize("rate", [100e3, 104e3, 108e3])
def test_a_spring_between_those_tried_first_is_found(rate):
    """First tries are 12 % apart: the best may lie on either side of the nearest."""
    true = SpringTester(calibration=Calibration(rate, TRAVEL, np.zeros((2, 2)), 0.0))
    refs = tuple(Reference(score(true, c, 42.67e-3).points, c) for c in (SOFT, FIRM))
    found = calibrated(SpringTester(), refs).calibration
    assert found.spring_rate == pytest.approx(rate, rel=1e-4)


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


def slopes(tester, curve, diameter):
    """Return the score's slopes by log(spring rate) and travel, by differences."""
    known, found = tester.calibration, []
    for log, more in ((1e-4, 0.0), (0.0, 1e-7)):
        ends = []
        for sign in (1.0, -1.0):
            moved = Calibration(
                known.spring_rate * np.exp(sign * log),
                known.travel + sign * more,
                np.zeros((2, 2)),
                0.0,
            )
            ends.append(score(replace(tester, calibration=moved), curve, diameter).points)
        found.append((ends[0] - ends[1]) / (2.0 * (log or more)))
    return np.array(found)


def test_analytic_error_of_a_score():
    """The slopes on either side of the covariance, and the references' misfit."""
    covariance = np.array([[4e-4, -3e-7], [-3e-7, 9e-10]])
    known = replace(TRUE, calibration=Calibration(RATE, TRAVEL, covariance, 1.5))
    for diameter in (42.67e-3, 43.2e-3):
        slope = slopes(TRUE, MIDDLE, diameter)
        found = score(known, MIDDLE, diameter)
        assert found.error == pytest.approx(np.sqrt(slope @ covariance @ slope + 2.25), rel=2e-3)
        assert found.force == pytest.approx(RATE * (found.points * 0.001 + 0.05) * INCH, rel=1e-9)
    assert known.calibration.spring_rate_error == pytest.approx(RATE * 0.02)
    assert known.calibration.travel_error == pytest.approx(3e-5)


def test_analytic_covariance_and_residual_of_a_calibration():
    """Four references of unlike errors: the inverse of the weighed slopes, two degrees left."""
    curves, shifts, errors = (SOFT, ball(3.4), MIDDLE, FIRM), (0.8, -1.0, 1.1, 0.4), (1, 2, 1, 0.5)
    refs = tuple(reference(*row) for row in zip(curves, errors, shifts, strict=True))
    made = calibrated(SpringTester(), refs)
    found = made.calibration
    misses = [score(made, r.curve, r.diameter).points - r.score for r in refs]
    assert found.residual == pytest.approx(np.sqrt(np.square(misses).sum() / 2.0), rel=1e-9)
    weighed = np.array([slopes(made, c, 42.67e-3) / e for c, e in zip(curves, errors, strict=True)])
    np.testing.assert_allclose(found.covariance, np.linalg.inv(weighed.T @ weighed), rtol=5e-3)

    def square(rate, travel):
        tried = replace(made, calibration=Calibration(rate, travel, np.zeros((2, 2)), 0.0))
        missed = [
            (score(tried, r.curve, r.diameter).points - r.score) / r.score_error for r in refs
        ]
        return np.square(missed).sum()

    least = square(found.spring_rate, found.travel)
    rate_step, travel_step = found.spring_rate_error, found.travel_error
    for a, b in ((0.1, 0), (-0.1, 0), (0, 0.1), (0, -0.1), (0.1, 0.1), (-0.1, -0.1)):
        assert square(found.spring_rate + a * rate_step, found.travel + b * travel_step) > least


def test_references_of_other_diameters_find_the_tester_again():
    """A larger body presses the spring further by what it is wider; a smaller one is shimmed."""
    refs = tuple(
        Reference(score(TRUE, curve, d).points, curve, diameter=d)
        for curve, d in ((SOFT, 43.1e-3), (MIDDLE, 42.8e-3), (FIRM, 38.0e-3))
    )
    found = calibrated(SpringTester(), refs).calibration
    assert found.spring_rate == pytest.approx(RATE, rel=1e-4)
    assert found.travel == pytest.approx(TRAVEL, rel=1e-4)
    assert found.residual < 0.01
    at = score(TRUE, MIDDLE, 42.672e-3).points  # 1.680 in itself
    wider = replace(TRUE, calibration=Calibration(RATE, TRAVEL + 0.4e-3, np.zeros((2, 2)), 0.0))
    assert score(TRUE, MIDDLE, 43.072e-3).points == pytest.approx(
        score(wider, MIDDLE, 42.672e-3).points, rel=1e-9
    )
    assert score(TRUE, MIDDLE, 30.0e-3).points == pytest.approx(at, rel=1e-12)


def given(number, error=1.0):
    return Reference(number, MIDDLE, score_error=error)


def test_scores_must_span_five_of_their_largest_errors():
    check_references(SpringTester(), (given(60.0), given(65.0), given(62.0)))
    check_references(SpringTester(), (given(60.0, 0.5), given(70.0, 2.0)))
    with pytest.raises(InputError) as caught:
        check_references(SpringTester(), (given(60.0, 0.5), given(69.9, 2.0)))
    assert str(caught.value) == (
        "references are too alike: their scores span 9.9 points, but must span at least 10.0 to "
        "tell the spring rate; choose bodies of unlike stiffness."
    )


def test_a_reference_must_move_the_spring():
    """50 points below nothing the spring would not have moved: 0.05 in by 0.001 in a point."""
    check_references(SpringTester(), (given(-49.9), given(60.0)))
    for number, error in ((-50.1, 1.0), (60.0, 0.0), (60.0, -1.0)):
        with pytest.raises(InputError, match=f"has score {number:g} and score_error {error:g}"):
            check_references(SpringTester(), (given(30.0), given(number, error)))


@pytest.mark.parametrize(("share", "taken"), [(0.247, True), (0.253, False)])
def test_a_spring_is_told_within_a_quarter(share, taken):
    """The rate's relative error grows with the scores' errors, all else alike."""
    pair = (MIDDLE, ball(2.9))
    fine = calibrated(SpringTester(), tuple(reference(c, error=0.01) for c in pair)).calibration
    each = 0.01 * share / np.sqrt(fine.covariance[0, 0])
    refs = tuple(reference(c, error=each) for c in pair)
    if taken:
        found = calibrated(SpringTester(), refs).calibration
        assert found.spring_rate_error / found.spring_rate == pytest.approx(share, rel=1e-3)
        return
    with pytest.raises(InputError, match="would be uncertain by 25%, but must be known within 25%"):
        calibrated(SpringTester(), refs)


@pytest.mark.parametrize("scores", [(20.0, 90.0), (89.0, 90.0)])
def test_no_spring_fits_scores_beyond_either_end(scores):
    """Bodies so unlike that no spring is stiff enough, or so alike that none is soft enough."""
    soft, firm = ball(9.0), ball(0.5)
    pair = (soft, firm) if scores[0] == 89.0 else (MIDDLE, ball(2.99))
    refs = tuple(Reference(s, c, score_error=0.1) for s, c in zip(scores, pair, strict=True))
    with pytest.raises(InputError, match=r"fit no spring within .* which end at 2500 N or above"):
        calibrated(SpringTester(), refs)


def test_a_tester_is_by_default_of_thousandths_of_an_inch():
    """From memory: 0.05 in uncounted, 0.001 in a point, shims to 1.680 in; in metres."""
    usual = SpringTester()
    assert (usual.uncounted, usual.point, usual.nominal_diameter) == pytest.approx(
        (1.27e-3, 25.4e-6, 42.672e-3), rel=1e-12
    )
    assert usual.calibration is None
    plain = Reference(60.0, MIDDLE)
    assert (plain.diameter, plain.score_error) == (0.04267, 1.0)


def test_a_curve_must_reach_the_spring_just_so():
    """Deflection and the spring's own at the curve's last force share the travel."""
    end = score(TRUE, MIDDLE, 42.67e-3).force
    for last, taken in ((1.001 * end, True), (0.999 * end, False)):
        force = np.append(FORCE[0.9 * end > FORCE], last)
        deflection = MIDDLE.deflection[-1] * (force / FORCE[-1]) ** (2 / 3)
        curve = Compression(force, deflection, np.zeros_like(force), "")
        if taken:
            found = score(TRUE, curve, 42.67e-3)
            assert found.points == pytest.approx(score(TRUE, MIDDLE, 42.67e-3).points, abs=0.05)
            continue
        with pytest.raises(InputError, match=f"ends at {last:g} N, but must reach"):
            score(TRUE, curve, 42.67e-3)
