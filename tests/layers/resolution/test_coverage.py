"""Stated errors hold of builds that nobody has seen: fresh ones each day.

Kind: convergence. The seed is the date, and is printed: a failure is repeated by it.
"""

import datetime
from typing import Any

import pytest
from scipy.stats import binom

from layers.estimation import estimate
from layers.figures import QUANTITIES
from tests.benchmarks.mesh_errors import builds, figures

BUILDS = 24
HELD = 0.92  # the least share that the stated errors shall hold
SURE = 1e-4  # chance of a false alarm, for each figure


@pytest.fixture(scope="module")
def today() -> list[tuple[Any, Any]]:
    seed = datetime.date.today().toordinal()
    print(f"seed {seed}")  # noqa: T201 - shown where a test fails
    swings = [n for n in figures("swing") if n.startswith("driver fast")]
    names = [*figures("body"), *swings]
    return [
        (estimate(ball, names).figures, estimate(ball, names, level="fine").figures)
        for ball in builds(BUILDS, seed)
    ]


def too_few(inside: int, count: int) -> bool:
    """Whether so few within the stated errors would be chance less often than `SURE`."""
    return bool(binom.cdf(inside, count, HELD) < SURE)


@pytest.mark.slow
def test_convergence_stated_errors_hold_of_fresh_builds(today):
    for name, figure in today[0][0].items():
        pairs = [(a[name], b[name]) for a, b in today if name in a and name in b]
        inside = sum(abs(a.value - b.value) <= a.difference_error for a, b in pairs)
        assert not too_few(inside, len(pairs)), (name, inside, len(pairs), figure.difference_error)


@pytest.mark.slow
def test_guard_errors_of_a_fifth_would_be_found_out(today):
    found = 0
    for name in today[0][0]:
        pairs = [(a[name], b[name]) for a, b in today if name in a and name in b]
        inside = sum(abs(a.value - b.value) <= 0.2 * a.difference_error for a, b in pairs)
        found += too_few(inside, len(pairs))
    assert found > 0.6 * sum(QUANTITIES[n.rpartition(".")[2]].of != "club" for n in today[0][0])
