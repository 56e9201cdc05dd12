"""The march, run by Python against a contact by script: when it looks, what it sums, how it ends.

Steps are powers of two, so that times and sums are exact.
"""

import importlib
import math
from types import SimpleNamespace

import numpy as np
import pytest
from numba.core.caching import NullCache

from layers.strike import march as module
from layers.strike.contact import (
    CONTACT_LOSS,
    FRICTION_LOSS,
    NORMAL_FORCE,
    SLIP_POWER,
    STUCK_FORCE,
    TANGENTIAL_FORCE,
    TORQUE_SUM,
)
from layers.strike.kernels import BRANCH_ROWS, GAIN, RATE
from layers.strike.masses import _factored
from tests.helpers.lanes import uncompiled

H = 2.0**-20  # s: the step of a frequency of 2^20 rad/s
REACH = 3.0


@pytest.fixture(scope="module")
def kept():
    """Return the compiled functions of the march, before any is run by Python."""
    return compiled(module)


@pytest.fixture(autouse=True)
def by_python(monkeypatch, kept):
    uncompiled(monkeypatch, module)
    monkeypatch.setattr(module, "load_node", lambda values, n: values[n].astype(float))
    monkeypatch.setattr(module, "store_node", lambda values, n, value: values.__setitem__(n, value))


def marched(
    monkeypatch, touched, *, longest=64 * H, pause=0.0, room=64, frequency=None, again=None,
    deformation=None, pull=1.0,
):  # fmt: skip
    """March a ball of three nodes that is touched with a force in each of the steps given."""
    seen = SimpleNamespace(forces=[], searches=[], club=[], frequencies=0, nearest=[])
    forces = {step: 2.0 for step in touched} if not isinstance(touched, dict) else touched

    def element_forces(shape, hexes, constant, branch, state, pulled, step, sampled, loss):
        seen.forces.append((shape.copy(), step, sampled, branch[0, GAIN, 0]))
        pulled[:] = pull
        if sampled:
            loss[:] = 3.0, 5.0

    def highest_frequency(shape, hexes, constant):
        number = len(seen.forces)
        seen.frequencies += 1
        return 2.0**40 if frequency is None else frequency(number)

    def search(points, u, velocity, surface, face, club, time, fastest, near):
        seen.searches.append((len(seen.forces), time, fastest))
        return fastest + 1.0

    def touch(points, u, velocity, carry, pivot, surface, stretch, face, club, mean, near, sums):
        force = forces.get(len(seen.club), 0.0)
        sums[:] = 0.0
        sums[[FRICTION_LOSS, CONTACT_LOSS, TORQUE_SUM]] = 7.0, 11.0, 13.0
        sums[[NORMAL_FORCE, TANGENTIAL_FORCE]] = force, 0.5 * force
        sums[[SLIP_POWER, STUCK_FORCE]] = 4.0 * force, 0.25 * force

    def drive_club(face, club, sums, mean, step):
        seen.club.append((mean, step))

    def distance(points, u, node, club):
        assert node == 2
        return REACH - (deformation or {}).get(len(seen.club), -1.0)

    def nearest(points, u, surface, face, club):
        seen.nearest.append(len(seen.club))
        return 0.1

    monkeypatch.setattr(module, "element_forces", element_forces)
    monkeypatch.setattr(module, "highest_frequency", highest_frequency)
    monkeypatch.setattr(module, "search", search)
    monkeypatch.setattr(module, "touch", touch)
    monkeypatch.setattr(module, "drive_club", drive_club)
    monkeypatch.setattr(module, "distance", distance)
    monkeypatch.setattr(module, "nearest", nearest)
    monkeypatch.setattr(module, "near_of", lambda surface, pivot: None)
    monkeypatch.setattr(module, "may_meet_again", lambda *_: bool(again and again(len(seen.club))))
    points = np.array([[0.0, -1.0, 2.0], [0.0, 0.0, 0.0], [0.0, 0.0, 0.0]])  # reach: 3
    u, velocity = np.zeros((3, 4)), np.zeros((3, 4))
    u[1], velocity[:, 0] = 0.5, 8.0  # the centre is node 1
    branch = np.zeros((1, BRANCH_ROWS, 1))
    branch[0, RATE] = 2.0**18
    history, result = np.full((module.HISTORY_ROWS, room), np.nan), np.full(14, np.nan)
    module._march(
        points, u, velocity, np.array([4.0]), np.zeros((2, 1)), np.array([[2.0], [16.0]]), None,
        np.zeros((1, 1, 1)), branch, None, None, None, np.array([2]), 2, 1, None, None,
        longest, pause, 1.0, history, result,
    )  # fmt: skip
    seen.u, seen.velocity, seen.history, seen.result = u, velocity, history, result
    seen.times = history[module.TIME, : int(result[module.RECORDED])] / H
    return seen


def at(seen, *rows):
    return [seen.result[row] for row in rows]


