"""Figures whose impacts were computed elsewhere are those of the compiled Python.

Kind: published comparison, on a small mesh; and refusals.
"""

import builtins
import sys
from dataclasses import replace

import pytest

from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimation import estimate
from layers.gpu import many
from layers.gpu.many import devices_for, estimate_many, impacts_behind, impacts_on
from layers.strike.settings import LEVELS
from tests.helpers.builds import random_balls
from tests.helpers.marching import SMALL, Here, needs_compiler

NAMES = (
    "mass_g",
    "wedge full fast.spin_rpm",
    "wedge full fast.carry_m",
    "wedge full fast.smash_factor",
    "stage1.mass_g",
)


@needs_compiler
def test_figures_are_those_of_the_cpu(monkeypatch):
    monkeypatch.setitem(LEVELS, "default", SMALL)
    monkeypatch.setattr(many, "devices_for", lambda place: (Here(),) if place == "gpu" else None)
    monkeypatch.setattr(many, "CHUNK", 2)
    balls = random_balls(3, 7)
    double = Conditions().in_double()
    here = estimate_many(balls, NAMES, conditions=double)
    there = estimate_many(balls, NAMES, device="gpu", conditions=double)
    for a, b in zip(here, there, strict=True):
        assert list(a.figures) == list(b.figures)
        assert a.failed == b.failed
        for name, figure in a.figures.items():
            assert b.figures[name].value == pytest.approx(figure.value, rel=1e-11)
            assert b.figures[name].flag == figure.flag


def test_a_launch_that_broke_down_fails_its_figures_alone():
    [ball] = random_balls(1, 7)
    conditions = Conditions()
    behind = impacts_behind(NAMES[:4], 2, conditions)
    assert set(behind.launches) == {(2, "wedge full fast")} == set(behind.flights)
    given = type(behind)({(2, "wedge full fast"): InputError("not to be had")})
    found = estimate(ball, NAMES[:4], conditions, given=given)
    assert set(found.figures) == {"mass_g"}
    assert set(found.failed.values()) == {"not to be had"}


@needs_compiler
def test_a_launch_that_cannot_fly_fails_alone(monkeypatch):
    monkeypatch.setitem(LEVELS, "default", SMALL)
    balls, names = random_balls(3, 7), ("wedge full fast.carry_m",)
    sound = estimate_many(balls, names, device="cpu", conditions=Conditions().in_double())
    read = many.Batch.outcomes

    def outcomes(batch):
        found = read(batch)
        found[1] = [replace(found[1][0], launch_angle=-0.01)]
        return found

    monkeypatch.setattr(many, "devices_for", lambda place: (Here(),))
    monkeypatch.setattr(many.Batch, "outcomes", outcomes)
    found = estimate_many(balls, names, device="gpu", conditions=Conditions().in_double())
    assert "launch_angle, value 1, is -0.01 rad" in found[1].failed[names[0]]
    for i in (0, 2):
        assert found[i][names[0]].value == pytest.approx(sound[i][names[0]].value, rel=1e-11)


def test_impacts_are_listed_by_stage_swing_and_speed():
    names = ("driver.carry_range_m", "cor@38.1", "cor_slope@30-45", "wedge full fast.spin_rpm")
    behind = impacts_behind(names, 2, Conditions())
    players = Conditions().swings.of_club("driver")
    assert set(behind.flights) == {(2, swing) for swing in players}
    assert set(behind.launches) == {*behind.flights, (2, "wedge full fast")}
    assert set(behind.barrier) == {(2, 38.1), (2, 30.0), (2, 45.0)}


def test_no_requests_are_no_impacts():
    assert list(impacts_on((Here(),), [], Conditions())) == []


def test_without_the_library_one_sentence_and_no_silent_fallback(monkeypatch):
    own = builtins.__import__

    def absent(name, *rest, **more):
        if name == "cupy":
            raise ImportError("no cupy")
        return own(name, *rest, **more)

    monkeypatch.delitem(sys.modules, "cupy", raising=False)
    monkeypatch.setattr(builtins, "__import__", absent)
    with pytest.raises(InputError, match=r"CuPy, which is not installed: pip install"):
        devices_for("gpu")
    told = []
    assert devices_for("gpu-or-cpu", told.append) is None
    assert told[0].startswith("The CPU computes: ")
    assert devices_for("cpu") is None


def test_an_unknown_device_is_refused():
    with pytest.raises(InputError, match="device is 'tpu', but must be one of: cpu, gpu"):
        devices_for("tpu")
