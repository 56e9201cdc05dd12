"""The check of a card against the CPU: its builds, and what counts as passed."""

from types import SimpleNamespace

import numpy as np
import pytest

from layers.errors import SolverError
from layers.gpu import check as module
from layers.gpu.check import LIMITS, SWINGS, check, check_builds
from layers.strike.launch import Contact, Launch
from layers.strike.swings import find_swing

NONE = np.empty(0)


def launch(speed, angle=0.2, spin=300.0, flag=""):
    return Launch(
        ball_speed=speed,
        launch_angle=angle,
        spin=spin,
        contact_time=4e-4,
        peak_deformation=0.01,
        club_speed_after=30.0,
        club_turn_rate=0.0,
        history=Contact(NONE, NONE, NONE, NONE, NONE),
        energy={},
        momentum_residual=0.0,
        flag=flag,
    )


def checked(monkeypatch, runs, expected, precision="single"):
    """Check a device whose batches come to these launches, one run after the other."""
    left = iter(runs)
    asked = []

    def batch(device, wanted, precision, level):
        asked.append((device, [len(one.strikes) for one in wanted], precision, level))
        return SimpleNamespace(outcomes=lambda: next(left))

    monkeypatch.setattr(module, "Batch", batch)
    found = check("a card", ["body"], expected, precision)
    assert asked == [("a card", [len(SWINGS)], precision, "default")] * 2
    return found


def test_differences_flags_and_repeats_are_told(monkeypatch):
    expected = [launch(60.0), launch(50.0)]
    run = [[launch(60.0 * (1 + 3e-5), spin=300.3), launch(50.0 * (1 - 4e-5), angle=0.2 - 6e-5)]]
    found = checked(monkeypatch, [run, run], expected)
    assert found.largest == pytest.approx([4e-5, 3e-4, 1e-3], rel=1e-6)
    rms = [np.sqrt((9 + 16) / 2) * 1e-5, 3e-4 / np.sqrt(2), 1e-3 / np.sqrt(2)]
    assert found.root_mean_square == pytest.approx(rms, rel=1e-6)
    assert found.passed
    assert found.repeats
    assert found.flags == 0
    assert found.per_second > 0.0
    assert found.precision == "single"
    np.testing.assert_array_equal(found.figures[:, 0], [60.0 * (1 + 3e-5), 50.0 * (1 - 4e-5)])
    clock = iter([100.0, 100.5])
    monkeypatch.setattr(module.time, "perf_counter", lambda: next(clock))
    assert checked(monkeypatch, [run, run], expected).per_second == 2 / 0.5
    monkeypatch.undo()
    assert not checked(monkeypatch, [run, run], expected, "double").passed


@pytest.mark.parametrize("precision", LIMITS)
@pytest.mark.parametrize("figure", range(3))
def test_each_limit_counts(monkeypatch, figure, precision):
    """An angle of 0.25 and a spin of 256 keep the digits that the narrowest limit asks for."""
    right = np.array([64.0, 0.25, 256.0])
    for share, passed in ((0.99, True), (1.01, False)):
        off = right.copy()
        off[figure] *= 1.0 + share * LIMITS[precision][figure]
        run = [[launch(*off)]]
        assert checked(monkeypatch, [run, run], [launch(*right)], precision).passed == passed


def test_another_flag_or_another_second_run_fails(monkeypatch):
    right, flagged, next_bit = launch(60.0), launch(60.0, flag="slow"), launch(60.0 + 1e-13)
    found = checked(monkeypatch, [[[flagged]], [[flagged]]], [right])
    assert found.flags == 1
    assert not found.passed
    found = checked(monkeypatch, [[[right]], [[next_bit]]], [right])
    assert not found.repeats
    assert not found.passed


def test_an_impact_that_breaks_down_is_raised(monkeypatch):
    with pytest.raises(SolverError, match="crushed"):
        checked(monkeypatch, [[[SolverError("crushed")]]], [launch(60.0)])


