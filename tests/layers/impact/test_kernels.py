"""The loops over rings, run by Python: forces are the slopes of the energy, losses the law's."""

import math
from dataclasses import replace

import numpy as np
import pytest

from layers.impact import barrier, kernels
from layers.impact.model import Resolution, impact_mesh, impact_model, untiled
from layers.numerics import tensors
from tests.helpers.lanes import uncompiled
from tests.layers.impact.test_barrier import reference_ball

TINY = Resolution(side=2, angles=8, core_rings=1, thick_rings=1, thin_rings=1, precision="double")
DT = 2e-6


@pytest.fixture(autouse=True)
def by_python(monkeypatch):
    uncompiled(monkeypatch, kernels, tensors)


@pytest.fixture
def body():
    plain = reference_ball().body()
    count = len(plain.density)
    return replace(
        plain,
        relaxation_strength=np.tile([0.3, 0.15], (count, 1)),
        relaxation_time=np.tile([1e-5, 4e-5], (count, 1)),
    )


@pytest.fixture
def model(body):
    return impact_model(body, TINY)


def moved(model, seed=1, size=0.04):
    """Return displacements (n, 4) that strain every element, with none across the axis."""
    rng = np.random.default_rng(seed)
    radius = np.abs(model.x).max()
    u = np.zeros((model.x.shape[1], kernels.NODE))
    u[:, 0] = size * (0.7 + 0.3 * rng.normal(size=len(u))) * model.x[0]
    u[:, 1] = size * (0.4 * model.x[0] - 0.6 * model.x[1])
    u[:, 1] += 0.05 * size * radius * rng.normal(size=len(u))
    return u


def gains(model, share):
    """Let every branch gain a share of what it follows."""
    for j in range(model.branches):
        row = kernels.BRANCH + j * kernels.BRANCH_ROWS + kernels.GAIN
        model.w[:, row] = share


def run(model, u, dt=DT):
    """Bring the elements to displacements; return the forces, (n, 2)."""
    force = np.full_like(u, np.nan)
    kernels._element_forces(model.w, model.corner, u, model.branches, dt, force)
    return force[:, :2]


def energy(model, names=("elastic", "network", "hourglass")):
    volume = untiled(model.w)[kernels.VOLUME]
    parts = barrier.element_energies(model)
    return float(sum(volume @ parts[name] for name in names))


def shaken(model, seed=5):
    """Give the networks a shape of their own, that every entry counts."""
    rng = np.random.default_rng(seed)
    for j in range(model.branches):
        row = kernels.BRANCH + j * kernels.BRANCH_ROWS
        model.w[:, row : row + 4] += 0.1 * rng.normal(size=(1, 4, 1))
        hourglass = row + kernels.HG_STRAIN
        model.w[:, hourglass : hourglass + 2] = 1e-4 * rng.normal(size=(1, 2, 1))


def test_analytic_forces_are_the_slopes_of_the_energy(body):
    """Of strain, hourglass shapes and networks that gain nothing, node by node."""

    def at(u):
        model = impact_model(body, TINY)
        shaken(model)
        gains(model, 0.0)
        force = run(model, u)
        return force, energy(model)

    u = moved(impact_model(body, TINY))
    force, _ = at(u)
    step, largest = 1e-9, np.abs(force).max()
    for node in range(0, len(u), 5):
        for axis in range(2):
            up, down = u.copy(), u.copy()
            up[node, axis] += step
            down[node, axis] -= step
            slope = (at(up)[1] - at(down)[1]) / (2.0 * step)
            assert force[node, axis] == pytest.approx(-slope, rel=2e-5, abs=2e-5 * largest)


def test_analytic_a_rise_of_all_pulls_nowhere_and_forces_add_up(body, model):
    gains(model, 0.2)
    u = np.zeros((model.x.shape[1], kernels.NODE))
    u[:, 1] = 2e-3
    stiff = np.abs(run(impact_model(body, TINY), moved(model))).max()
    assert np.abs(run(model, u)).max() < 1e-9 * stiff
    force = run(model, moved(model))
    assert force[:, 1].sum() == pytest.approx(0.0, abs=1e-12 * np.abs(force).sum())


