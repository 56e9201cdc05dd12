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


def random_core(cells=4):
    """Return a body of some cells and two peroxides, and fields, temperatures of its cells."""
    rng = np.random.default_rng(11)
    heat = np.array([2e6, 3e3, 9e7])
    chemistry = np.array([[4e-3, 2e-3], [18000.0, 17000.0], [0.05, 0.03]])
    faces = np.array([rng.uniform(1e-4, 2e-4, cells), rng.uniform(1e-7, 3e-7, cells)])
    body = (heat, np.array([0.4, 2400.0]), chemistry, faces)
    temperature = rng.uniform(140.0, 170.0, cells)
    base = (
        3e8 + rng.uniform(0, 1e7, cells),
        rng.uniform(0, 1, (2, cells)),
        rng.uniform(0, 1, cells),
    )
    return body, base, temperature


def missed(t, body, base, outside, step):
    """Enthalpy less that of the implicit step, by the law: reactions and heat from both sides."""
    (c0, c1, q), (kappa, energy), (rate, peroxide, radicals), (conductance, volume) = body
    inverse = 1.0 / (t + 273.15) - 1.0 / 433.15
    k = rate[:, None] * np.exp(-peroxide[:, None] * inverse)
    flow = (radicals[:, None] * k * np.exp(-base[1] - step * k)).sum(axis=0)
    log = base[2] + step * kappa * np.exp(-energy * inverse) * np.sqrt(flow)
    through = conductance * np.diff(t, append=outside)
    gain = np.diff(through, prepend=0.0) / volume
    return c0 * t + 0.5 * c1 * t**2 - q * (1.0 - np.exp(-log)) - base[0] - step * gain


def test_analytic_a_step_of_newtons_method(monkeypatch):
    """One iteration moves the temperatures by -J^-1 F, J the slopes of F by differences."""
    body, base, start = random_core()
    outside, step = 165.0, 30.0
    slopes = np.empty((4, 4))
    for j in range(4):
        push = 1e-4 * np.eye(4)[j]
        ends = [missed(start + s * push, body, base, outside, step) for s in (1.0, -1.0)]
        slopes[:, j] = (ends[0] - ends[1]) / 2e-4
    expected = -np.linalg.solve(slopes, missed(start, body, base, outside, step))
    monkeypatch.setattr(kernel, "_ITERATIONS", 1)
    moved, found = start.copy(), kernel._zero_fields(2, 4)
    assert kernel._stage(moved, outside, step, base, body, found) == np.inf
    np.testing.assert_allclose(moved - start, expected, rtol=1e-6)
    monkeypatch.setattr(kernel, "_ITERATIONS", 12)
    surface = kernel._stage(moved, outside, step, base, body, found)
    np.testing.assert_allclose(missed(moved, body, base, outside, step), 0.0, atol=1.0)  # of 3e8
    assert surface == pytest.approx(body[3][0, -1] * (outside - moved[-1]), rel=1e-6)


def test_a_stage_that_runs_away_or_never_closes_is_given_up(monkeypatch):
    body, base, start = random_core()
    calls = []
    conduct = kernel._conduct
    monkeypatch.setattr(kernel, "_conduct", lambda *given: calls.append(0) or conduct(*given))
    monkeypatch.setattr(kernel, "_CLOSE", -1.0)
    found = kernel._zero_fields(2, 4)
    assert kernel._stage(start.copy(), 165.0, 30.0, base, body, found) == np.inf
    assert len(calls) == kernel._ITERATIONS
    calls.clear()
    far = (base[0] + 1e13, base[1], base[2])  # a million kelvin away
    assert kernel._stage(start.copy(), 165.0, 30.0, far, body, found) == np.inf
    assert len(calls) == 1


def marched(monkeypatch, errors, legs, most=50, tolerance=0.5):
    """Follow legs with given errors of the steps, in tolerances; the last goes on for ever."""
    tried, left = [], list(errors)

    def try_step(temperature, outside, rise, step, state, base, body, stages):
        tried.append((outside, rise, step))
        return 2.0

    def worst(*_):
        return tolerance * (left.pop(0) if len(left) > 1 else left[0])

    monkeypatch.setattr(kernel, "_try_step", try_step)
    monkeypatch.setattr(kernel, "_worst", worst)
    body, _, _ = random_core()
    start = np.array([25.0, 0.0, 0.0, 0.0])
    count, line, *_ = kernel.march(np.array(legs), start, body, 2e-4, tolerance, most)
    return count, line, np.array(tried), body


ONE_LEG = [[10.0], [100.0], [150.0], [3e-4]]


def test_steps_grow_and_shrink_by_the_third_root_of_their_error(monkeypatch):
    """At most four times, at least a fifth; a step is tried again where its error is too large."""
    errors = [1e-9, 0.729, 8.0, 1.0, 1e6, 0.216, 0.9**3]
    count, line, tried, body = marched(monkeypatch, errors, ONE_LEG)
    steps = [1e-3, 4e-3, 4e-3, 1.8e-3, 1.62e-3, 3.24e-4, 4.86e-4, 4.86e-4]
    np.testing.assert_allclose(tried[:8, 2], steps, rtol=1e-9)
    times = np.cumsum([1e-3, 4e-3, 1.8e-3, 3.24e-4, 4.86e-4])
    np.testing.assert_allclose(line[0, :5], times, rtol=1e-9)
    assert count == -1  # fifty such steps do not get there
    assert body[3][0, -1] == pytest.approx(1.0 / (1.0 / 3e-4 + 1.0 / 2e-4))


def test_a_march_ends_each_leg_in_time_and_starts_the_next_small(monkeypatch):
    legs = [[10.0, 16.0], [100.0, 20.0], [150.0, 20.0], [3e-4, 1e-4]]
    count, line, tried, body = marched(monkeypatch, [1e-9], legs)
    line = line[:, :count]
    ends = np.cumsum(1e-3 * 4.0 ** np.arange(7))  # the eighth would go beyond
    first = [*ends, 10.0]
    np.testing.assert_allclose(line[0, : len(first)], first, rtol=1e-12)
    assert line[0, -1] == 16.0
    assert tried[len(first), 2] == 1e-3
    np.testing.assert_allclose(line[1, : len(first)], 100.0 + 5.0 * np.array(first))
    np.testing.assert_allclose(tried[: len(first), 0], 100.0 + 5.0 * np.array([0.0, *ends]))
    assert set(tried[: len(first), 1]) == {5.0}
    assert set(tried[len(first) :, 1]) == {0.0}
    assert set(line[1, len(first) :]) == {20.0}
    np.testing.assert_allclose(line[2], 2.0 * line[0])
    assert count == len(line[0]) == len(tried)
    assert body[3][0, -1] == pytest.approx(1.0 / (1.0 / 1e-4 + 1.0 / 2e-4))


def test_a_march_gives_up_with_too_short_or_too_many_steps(monkeypatch):
    count, _, tried, _ = marched(monkeypatch, [np.inf], ONE_LEG)
    assert count == -2
    np.testing.assert_allclose(tried[:, 2], 1e-3 * 0.2 ** np.arange(9.0))  # the tenth below 1e-9 s
    for most, expected in ((8, 8), (7, -1)):
        assert marched(monkeypatch, [1e-9], ONE_LEG, most)[0] == expected