def test_the_builds_are_the_same_ones_of_two_to_five_layers():
    bodies = check_builds(40)
    assert [len(body.density) for body in bodies] == [2, 3, 4, 5] * 10
    again = check_builds(40)
    assert all(
        (a.shear_modulus == b.shear_modulus).all() for a, b in zip(bodies, again, strict=True)
    )
    for body in bodies:
        thick = np.diff(2e3 * body.outer_radius) / 2.0
        assert 2e3 * body.outer_radius[-1] == pytest.approx(42.67)
        assert 0.5 <= thick[-1] <= 2.0  # the cover
        young = 2e-6 * body.shear_modulus * (1.0 + poisson(body))
        assert 25.0 <= young[-1] <= 400.0
        if len(thick) > 1:
            assert 0.8 <= thick[-2] <= 2.0  # a mantle
            assert 40.0 <= young[-2] <= 400.0
        cores = slice(0, 1 if len(thick) < 3 else 2)
        assert ((young[cores] >= 15.0) & (young[cores] <= 110.0)).all()
        if len(thick) > 2:
            assert 15.0 <= 2e3 * body.outer_radius[0] <= 30.0
    inner = [2e3 * body.outer_radius[0] for body in bodies if len(body.density) == 5]
    assert min(inner) < 20.0 < 25.0 < max(inner)
    covers = [np.diff(body.outer_radius)[-1] for body in bodies]
    assert max(covers) - min(covers) > 1e-3


class Edge:
    """A generator whose draws are all at one end of their range."""

    def __init__(self, end):
        self.end = end

    def uniform(self, low, high):
        return (low, high)[self.end]


@pytest.mark.parametrize(
    ("end", "moduli", "thickness", "inner"),
    [(0, (15.0, 40.0, 25.0), (0.8, 0.5), 15.0), (1, (110.0, 400.0, 400.0), (2.0, 2.0), 30.0)],
)
def test_ranges_of_the_builds(end, moduli, thickness, inner):
    """Young's moduli, MPa, of cores, mantles and cover; thickness, mm, of mantles and the cover."""
    core, mantle, cover = moduli
    for count, expected in (
        (2, (core, cover)),
        (3, (core, mantle, cover)),
        (4, (core, core, mantle, cover)),
        (5, (core, core, mantle, mantle, cover)),
    ):
        ball = module._drawn(Edge(end), count)
        found = [layer.material.youngs_modulus_mpa for layer in ball.layer]
        assert [getattr(value, "value", value) for value in found] == pytest.approx(expected)
        sizes = np.array([layer.outer_diameter_mm for layer in ball.layer])
        assert sizes[-1] == 42.67
        mantles = max(count - 2 if count < 4 else count - 3, 0)
        thin = [thickness[0]] * mantles + [thickness[1]]
        np.testing.assert_allclose(np.diff(sizes)[-len(thin) :] / 2.0, thin)
        if count >= 4:
            assert sizes[0] == inner


def test_a_hundred_builds_are_struck_by_four_swings(monkeypatch):
    monkeypatch.setattr(module, "_drawn", lambda rng, count: SimpleNamespace(body=lambda: count))
    assert check_builds() == [2, 3, 4, 5] * 25
    assert len(SWINGS) == 4
    asked = []

    def club_impact(body, strike, precision):
        asked.append((body, strike, precision))
        return len(asked)

    monkeypatch.setattr(module, "club_impact", club_impact)
    assert module.on_cpu([2, 3]) == list(range(1, 9))
    strikes = [find_swing(name).strike() for name in SWINGS]
    assert asked == [(body, strike, "double") for body in (2, 3) for strike in strikes]


@pytest.mark.parametrize("off", [0.0, 1e-9])
def test_devices_together_give_the_same_bits_or_not(monkeypatch, off):
    def batch(device, wanted, precision, level):
        assert (len(wanted), precision, level) == (2, "single", "default")
        found = [[launch(60.0), launch(50.0)], [launch(40.0), launch(30.0 + device * off)]]
        return SimpleNamespace(outcomes=lambda: found)

    monkeypatch.setattr(module, "Batch", batch)
    clock = iter([100.0, 104.0])
    monkeypatch.setattr(module.time, "perf_counter", lambda: next(clock))
    found = module.together([0, 1, 2], ["a", "b"], "single")
    assert (found.precision, found.same) == ("single", off == 0.0)
    assert found.per_second == 3 * 4 / 4.0


def poisson(body):
    k, g = body.bulk_modulus, body.shear_modulus
    return (3 * k - 2 * g) / (2 * (3 * k + g))
