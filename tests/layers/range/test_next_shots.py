"""Which shots come next: the one that takes most off all flights' variances, after those before."""

from types import SimpleNamespace

import numpy as np
import pytest

from layers.range.next_shots import _gradients, _outside_share, _Side, plan_shots

STEPS, CANDIDATES = 6, 5


@pytest.fixture
def covariance():
    rng = np.random.default_rng(2)
    root = rng.normal(size=(STEPS + CANDIDATES, STEPS + CANDIDATES))
    return root @ root.T / 10.0


@pytest.fixture
def gradients():
    return np.random.default_rng(3).normal(size=(2, STEPS))


def conditioned(covariance, shots, noise):
    """Return the covariance given rows at candidates, all at once."""
    at = STEPS + np.array(shots, dtype=int)
    rows = covariance[np.ix_(at, at)] + noise**2 * np.eye(len(at))
    return covariance - covariance[:, at] @ np.linalg.solve(rows, covariance[at])


def test_analytic_rows_one_by_one_are_rows_at_once(covariance, gradients):
    side = _Side(covariance, gradients, CANDIDATES, 0.3)
    among = covariance[:STEPS, :STEPS]
    expected = np.diag(gradients @ among @ gradients.T)
    np.testing.assert_allclose(side.variance(), expected)
    for shots in ([3], [3, 1], [3, 1, 3]):
        gain = side.gains()[shots[-1]]
        before = side.variance().sum()
        side.shoot(shots[-1])
        left = conditioned(covariance, shots, 0.3)
        np.testing.assert_allclose(side.covariance, left, atol=1e-12)
        assert before - side.variance().sum() == pytest.approx(gain)


def test_gradients_of_flights_lie_one_behind_the_other():
    found = _gradients([np.array([1.0, 2.0]), np.array([3.0]), np.array([4.0, 5.0, 6.0])])
    np.testing.assert_array_equal(
        found, [[1, 2, 0, 0, 0, 0], [0, 0, 3, 0, 0, 0], [0, 0, 0, 4, 5, 6]]
    )


def invented(covariance):
    """Return a surface whose errors at steps and candidates are given, by their places."""

    def of(re_a, s_a, re_b, s_b):
        n, steps = CANDIDATES, len(re_a) - len(CANDIDATE_SPEEDS)
        place = np.concatenate([np.arange(steps), steps + np.arange(len(re_a) - steps) % n])
        drag = covariance[np.ix_(place, place)]
        return drag, 0.5 * drag

    return SimpleNamespace(
        drag=SimpleNamespace(noise=np.array([0.01, 0.04, 0.09])),
        lift=SimpleNamespace(noise=np.array([0.04, 0.16, 0.16])),
        covariance=of,
        outside=lambda re, s: np.where(np.asarray(re) > 1.5e5, 0.25, 0.0),
    )


CANDIDATE_SPEEDS = np.array([20.0, 40.0, 50.0, 60.0, 70.0])


def test_the_plan_is_greedy_over_both_coefficients_and_all_flights(
    monkeypatch, covariance, gradients
):
    speed, spin = CANDIDATE_SPEEDS, np.linspace(100.0, 500.0, CANDIDATES)
    monkeypatch.setattr(
        "layers.range.next_shots._candidates",
        lambda air, diameter: (speed, spin, 3e3 * speed, 0.02 * spin / speed),
    )
    flights = [
        SimpleNamespace(
            values=np.array([value, -1.0]),
            reynolds=re,
            spin_ratio=0.1 + 0.0 * re,
            drag=np.array([drag, 0.0 * drag]),
            lift=np.array([lift, 0.0 * lift]),
        )
        for value, re, drag, lift in (
            (200.0, np.array([1e5, 2e5]), gradients[0, :2], gradients[1, :2]),
            (150.0, np.array([1e5, 1.4e5, 1.6e5, 1.2e5]), gradients[0, 2:], gradients[1, 2:]),
        )
    ]
    plan = plan_shots(invented(covariance), flights, 2)
    assert plan.row_sd == pytest.approx((0.2, 0.4))  # medians of the rows' variances
    np.testing.assert_array_equal(plan.carry, [200.0, 150.0])
    whole = _gradients([f.drag[0] for f in flights]), _gradients([f.lift[0] for f in flights])

    def deviations(shots):
        parts = [
            conditioned(scale * covariance, shots, noise)[:STEPS, :STEPS]
            for scale, noise in ((1.0, 0.2), (0.5, 0.4))
        ]
        total = sum(np.einsum("fi,ij,fj->f", g, c, g) for g, c in zip(whole, parts, strict=True))
        return np.sqrt(total)

    np.testing.assert_allclose(plan.carry_sd, deviations([]))
    shots = []
    for shot in plan.shots:
        after = [np.sum(deviations([*shots, k]) ** 2) for k in range(CANDIDATES)]
        shots.append(int(np.argmin(after)))
        assert (shot.speed, shot.spin) == (speed[shots[-1]], spin[shots[-1]])
        assert (shot.reynolds, shot.spin_ratio) == (
            3e3 * shot.speed,
            pytest.approx(0.02 * shot.spin / shot.speed),
        )
        assert shot.outside == (0.25 if shot.reynolds > 1.5e5 else 0.0)
        np.testing.assert_allclose(shot.carry_sd, deviations(shots))
    for share, flight in zip(plan.outside_share, flights, strict=True):
        weight = np.abs(flight.drag[0]) + np.abs(flight.lift[0])
        beyond = flight.reynolds > 1.5e5
        assert share == pytest.approx(weight[beyond].sum() / weight.sum())
        assert share == _outside_share(invented(covariance), flight)