def test_first_and_last_touch_and_the_gap_between_two(monkeypatch):
    """Touched in steps 3 to 5 and 9 to 12; over when nothing has for longer than the pause."""
    touched = [2, 3, 4, 8, 9, 10, 11]
    seen = marched(monkeypatch, touched, pause=5.0 * H)
    first, last, gap = at(seen, module.FIRST, module.LAST, module.LONGEST_GAP)
    assert (first, last, gap) == (3 * H, 12 * H, 4 * H)
    assert at(seen, module.STEPS, module.ELAPSED, module.ENDED) == [18, 18 * H, 1.0]
    assert seen.result[module.BROKEN] == 0.0
    # A pause as long as the gap of three steps does not end it there, a shorter one does.
    assert marched(monkeypatch, touched, pause=3.0 * H).result[module.LAST] == 12 * H
    assert at(marched(monkeypatch, touched, pause=2.9 * H), module.LAST, module.STEPS) == [5 * H, 8]


def test_a_twentieth_of_the_contact_ends_it_and_nothing_before_the_first_touch(monkeypatch):
    seen = marched(monkeypatch, range(10, 50), longest=200 * H)
    assert at(seen, module.FIRST, module.LAST) == [11 * H, 50 * H]
    assert seen.result[module.ELAPSED] == 52 * H  # 1.95 steps
    longer = marched(monkeypatch, range(1, 50), longest=200 * H)
    assert longer.result[module.ELAPSED] == 53 * H  # 2.4 steps


def test_a_face_that_may_meet_the_ball_again_is_waited_for(monkeypatch):
    seen = marched(monkeypatch, [0], again=lambda steps: steps < 9)
    assert at(seen, module.STEPS, module.ENDED) == [9, 1.0]
    assert seen.nearest == list(range(2, 10))


def test_time_ends_a_march_that_nothing_else_does(monkeypatch):
    seen = marched(monkeypatch, [], longest=10 * H)
    assert at(seen, module.STEPS, module.ELAPSED, module.ENDED) == [10, 10 * H, 0.0]
    assert at(seen, module.FIRST, module.LAST, module.LONGEST_GAP) == [-1.0, 0.0, 0.0]
    assert marched(monkeypatch, [], longest=10.5 * H).result[module.STEPS] == 11


def test_every_32_steps_the_step_is_renewed_and_what_is_near_looked_for(monkeypatch):
    """The elements lag by a step, the mean is over both; gains go with the new one."""
    seen = marched(
        monkeypatch, [], longest=40 * H, frequency=lambda n: 2.0**40 if n < 32 else 2.0**42
    )
    assert seen.searches[0] == (0, 32 * H, 0.0)
    assert seen.searches[1] == (32, 16 * H, 1.0)
    steps = [step for _, step, _, _ in seen.forces]
    assert steps[:33] == [H] * 33
    assert set(steps[33:]) == {0.5 * H}
    assert seen.club[:32] == [(H, H)] * 32
    assert seen.club[32] == (0.75 * H, 0.5 * H)
    assert set(seen.club[33:]) == {(0.5 * H, 0.5 * H)}
    assert seen.result[module.ELAPSED] == 40 * H
    assert seen.result[module.STEPS] == 48
    gains = [gain for *_, gain in seen.forces]
    assert gains[1] == pytest.approx(-math.expm1(-H * 2.0**18), rel=1e-12)
    assert gains[32] == gains[1]
    assert gains[33] == pytest.approx(-math.expm1(-0.5 * H * 2.0**18), rel=1e-12)


def test_losses_are_sampled_every_8_steps_and_the_contact_s_summed_in_all(monkeypatch):
    seen = marched(monkeypatch, [], longest=17 * H)
    assert [n for n, (_, _, sampled, _) in enumerate(seen.forces) if sampled] == [0, 8, 16]
    relaxation, bulk = at(seen, module.LOSS_RELAXATION, module.LOSS_BULK)
    assert (relaxation, bulk) == (3 * 8 * H * 3.0, 3 * 8 * H * 5.0)
    friction, contact, torque = at(seen, module.LOSS_FRICTION, module.LOSS_CONTACT, module.TORQUE)
    assert (friction, contact, torque) == (17 * 7.0, 17 * 11.0, 17 * H * 13.0)


def test_deformation_is_the_greatest_by_which_the_far_node_came_near(monkeypatch):
    """From where it was over the nearest node."""
    found = marched(monkeypatch, [], longest=9 * H, deformation={3: 0.25, 5: 0.75, 6: 0.5})
    assert found.result[module.DEFORMATION] == 0.75
    assert marched(monkeypatch, [], longest=4 * H).result[module.DEFORMATION] == 0.0


@pytest.mark.parametrize("wrong", [math.nan, math.inf, 0.0, -1.0])
def test_a_march_that_breaks_down_goes_back_to_where_it_was_in_order(monkeypatch, wrong):
    sound = marched(monkeypatch, [], longest=32 * H)
    seen = marched(monkeypatch, [], frequency=lambda n: wrong if n == 64 else 2.0**40, longest=1.0)
    assert at(seen, module.BROKEN, module.STEPS, module.ENDED) == [1.0, 64, 0.0]
    np.testing.assert_array_equal(seen.u, sound.u)