def test_analytic_networks_follow_the_mean_strain_and_lose_by_the_law(model):
    """A + gain (mean of both Cbar^-1 - A); G/tau (tr(Cbar A) + tr((Cbar A)^-1) - 6)/2 a time."""
    shaken(model)
    gains(model, 0.25)
    before = untiled(model.w)
    u = moved(model)
    run(model, u)
    after = untiled(model.w)
    frr, frz, fzr, fzz, ftt = after[kernels.DEF : kernels.DEF + 5]
    f = np.zeros((len(frr), 3, 3))
    f[:, 0, 0], f[:, 0, 1], f[:, 1, 0], f[:, 1, 1], f[:, 2, 2] = frr, frz, fzr, fzz, ftt
    bar = np.einsum("eki,ekj->eij", f, f) * np.linalg.det(f)[:, None, None] ** (-2.0 / 3.0)
    inverse = np.linalg.inv(bar)

    def tensor(rows, at):
        rr, rz, zz, tt = rows[at : at + 4]
        a = np.zeros((len(rr), 3, 3))
        a[:, 0, 0], a[:, 0, 1], a[:, 1, 0], a[:, 1, 1], a[:, 2, 2] = rr, rz, rz, zz, tt
        return a

    np.testing.assert_allclose(tensor(after, kernels.CBAR_INV), inverse, atol=1e-9)
    mean = 0.5 * (inverse + np.eye(3))
    grown = after[kernels.HG : kernels.HG + 2]  # none before
    lost = np.zeros(len(frr))
    for j in range(2):
        row = kernels.BRANCH + j * kernels.BRANCH_ROWS
        a = tensor(before, row)
        a = a + 0.25 * (mean - a)
        np.testing.assert_allclose(tensor(after, row), a, rtol=1e-9, atol=1e-12)
        at = slice(row + kernels.HG_STRAIN, row + kernels.HG_STRAIN + 2)
        shape = 0.75 * before[at] + (1.0 - 0.125) * grown
        np.testing.assert_allclose(after[at], shape, rtol=1e-9, atol=1e-15)
        both = np.einsum("eij,eij->e", bar, a) - 6.0
        both += np.einsum("eij,eij->e", inverse, np.linalg.inv(a))
        excess = 0.5 * both + before[kernels.HOURGLASS] * (shape**2).sum(axis=0)
        lost += DT * before[row + kernels.MODULUS] * before[row + kernels.RATE] * excess
    np.testing.assert_allclose(after[kernels.DISSIPATED], lost, rtol=1e-9)


def test_analytic_highest_frequency_of_deformed_elements(body, model):
    """Sum over corners of stiffness times the deformed gradients squared; folded ones have none."""
    u = moved(model)
    run(model, u)
    row = untiled(model.w)[:, : len(impact_mesh(body, TINY).quads)]
    frr, frz, fzr, fzz, ftt = row[kernels.DEF : kernels.DEF + 5]
    bound = np.zeros(len(frr))
    for k in range(4):
        b = row[[kernels.BR + k, kernels.BZ + k]].T
        f = np.array([[frr, frz], [fzr, fzz]]).transpose(2, 0, 1)
        c = np.einsum("ej,eji->ei", b, np.linalg.inv(f))
        c[:, 0] += row[kernels.BT + k] / ftt
        bound += row[kernels.STIFF + k] * (c**2).sum(axis=1)
    assert kernels._highest_frequency(model.w) == pytest.approx(bound.max(), rel=1e-9)
    model.w[0, kernels.DEF, 3] = -1.0
    assert kernels._highest_frequency(model.w) == math.inf


