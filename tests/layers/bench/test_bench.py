"""The bench: each test is run once, and what was computed elsewhere is not run at all."""

from types import SimpleNamespace

import pytest

from layers.ball import Ball, Layer
from layers.bench.bench import Bench, Impacts
from layers.conditions import Conditions, Weather
from layers.errors import SolverError
from layers.flight import influence, trajectory, uncertainty
from layers.flight.air import humid_air
from layers.impact import barrier
from layers.mass import inertia
from layers.strike import strike
from tests.layers.flight.test_influence import Known

BALL = Ball(
    layer=(
        Layer(role="core", outer_diameter_mm=39.0, material="core rubber, soft"),
        Layer(role="cover", outer_diameter_mm=42.7, material="ionomer, firm"),
    ),
    dimple_pattern="a",
)
LAUNCH = SimpleNamespace(ball_speed=60.0, launch_angle=0.25, spin=250.0, flag="")


def bench(conditions=None, stage=2, given=None, level="default"):
    return Bench(BALL, stage, conditions or Conditions(), level, given)


def counted(monkeypatch, module, name, answer):
    """Replace a computation by an answer of its arguments, and list what it is asked."""
    asked = []

    def run(*args, **more):
        asked.append((args, more))
        return answer(*args, **more)

    monkeypatch.setattr(module, name, run)
    return asked


def test_an_impact_is_computed_once_a_speed_of_its_stage_mesh_and_precision(monkeypatch):
    asked = counted(monkeypatch, barrier, "barrier_impact", lambda body, speed, *rest: [speed])
    found = bench(Conditions(precision="double"), stage=1, level="fine")
    assert found.impact(30.0) is found.impact(30.0)
    assert found.impact(40.0) == [40.0]
    assert [args[1:] for args, _ in asked] == [(30.0, "fine", "double"), (40.0, "fine", "double")]
    assert all(len(args[0].outer_radius) == 1 for args, _ in asked)


def test_a_launch_is_computed_once_a_swing(monkeypatch):
    asked = counted(monkeypatch, strike, "club_impact", lambda *args: object())
    found = bench()
    assert found.launch("driver fast") is found.launch("driver fast")
    assert found.launch("driver slow") is not found.launch("driver fast")
    assert [args[1] for args, _ in asked] == [
        Conditions().swings.find(name).strike() for name in ("driver fast", "driver slow")
    ]
    assert [args[2:] for args, _ in asked] == [("default", "single")] * 2


def test_impacts_from_elsewhere_are_taken_by_stage_and_name_or_say_why_there_are_none(monkeypatch):
    def never(*args, **more):
        raise AssertionError("computed again")

    for module, name in (
        (strike, "club_impact"), (barrier, "barrier_impact"), (trajectory, "fly")
    ):  # fmt: skip
        monkeypatch.setattr(module, name, never)
    flight, impact = object(), object()
    given = Impacts(
        launches={(2, "driver fast"): LAUNCH, (2, "driver slow"): SolverError("folded")},
        flights={(2, "driver fast"): flight},
        barrier={(2, 30.0): impact, (2, 40.0): SolverError("stuck")},
    )
    found = bench(given=given)
    assert found.launch("driver fast") is LAUNCH
    assert found.flight("driver fast") is flight
    assert found.impact(30.0) is impact
    with pytest.raises(SolverError, match="folded"):
        found.launch("driver slow")
    with pytest.raises(SolverError, match="stuck"):
        found.impact(40.0)
    for other in (bench(given=given, stage=1), bench()):
        with pytest.raises(AssertionError, match="computed again"):
            other.impact(30.0)
        with pytest.raises(AssertionError, match="computed again"):
            other.launch("driver fast")


