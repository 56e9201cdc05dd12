"""Settings that reach a target, where the nearest are known in closed form."""

import itertools
import math

import numpy as np
import pytest

from layers.compound import reach as module
from layers.compound.reach import reach
from layers.compound.response import fit_surface, predict
from layers.compound.trials import SETTINGS, Trials
from layers.errors import InputError, SolverError

MIDDLE, HALF = np.array([30.0, 1.0, 12.0, 160.0]), np.array([10.0, 0.4, 4.0, 10.0])
PLANE = np.array([-0.35, -0.12, 0.06, -0.2])
NAMES = tuple(SETTINGS)


def at(coded):
    return dict(zip(NAMES, (MIDDLE + HALF * np.asarray(coded)).tolist(), strict=True))


def coded_of(settings):
    return (np.array([settings[name] for name in NAMES]) - MIDDLE) / HALF


def surface_of(truth, scatter=1e-6):
    """Fit trials of four settings, all corners, and the middles of two faces."""
    rng = np.random.default_rng(7)
    corners = [*itertools.product((-1.0, 1.0), repeat=4)]
    faces = [s * e for e in np.eye(4)[:2] for s in (-1.0, 1.0)]
    coded = np.array([*corners, *faces, *np.zeros((3, 4))])
    value = np.exp([truth(x) for x in coded] + scatter * rng.standard_normal(len(coded)))
    names = tuple(f"T{n}" for n in range(len(coded)))
    return fit_surface(Trials(names, MIDDLE + HALF * coded, "deflection_mm", value, 38.0))


@pytest.fixture(scope="module")
def plane():
    return surface_of(lambda x: 1.0 + PLANE @ x)


@pytest.fixture(scope="module")
def bowl():
    return surface_of(lambda x: 1.0 + 0.4 * x[0] ** 2 + 0.01 * x[1] + 0.01 * x[2] + 0.01 * x[3])


@pytest.mark.parametrize("free", [(0,), (3, 1), (2, 0, 1), (0, 1, 2, 3)])
def test_analytic_the_nearest_on_a_plane_is_the_foot_of_the_perpendicular(plane, free):
    start, step = np.array([0.2, -0.1, 0.1, 0.05]), 0.1
    slope = np.zeros(4)
    slope[list(free)] = PLANE[list(free)]
    target = math.exp(1.0 + PLANE @ start + step)
    found = reach(plane, target, at(start), [NAMES[j] for j in free])
    foot = start + step * slope / (slope @ slope)
    assert coded_of(found.settings) == pytest.approx(foot, abs=1e-4)
    assert found.prediction.value == pytest.approx(target, rel=1e-5)
    assert found.prediction.level == 0.95
    assert list(found.within) == [NAMES[j] for j in free]


def test_analytic_a_setting_at_its_end_leaves_the_rest_to_the_others(plane):
    """The foot lies beyond the first setting's end, which then stays there."""
    step = PLANE[:2] @ [1.0, 0.5]
    found = reach(plane, math.exp(1.0 + step), at(np.zeros(4)), NAMES[:2])
    assert (step * PLANE[0] / (PLANE[:2] @ PLANE[:2])) > 1.0  # beyond, without the end
    assert coded_of(found.settings) == pytest.approx([1.0, 0.5, 0.0, 0.0], abs=1e-4)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_analytic_of_two_sides_of_a_bowl_the_nearer_is_taken(bowl, side):
    found = reach(bowl, math.exp(1.1), at([0.1 * side, 0.0, 0.0, 0.0]), NAMES[:1])
    assert coded_of(found.settings)[0] == pytest.approx(0.5 * side, abs=1e-3)


def test_analytic_the_ends_of_reach_are_reached_and_no_more(plane, bowl):
    ends = [math.exp(1.0 + sign * abs(PLANE[:2]).sum()) for sign in (-1.0, 1.0)]
    for end, inward, corner in zip(ends, (1e-4, -1e-4), (1.0, -1.0), strict=True):
        found = reach(plane, end * (1.0 + inward), at(np.zeros(4)), NAMES[:2])
        assert coded_of(found.settings)[:2] == pytest.approx([corner, corner], abs=3e-3)
        with pytest.raises(InputError) as refused:
            reach(plane, end * (1.0 - inward), at(np.zeros(4)), NAMES[:2])
        assert str(refused.value) == (
            f"target deflection_mm is {end * (1.0 - inward):g}, but the free settings reach from "
            f"{ends[0]:.4g} to {ends[1]:.4g} mm within the trials' ranges."
        )
    # The bottom of the bowl lies inside: it is found, not the nearest point of a grid.
    with pytest.raises(InputError, match=f"reach from {math.e:.4g} to {math.exp(1.4):.4g} mm"):
        reach(bowl, 2.0, at(np.zeros(4)), NAMES[:1])


@pytest.mark.parametrize("target", [0.0, -1.0, math.nan])
def test_a_target_that_is_no_stiffness_is_refused(plane, target):
    with pytest.raises(InputError, match="but the free settings reach"):
        reach(plane, target, at(np.zeros(4)), NAMES[:1])


def test_free_settings_are_some_that_varied(plane):
    with pytest.raises(InputError) as found:
        reach(plane, 2.7, at(np.zeros(4)), [])
    assert str(found.value) == (
        "free settings are none, but must be among those that varied over the trials: "
        f"{', '.join(NAMES)}."
    )
    with pytest.raises(InputError, match="free settings are coagent_phr, oven, but"):
        reach(plane, 2.7, at(np.zeros(4)), ["coagent_phr", "oven"])
    with pytest.raises(InputError, match="level is 1, but must be between 0 and 1"):
        reach(plane, 2.7, at(np.zeros(4)), ["coagent_phr"], level=1.0)


def test_precision_of_a_setting_is_where_the_interval_leaves_the_target():
    surface = surface_of(lambda x: 1.0 + PLANE @ x, scatter=0.02)
    found = reach(surface, math.e, at(np.zeros(4)), NAMES[:2], level=0.8)
    low, high = found.within["coagent_phr"]
    inside = found.settings["coagent_phr"]
    assert MIDDLE[0] - HALF[0] < low < inside < high < MIDDLE[0] + HALF[0]
    for end, side in ((low, "low"), (high, "high")):
        edge = predict(surface, found.settings | {"coagent_phr": end}, 0.8)
        assert getattr(edge, side) == pytest.approx(math.e, rel=1e-6)
    # Peroxide moves the mean less than the scatter: it is known to within the trials' range only.
    wide = reach(surface_of(lambda x: 1.0 + PLANE @ x, scatter=0.2), math.e, at(np.zeros(4)), NAMES)
    assert wide.within["peroxide_phr"] == pytest.approx((0.6, 1.4), rel=1e-12)


def test_what_no_descent_reaches_is_no_answer(plane, monkeypatch):
    true = module.minimize

    def off(*args, **more):
        found = true(*args, **more)
        found.x = found.x + (1e-4 if more.get("method") else 0.0)
        return found

    monkeypatch.setattr(module, "minimize", off)
    with pytest.raises(SolverError, match=r"no settings were found for 2\.7, though it is within"):
        reach(plane, 2.7, at(np.zeros(4)), NAMES[:1])
