"""Builds cut into jobs and joined again: every figure once, by whom it belongs to.

Kind: structure.
"""

import pytest

from layers.estimates import Estimate, Figure
from optimize.compute import jobs as module
from optimize.compute.jobs import Joining, jobs_of
from tests.helpers.builds import random_balls

NAMES = ("deflection_mm", "mass_g", "driver fast.spin_rpm", "cor@38.1", "frequency_hz")
HEAVY = ("deflection_mm", "frequency_hz")


def answer(request):
    ball, names = request
    figures = {n: Figure(n, 1.0, "", "closed form", 0.0, 0.0) for n in names}
    return Estimate(ball, figures)


def test_without_a_card_each_build_is_a_job():
    requests = [(ball, NAMES) for ball in random_balls(3, 7)]
    jobs = jobs_of(requests, 0)
    assert [job.requests for job in jobs] == [(request,) for request in requests]
    assert not any(job.on_card for job in jobs)


@pytest.mark.parametrize(
    ("cards", "largest", "sizes"), [(1, 9, [5]), (2, 9, [3, 2]), (1, 2, [2, 2, 1])]
)
def test_impacts_go_in_batches_and_the_rest_build_by_build(monkeypatch, cards, largest, sizes):
    monkeypatch.setattr(module, "CHUNK", largest)
    requests = [(ball, NAMES) for ball in random_balls(5, 7)]
    jobs = jobs_of(requests, cards)
    assert [len(job.places) for job in jobs if job.on_card] == sizes
    assert {names for job in jobs if not job.on_card for _, names in job.requests} == {HEAVY}
    assert {names for job in jobs if job.on_card for _, names in job.requests} == {
        tuple(name for name in NAMES if name not in HEAVY)
    }
    joining, found = Joining(requests), {}
    for job in reversed(jobs):
        found |= joining.add(job, list(map(answer, job.requests)))
    assert sorted(found) == list(range(5))
    assert all(tuple(estimate.figures) == NAMES for estimate in found.values())


def test_what_needs_one_sort_only_is_not_cut():
    [ball] = random_balls(1, 7)
    [closed] = jobs_of([(ball, ("mass_g",))], 1)
    assert (closed.on_card, closed.requests) == (False, ((ball, ("mass_g",)),))
    [swing] = jobs_of([(ball, ("mass_g", "driver fast.total_m"))], 1)
    assert swing.on_card
    [(place, found)] = Joining([(ball, ("mass_g",))]).add(closed, [answer(closed.requests[0])])
    assert (place, list(found.figures)) == (0, ["mass_g"])


def test_parts_of_a_failed_build_and_of_other_patterns_are_joined():
    [ball] = random_balls(1, 7)
    names = ("deflection_mm", "driver fast.spin_rpm")
    requests = [(ball, names)]
    first, second = jobs_of(requests, 1)
    under = ball.model_copy(update={"dimple_pattern": "other"})
    left = Estimate(ball, {}, {names[0]: "crushed"}, others=(answer((under, names[:1])),))
    right = Estimate(ball, answer((ball, names[1:])).figures, others=(answer((under, names[1:])),))
    joining = Joining(requests)
    assert list(joining.add(first, [left])) == []
    [(_, found)] = joining.add(second, [right])
    assert (list(found.figures), found.failed) == ([names[1]], {names[0]: "crushed"})
    assert tuple(found.others[0].figures) == names