def test_shares_follow_the_step(model):
    kernels._set_gain(model.w, model.branches, 3e-6)
    for j in range(2):
        row = kernels.BRANCH + j * kernels.BRANCH_ROWS
        expected = 1.0 - np.exp(-3e-6 * model.w[:, row + kernels.RATE])
        np.testing.assert_allclose(model.w[:, row + kernels.GAIN], expected, rtol=1e-9)


def test_displacements_leave_out_the_rise_of_the_last_node():
    start = np.array([[0.0, 1.0, 2.0], [0.0, 3.0, 4.0]])
    x = start + np.array([[0.1, 0.2, 0.3], [0.5, 0.7, 1.0]])
    u = np.zeros((3, kernels.NODE))
    kernels._displace(x, start, u)
    np.testing.assert_allclose(u[:, 0], [0.1, 0.2, 0.3])
    np.testing.assert_allclose(u[:, 1], [-0.5, -0.3, 0.0])


def test_analytic_the_wall_stops_what_would_end_below_it():
    """The push ends a node on the wall; its work is the force times the mean speed's way."""
    x = np.array([[0.0, 0.0, 0.0], [1e-6, 1e-3, 2e-6]])
    v = np.array([[0.0, 0.0, 0.0], [-3.0, -2.0, -4.0]])
    inverse_mass = np.array([[1.0, 1.0, 1.0], [2e4, 3e4, 4e4]])
    force = np.array([[0.0, 5.0, 0, 0], [0.0, 6.0, 0, 0], [0.0, 7.0, 0, 0]])
    mid, dt = 1.5e-6, 2e-6
    old = v[1] - mid * force[:, 1] * inverse_mass[1]
    before = v.copy()
    total, work = kernels._stop_at_wall(x, v, force, inverse_mass, np.array([0, 1, 2]), mid, dt)
    np.testing.assert_allclose((x + dt * v)[1, [0, 2]], 0.0, atol=1e-18)
    assert v[1, 1] == -2.0
    push = (v - before)[1] / (mid * inverse_mass[1])
    assert total == pytest.approx(push.sum())
    assert work == pytest.approx(float((mid * push * 0.5 * (old + v[1])).sum()))


def test_a_ball_moves_away_when_its_momentum_rises():
    inverse_mass = np.array([[0.0, 0.0], [1.0, 0.25]])
    assert kernels._moves_away(np.array([[0.0, 0.0], [-3.0, 1.0]]), inverse_mass)
    assert not kernels._moves_away(np.array([[9.0, 9.0], [-5.0, 1.0]]), inverse_mass)


H = 2.0**-20  # s: a step of power two, so that times are exact


def bounced(monkeypatch, pushes, frequency=None, room=64, safety=0.5, away=True):
    """March one node under a force of 3 N along both axes, by a wall that pushes by script."""
    seen = {"forces": [], "gains": [], "walls": []}

    def element_forces(w, corner, u, branches, dt, force):
        seen["forces"].append((dt, u[0, :2].copy()))
        force[:] = 3.0

    def highest_frequency(w):
        step = len(seen["forces"]) - 1
        return 2.0**40 if frequency is None else frequency(step)

    def stop_at_wall(x, v, force, inverse_mass, surface, mid, dt):
        seen["walls"].append((mid, dt))
        push = pushes.get(len(seen["walls"]), 0.0)
        return push, -0.5 * push

    monkeypatch.setattr(kernels, "_element_forces", element_forces)
    monkeypatch.setattr(kernels, "_highest_frequency", highest_frequency)
    monkeypatch.setattr(kernels, "_set_gain", lambda w, branches, dt: seen["gains"].append(dt))
    monkeypatch.setattr(kernels, "_stop_at_wall", stop_at_wall)
    monkeypatch.setattr(kernels, "_moves_away", lambda v, inverse: away)
    start = np.array([[0.25, 0.0], [0.5, 1.0]])
    x, v = start.copy(), np.array([[2.0, 0.0], [-4.0, 0.0]])
    inverse_mass = np.array([[2.0, 0.0], [8.0, 0.0]])  # the second node stands still
    history = np.full((2, room), np.nan)
    found = kernels._impact(
        np.zeros((1, 1, 8)), None, start, x, v, inverse_mass, None, 2, safety, history
    )
    return found, x, v, history, seen