def test_analytic_nodes_move_under_their_pull_and_elements_see_them_about_the_centre(monkeypatch):
    """v = v0 - n h p / m, free of the pull across the plane; u their sum; shapes lag at the centre.

    The centre is node 1; what the elements see is against where it was before the last step.
    """
    seen = marched(monkeypatch, [], longest=5 * H, pull=2.0)
    inverse = np.array([4.0, 2.0, 16.0])[:, None]  # one over mass
    free = np.ones((3, 4))
    free[2, 1] = 0.0
    start = np.zeros((3, 4))
    start[:, 0] = 8.0
    placed = np.zeros((3, 4))
    placed[1] = 0.5
    places = [placed]
    for n in range(1, 6):
        places.append(places[-1] + H * (start - n * H * 2.0 * inverse * free))
    np.testing.assert_allclose(seen.velocity, start - 5 * H * 2.0 * inverse * free, rtol=1e-12)
    np.testing.assert_allclose(seen.u, places[-1], rtol=1e-12)
    shapes = [shape for shape, *_ in seen.forces]
    np.testing.assert_allclose(shapes[0], placed - placed[1], rtol=1e-12)
    for n in range(1, 5):
        np.testing.assert_allclose(shapes[n], places[n] - places[n - 1][1], rtol=1e-12)


def test_a_full_history_keeps_every_other_sample_and_stays_even(monkeypatch):
    assert marched(monkeypatch, [], longest=4 * H, room=4).times.tolist() == [1, 2, 3, 4]
    assert marched(monkeypatch, [], longest=5 * H, room=4).times.tolist() == [2, 4]
    assert marched(monkeypatch, [], longest=6 * H, room=4).times.tolist() == [2, 4, 6]
    seen = marched(monkeypatch, {3: 4.0, 7: 8.0}, longest=13 * H, room=4, pause=1.0)
    assert seen.times.tolist() == [4, 8, 12]
    rows = seen.history[:, :3]
    np.testing.assert_array_equal(rows[module.NORMAL], [4.0, 8.0, 0.0])
    np.testing.assert_array_equal(rows[module.TANGENTIAL], [2.0, 4.0, 0.0])
    np.testing.assert_array_equal(rows[module.SLIP], [4.0, 4.0, 0.0])  # per force
    np.testing.assert_array_equal(rows[module.STUCK], [0.25, 0.25, 0.0])


def compiled(module):
    """Return the compiled functions that a module defines, by name, with their options."""
    return {
        name: value
        for name, value in vars(module).items()
        if hasattr(value, "py_func") and value.__module__ == module.__name__
    }


@pytest.mark.parametrize("name", ["fill", "kernels", "contact", "head", "near", "stored"])
def test_kernels_are_kept_in_files_unless_they_are_written_into_others(name):
    """So that no process that computes compiles; and all of a file have one arithmetic."""
    own = compiled(importlib.import_module(f"layers.strike.{name}"))
    assert own
    for kernel in own.values():
        inlined = kernel.targetoptions.get("forceinline", False)
        assert isinstance(kernel._cache, NullCache) == inlined
    arithmetic = {kernel.targetoptions.get("fastmath", False) for kernel in own.values()}
    assert arithmetic == {name in ("fill", "kernels")}


def test_both_marches_are_kept_and_their_common_body_is_not(kept):
    assert {name for name, kernel in kept.items() if isinstance(kernel._cache, NullCache)} == {
        "_march", "_move",
    }  # fmt: skip


def test_analytic_columns_answer_by_their_mass_matrix():
    """Three rows of two columns, bonded: the gain is -dt M^-1 times the pull."""
    rng = np.random.default_rng(3)
    mass, bond = rng.uniform(1.0, 2.0, (3, 2)), rng.uniform(1.0, 3.0, (2, 2))
    carry, pivot = (part[0] for part in _factored(mass.reshape(1, -1), bond[None]))
    pull, before = rng.normal(size=(2, 7, 4))  # a node in no column comes first
    velocity, work = before.copy(), np.full((6, 4), np.nan)
    module._push_columns(pull, carry, pivot, 0.25, velocity, work)
    np.testing.assert_array_equal(velocity[0], before[0])
    for column in range(2):
        nodes = 1 + np.arange(3) * 2 + column
        matrix = np.diag(mass[:, column])
        for row in range(2):
            pair = np.ix_([row, row + 1], [row, row + 1])
            matrix[pair] += bond[row, column] * np.array([[1.0, -1.0], [-1.0, 1.0]])
        gained = -0.25 * np.linalg.solve(matrix, pull[nodes])
        np.testing.assert_allclose(velocity[nodes] - before[nodes], gained, rtol=1e-12)