def test_a_flight_is_of_the_ball_in_its_swing_s_weather_under_its_pattern_s_law(monkeypatch):
    asked = counted(monkeypatch, trajectory, "fly", lambda *args, **more: object())
    law, air = Known(), humid_air(30.0, 1000.0, 20.0)
    conditions = Conditions(
        patterns={"a": law}, by_swing={"driver fast": Weather(air, (1.0, 2.0, 3.0))}
    )
    given = Impacts(launches={(2, name): LAUNCH for name in ("driver fast", "driver slow")})
    found = bench(conditions, given=given)
    assert found.flight("driver fast") is found.flight("driver fast")
    found.flight("driver slow")
    assert len(asked) == 2
    for (launch, more), weather in zip(
        asked, ((air, (1.0, 2.0, 3.0)), (None, (0.0,) * 3)), strict=True
    ):
        assert launch == (60.0, 0.25, 250.0)
        assert (more["air"], more["wind"]) == weather
        assert more["law"] is law
        assert more["mass"] == pytest.approx(inertia.mass(BALL.body()))
        assert more["diameter"] == pytest.approx(0.0427)


def test_topspin_flies_and_errs_as_no_spin(monkeypatch):
    flown = counted(monkeypatch, trajectory, "fly", lambda *args, **more: object())
    erred = counted(monkeypatch, influence, "influence", lambda *args, **more: object())
    monkeypatch.setattr(uncertainty, "flight_spread", lambda found, law: (found, law))
    air = humid_air(30.0, 1000.0, 20.0)
    made = Conditions(law=Known(), air=air, wind=(1.0, 2.0, 3.0))
    for spin, flies in ((-5.0, 0.0), (0.5, 0.5)):
        launch = SimpleNamespace(ball_speed=60.0, launch_angle=0.25, spin=spin, flag="")
        found = bench(made, given=Impacts(launches={(2, "driver fast"): launch}))
        found.flight("driver fast")
        assert found.spread("driver fast") is found.spread("driver fast")
        for asked in (flown, erred):
            launched, more = asked[-1]
            assert launched == (60.0, 0.25, flies)
            assert (more["air"], more["wind"], more["law"]) == (air, (1.0, 2.0, 3.0), made.law)
            assert more["mass"] == pytest.approx(inertia.mass(BALL.body()))
            assert more["diameter"] == pytest.approx(0.0427)
    assert (len(flown), len(erred)) == (2, 2)


def test_under_another_pattern_only_flights_are_anew(monkeypatch):
    asked = counted(monkeypatch, trajectory, "fly", lambda *args, **more: object())
    one, two = Known(), Known()
    given = Impacts(launches={(2, "driver fast"): LAUNCH}, flights={(2, "driver fast"): object()})
    found = bench(Conditions(patterns={"a": one, "b": two}), given=given)
    other = found.under("b")
    flown = other.flight("driver fast")
    assert [more["law"] for _, more in asked] == [two]
    assert found.flight("driver fast") is given.flights[2, "driver fast"] is not flown
    assert other.launch("driver fast") is LAUNCH
    assert other.spread("driver fast") is not found.spread("driver fast")
    assert (found.pattern, other.pattern) == ("a", "b")


def test_errors_of_a_flight_are_those_of_a_measured_law_and_kept():
    given = Impacts(launches={(2, name): LAUNCH for name in ("driver fast", "driver slow")})
    found = bench(Conditions(law=Known()), given=given)
    assert found.spread("driver fast") is found.spread("driver fast")
    # Two flights alike share all that is not known of the law.
    between = found.spread_between("driver fast", "driver slow")
    assert between.half_width[0] < 1e-6 * found.spread("driver fast").half_width[0]
    plain = bench(given=given)
    assert plain.spread("driver fast") is None
    assert plain.spread_between("driver fast", "driver slow") is None


def test_a_pattern_without_data_is_told():
    assert bench().pattern_caution == "no drag and lift are given for dimple pattern 'a'"
    assert bench(Conditions(patterns={"a": Known()})).pattern_caution == ""
    plain = BALL.model_copy(update={"dimple_pattern": ""})
    assert Bench(plain, 2, Conditions(), "default").pattern_caution == ""


def test_only_the_whole_ball_is_finished():
    assert [bench(stage=count).finished for count in (1, 2)] == [False, True]
    assert bench(stage=1).diameter == pytest.approx(0.039)
    assert bench().diameter == pytest.approx(0.0427)
    assert bench(Conditions(production="lab")).production == "lab"
    assert bench().club("driver") == Conditions().swings.of_club("driver")