def test_an_impact_ends_a_twentieth_after_the_last_touch_if_the_ball_moves_away(monkeypatch):
    pushes = dict.fromkeys(range(1, 41), 5.0)
    (steps, left, work), *_, history, _ = bounced(monkeypatch, pushes)
    assert (steps, left, work) == (43, True, -0.5 * 5.0 * 40)  # 40 * 1.05 = 42
    np.testing.assert_array_equal(history[0, :43], np.arange(1, 44) * H)
    impulse = np.minimum(np.arange(1, 44), 40) * H * 5.0
    impulse -= 0.5 * H * 5.0  # the first step is half a step from rest
    np.testing.assert_allclose(history[1, :43], impulse)
    (steps, left, _), *_ = bounced(monkeypatch, pushes, away=False)
    assert (steps, left) == (64, False)  # the steps ran out
    # A graze of a single node counts as a touch, too.
    (steps, left, _), *_ = bounced(monkeypatch, {**pushes, 42: 1e-9})
    assert (steps, left) == (45, True)


def test_the_step_is_renewed_every_ten_steps(monkeypatch):
    """Twice the safety over the frequency; velocities go by the mean of both steps."""
    *_, history, seen = bounced(
        monkeypatch, {1: 1.0}, lambda step: 2.0**40 if step < 10 else 2.0**42, room=12, away=False
    )
    assert seen["gains"] == [H, 0.5 * H]
    assert [mid / H for mid, _ in seen["walls"]] == [0.5, *[1.0] * 9, 0.75, 0.5]
    assert [dt / H for _, dt in seen["walls"]] == [*[1.0] * 10, 0.5, 0.5]
    # The elements are brought to where the nodes are, by the step that led there.
    assert [dt / H for dt, _ in seen["forces"]] == [0.0, *[1.0] * 10, 0.5, 0.5]
    assert history[0, -1] == 11 * H


@pytest.mark.parametrize(("square", "steps"), [(2499.0, 20), (2501.0, 10), (math.inf, 10)])
def test_a_step_of_a_fiftieth_of_the_first_is_the_shortest(monkeypatch, square, steps):
    (found, left, _), *_ = bounced(
        monkeypatch, {1: 1.0}, lambda step: 2.0**40 * (square if step >= 10 else 1.0),
        room=20, away=False,
    )  # fmt: skip
    assert (found, left) == (steps, False)


def test_the_longest_step_so_far_counts_as_the_first(monkeypatch):
    """A ball that eases before it is crushed: a 25th of the longest is a 50th no more."""
    squares = {0: 4.0, 10: 1.0, 20: 2600.0}
    (found, _, _), *_ = bounced(
        monkeypatch, {1: 1.0}, lambda step: 2.0**40 * squares.get(step, 1.0), room=30, away=False
    )
    assert found == 20


def test_analytic_nodes_move_under_constant_force_and_end_level_in_time(monkeypatch):
    """v = v0 + a t and x = x0 + v0 t + a t^2 / 2 at the same instant; the second node stays."""
    _, x, v, _, seen = bounced(monkeypatch, {1: 1.0}, room=16, away=False)
    time, pull = 16 * H, 3.0 * np.array([2.0, 8.0])
    np.testing.assert_allclose(v[:, 0], [2.0, -4.0] + pull * time, rtol=1e-12)
    way = np.array([2.0, -4.0]) * time + 0.5 * pull * time**2
    np.testing.assert_allclose(x[:, 0], np.array([0.25, 0.5]) + way, rtol=1e-12)
    np.testing.assert_array_equal(x[:, 1], [0.0, 1.0])
    assert len(seen["forces"]) == 17
    np.testing.assert_allclose(seen["forces"][-1][1], way, rtol=1e-9)
