"""The step of the cure's march: order of its error, conduction, what is left, and its judge."""

import numpy as np
import pytest

from layers.cure import march as kernel
from tests.helpers.lanes import uncompiled


@pytest.fixture(autouse=True)
def by_python(monkeypatch):
    uncompiled(monkeypatch, kernel)


def test_published_weights_of_the_one_step_method():
    """Hosea and Shampine 1996: w = sqrt 2 / 4, d = gamma / 2; quadrature of second order."""
    gamma, w, d = kernel._GAMMA, kernel._W, kernel._D
    assert gamma == pytest.approx(2.0 - np.sqrt(2.0))
    assert d == pytest.approx(gamma / 2.0)
    assert 2.0 * w + d == pytest.approx(1.0)
    assert w * gamma + d == pytest.approx(0.5)
    # The error is that of the embedded third order: none for a rate even or straight in time.
    at = np.array([0.0, gamma, 1.0])
    error = np.array(kernel._ERROR)
    assert error.sum() == pytest.approx(0.0, abs=1e-12)
    assert error @ at == pytest.approx(0.0, abs=1e-12)
    assert abs(error @ at**2) == pytest.approx(abs(w * gamma**2 + d - 1.0 / 3.0))


def test_analytic_heat_through_the_faces():
    """Each cell gains what comes in outside less what goes on inward; the surface's is returned."""
    faces = np.array([[2.0, 3.0, 5.0], [0.5, 1.0, 4.0]])
    temperature, gain = np.array([10.0, 14.0, 20.0]), np.zeros(3)
    surface = kernel._conduct(temperature, 26.0, faces, gain)
    through = np.array([2.0 * 4.0, 3.0 * 6.0, 5.0 * 6.0])
    np.testing.assert_allclose(gain, np.diff(through, prepend=0.0) / faces[1])
    assert surface == 30.0
    assert gain @ faces[1] == pytest.approx(surface)


def test_analytic_share_of_the_radicals_left():
    chemistry = np.array([[0.0, 0.0], [0.0, 0.0], [0.3, 0.1]])
    dose = np.array([[0.0, 1.0, 2.0], [0.5, 0.0, 3.0]])
    state = (np.zeros(3), dose, np.zeros(3))
    left = kernel._left(state, chemistry)
    expected = (0.3 * np.exp(-dose[0]) + 0.1 * np.exp(-dose[1])) / 0.4
    np.testing.assert_allclose(left, expected)


def test_the_judge_of_a_step_takes_the_worst_of_heat_and_of_shares():
    """Kelvin of heat with the co-agent's; a share of 0.01 counts as a kelvin."""
    rng = np.random.default_rng(2)
    stages = tuple((rng.normal(size=3) * 1e5, np.zeros((1, 3)), rng.normal(size=3)) for _ in "123")
    temperature, log = np.array([100.0, 120.0, 140.0]), np.array([0.1, 0.5, 2.0])
    state = (np.zeros(3), np.zeros((1, 3)), log)
    heat = np.array([2e6, 3e3, 8e7])
    energy = np.abs(sum(e * s[0] for e, s in zip(kernel._ERROR, stages, strict=True)))
    share = np.abs(sum(e * s[2] for e, s in zip(kernel._ERROR, stages, strict=True)))
    share *= 0.2 * np.exp(-log)
    kelvin = (0.2 * energy + 8e7 * share) / (2e6 + 3e3 * temperature)
    found = kernel._worst(0.2, temperature, state, heat, stages)
    assert found == pytest.approx(max(kelvin.max(), share.max() / 0.01))
    hot = kernel._worst(0.2, temperature, state, np.array([1.0, 0.0, 0.0]), stages)
    assert hot == pytest.approx(0.2 * energy.max())


def test_even_stock_starts_with_its_enthalpy_and_what_is_gone():
    """E = c0 T + c1 T^2/2 - q (1 - exp(-Y)) in every cell."""
    heat = np.array([2e6, 3e3, 8e7])
    chemistry = np.array([[1e-3, 2e-3], [1.0, 2.0], [0.3, 0.1]])
    body = (heat, np.array([0.36, 2400.0]), chemistry, np.ones((2, 4)))
    nothing = kernel._zero_fields(2, 4)
    assert [part.shape for part in nothing] == [(4,), (2, 4), (4,)]
    energy, dose, log = kernel._even_fields(np.array([25.0, 0.2, 0.01, 0.03]), body)
    expected = 2e6 * 25.0 + 0.5 * 3e3 * 625.0 - 8e7 * (1.0 - np.exp(-0.2))
    np.testing.assert_allclose(energy, expected)
    np.testing.assert_array_equal(dose, [[0.01] * 4, [0.03] * 4])
    np.testing.assert_array_equal(log, [0.2] * 4)
