"""The public entry point: names of figures, stages, failures, batches."""

import math
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from layers.ball import Ball, Layer
from layers.bench.bench import Bench, Impacts
from layers.conditions import Conditions, Expected
from layers.errors import InputError, SolverError
from layers.estimation import estimate, estimate_patterns
from layers.figures import BALL_FIGURES, QUANTITIES, parse_figure
from layers.flight.aerodynamics import ferguson_2022
from layers.flight.trajectory import fly
from layers.flight.turf import bounce_and_roll
from layers.gpu.many import estimate_many
from layers.hardness import hardness_from_modulus
from layers.impact.barrier import initial_velocity
from layers.mass import inertia
from layers.strike import strike
from layers.strike.strike import Launch
from tests.helpers.builds import random_balls
from tests.layers.flight.test_influence import Known

EXACT = ("mass_g", "diameter_mm", "moi_g_cm2", "moi_ratio", "mean_density_g_cm3")


def test_an_estimate_keeps_canonical_names_and_answers_to_any():
    made = estimate(random_balls(1, seed=3)[0], ("MOI", "Mass"))
    assert tuple(made.figures) == ("moi_g_cm2", "mass_g")
    assert made["moment of inertia"] is made["moi_g_cm2"]


def test_stage_figures_are_those_of_the_stage():
    ball = random_balls(1, seed=3)[0]
    made = estimate(ball, ("stage1.mass_g", "mass_g"))
    assert made["stage1.mass_g"].value == pytest.approx(
        1e3 * inertia.mass(ball.stage(1).body()), rel=1e-14
    )
    assert made["stage1.mass_g"].value < made["mass_g"].value
    with pytest.raises(InputError, match="stage is 6"):
        estimate(ball, ("stage6.mass_g",))


def test_a_failure_is_never_a_number(monkeypatch):
    def broken(self, speed):
        raise SolverError("the mesh folded over")

    monkeypatch.setattr(Bench, "impact", broken)
    ball = random_balls(1, seed=3)[0]
    made = estimate(ball, ("cor", "mass_g"))
    assert "cor" not in made.figures
    assert made.failed == {"cor": "the mesh folded over"}
    with pytest.raises(SolverError, match="was not computed: the mesh folded over"):
        made["cor"]
    assert made["mass_g"].value > 0


def test_every_figure_says_basis_and_error():
    made = estimate(random_balls(1, seed=5)[0])
    assert tuple(made.figures) == BALL_FIGURES
    for name, figure in made.figures.items():
        assert figure.unit == QUANTITIES[name].unit
        assert figure.basis in ("closed form", "finite element")
        assert figure.absolute_error > figure.difference_error >= 0.0
        assert (figure.basis == "finite element") == (name not in EXACT)


def test_batches_and_processes_agree_to_the_last_bit():
    balls = random_balls(3, seed=8)
    names = ("deflection_mm", "cor")
    here = estimate_many(balls, names)
    with ProcessPoolExecutor(2) as pool:
        there = estimate_many(balls, names, pool.map)
    assert [e.as_record() for e in here] == [e.as_record() for e in there]


def test_topspin_off_the_club_flies_as_no_spin(monkeypatch):
    """The laws know no downward lift: a flight starts with no spin, the launch keeps its figure."""

    def struck(spin):
        launch = Launch(60.0, 0.3, spin, 5e-4, 2e-3, 30.0, 0.0, None, {}, 0.0, "")
        monkeypatch.setattr(strike, "club_impact", lambda *asked: launch)
        names = [f"driver fast.{figure}" for figure in ("spin_rpm", "carry_m", "landing_spin_rpm")]
        made = estimate(random_balls(1, seed=3)[0], names)
        assert not made.failed
        return [made[name].value for name in names]

    spin, *flown = struck(-300.0)
    assert spin == pytest.approx(-300.0 * 30.0 / math.pi)
    _, *without = struck(0.0)
    assert flown == without
    # Guard: as much backspin carries elsewhere.
    _, *back = struck(300.0)
    assert back[0] > without[0] + 0.1


def test_figures_of_a_flight_are_those_of_fly_in_their_units(monkeypatch):
    launch = Launch(60.0, 0.3, 300.0, 5e-4, 2e-3, 30.0, 0.0, None, {}, 0.0, "")
    monkeypatch.setattr(strike, "club_impact", lambda *asked: launch)
    ball, club = random_balls(1, seed=3)[0], "driver fast"
    body = ball.body()
    flight = fly(60.0, 0.3, 300.0, mass=inertia.mass(body), diameter=2 * body.outer_radius[-1])
    wanted = {
        "ball_speed_m_s": 60.0,
        "launch_angle_deg": math.degrees(0.3),
        "spin_rpm": 300.0 * 30.0 / math.pi,
        "strike_time_us": 500.0,
        "carry_m": flight.carry[0],
        "apex_m": flight.apex[0],
        "flight_time_s": flight.time[0],
        "descent_angle_deg": math.degrees(flight.descent_angle[0]),
        "landing_spin_rpm": flight.landing_spin[0] * 30.0 / math.pi,
    }
    made = estimate(ball, [f"{club}.{name}" for name in wanted])
    for name, value in wanted.items():
        assert made[f"{club}.{name}"].value == pytest.approx(value, rel=1e-9), name


def test_figures_of_the_bench_are_its_tests_in_their_units(monkeypatch):
    """Each figure of a body by tests that never ran, at the speeds and loads it names."""

    def impact(self, speed):
        return SimpleNamespace(
            speed=speed,
            cor=0.8 - 0.001 * speed,
            contact_time=4e-4 + 1e-6 * speed,
            peak_force=100.0 * speed,
            peak_deformation=1e-4 * speed,
            flag="",
        )

    curve = SimpleNamespace(deflection_at=lambda load: 1e-6 * load**1.1, flag="")
    monkeypatch.setattr(Bench, "impact", impact)
    monkeypatch.setattr(Bench, "curve", curve)
    monkeypatch.setattr(Bench, "mode", SimpleNamespace(frequency=3210.0))
    ball = random_balls(1, seed=3)[0]
    body = ball.body()
    deflection = 1e-3 * (1274.8645**1.1 - 98.0665**1.1)
    wanted = {
        "mass_g": 1e3 * inertia.mass(body),
        "diameter_mm": 2e3 * body.outer_radius[-1],
        "moi_g_cm2": 1e7 * inertia.moment_of_inertia(body),
        "moi_ratio": inertia.moi_ratio(body),
        "mean_density_g_cm3": 1e-3 * inertia.mean_density(body),
        "deflection_mm": deflection,
        "deflection_mm@100-600": 1e-3 * (600.0**1.1 - 100.0**1.1),
        "frequency_hz": 3210.0,
        "cor": 0.8 - 0.0381,
        "cor@45": 0.755,
        "contact_time_us@40": 440.0,
        "peak_force_n@40": 4000.0,
        "peak_deformation_mm@40": 4.0,
        "cor_slope": -0.001,
        "initial_velocity_m_s": initial_velocity(0.8 - 0.04383, 43.83),
    }
    made = estimate(ball, list(wanted))
    assert not made.failed
    for name, value in wanted.items():
        assert made[name].value == pytest.approx(value, rel=1e-9), name
        quantity = QUANTITIES[parse_figure(name).quantity]
        judged = abs(value) * quantity.absolute_percent / 100.0
        assert made[name].absolute_error == pytest.approx(judged)
        assert made[name].difference_error == quantity.difference_error(made[name].value)
    monkeypatch.setattr(Bench, "curve", SimpleNamespace(deflection_at=lambda load: 0.0, flag="no"))
    assert estimate(ball, "deflection_mm")["deflection_mm"].flag == "no"


def test_a_slope_is_flagged_by_either_of_its_impacts(monkeypatch):
    for flagged in (30.0, 45.0):
        monkeypatch.setattr(
            Bench,
            "impact",
            lambda self, speed, at=flagged: SimpleNamespace(
                speed=speed, cor=0.8, flag="off" if speed == at else ""
            ),
        )
        made = estimate(random_balls(1, seed=3)[0], "cor_slope@30-45")
        assert made["cor_slope@30-45"].flag == "off"


def test_analytic_errors_of_the_gradient_product(monkeypatch):
    """A product of deflection and hardness difference: their errors by the product's slopes."""
    curve = SimpleNamespace(deflection_at=lambda load: 2e-6 * load, flag="soft")
    monkeypatch.setattr(Bench, "curve", curve)
    ball = random_balls(1, seed=3)[0]
    made = estimate(ball, ("gradient_product", "hardness_difference_shore_c", "deflection_mm"))
    by, depth = made["hardness_difference_shore_c"], made["deflection_mm"]
    found = made["gradient_product"]
    assert found.value == pytest.approx(by.value * depth.value)
    expected = math.hypot(depth.value * by.absolute_error, by.value * depth.absolute_error)
    assert found.absolute_error == pytest.approx(expected)
    assert (found.flag, found.caution) == ("soft", by.caution)


def flown(outside, flag="", carry=200.0):
    """Return a flight that leaves its law for a share of its time."""
    one = np.ones(1)
    return SimpleNamespace(
        carry=carry * one, lateral=0.0 * one, apex=30.0 * one, descent_angle=0.8 * one,
        time=6.0 * one, landing_spin=200.0 * one, landing_speed=25.0 * one,
        outside_share=outside * one,
    )  # fmt: skip


@pytest.mark.parametrize(("outside", "told"), [(0.05, False), (0.0501, True)])
def test_a_flight_beyond_its_law_is_told(monkeypatch, outside, told):
    launch = Launch(60.0, 0.3, 300.0, 5e-4, 2e-3, 30.0, 0.0, None, {}, 0.0, "struck twice")
    monkeypatch.setattr(Bench, "launch", lambda self, name: launch)
    monkeypatch.setattr(Bench, "flight", lambda self, name: flown(outside))
    made = estimate(random_balls(1, seed=3)[0], "driver fast.carry_m")["driver fast.carry_m"]
    assert made.flag == "struck twice"
    assert ("does not cover 5 % of this flight" in made.caution) == told


def test_a_club_s_range_is_over_its_players_and_smash_over_the_head(monkeypatch):
    launch = Launch(60.0, 0.3, 300.0, 5e-4, 2e-3, 30.0, 0.0, None, {}, 0.0, "")
    players = Conditions().swings.of_club("driver")
    carries = dict(zip(players, np.linspace(180.0, 250.0, len(players)), strict=True))
    asked = []

    def flight(self, name):
        asked.append(name)
        return flown(0.06 if name == players[0] else 0.0, carry=carries[name])

    monkeypatch.setattr(Bench, "launch", lambda self, name: launch)
    monkeypatch.setattr(Bench, "flight", flight)
    made = estimate(
        random_balls(1, seed=3)[0], ("driver.carry_range_m", "driver fast.smash_factor")
    )
    assert made["driver.carry_range_m"].value == pytest.approx(70.0)
    assert set(asked) == set(players)
    assert "6 % of this flight" in made["driver.carry_range_m"].caution
    speed = Conditions().swings.find("driver fast").club_speed_m_s
    assert made["driver fast.smash_factor"].value == pytest.approx(60.0 / speed)


def test_a_carry_range_has_what_the_rows_leave_open_of_it():
    ball = Ball(layer=(Layer(role="core", outer_diameter_mm=42.7, material="core rubber, soft"),))
    speeds = {"driver fast": 74.0, "driver moderate": 62.0, "driver slow": 50.0}
    struck = Impacts(
        launches={
            (1, name): SimpleNamespace(ball_speed=v, launch_angle=0.2, spin=270.0, flag="")
            for name, v in speeds.items()
        }
    )
    names = ("driver.carry_range_m", *(f"{name}.carry_m" for name in speeds))
    surface = Conditions(law=Known())
    found = estimate(ball, names, surface, given=struck)
    plain = estimate(ball, names, given=struck)
    span, fast, slow = (found[name] for name in (names[0], names[1], names[3]))
    assert span.value == fast.value - slow.value == plain[names[0]].value
    judged = plain[names[0]].absolute_error
    rows = math.sqrt(span.absolute_error**2 - judged**2)
    alone = [
        math.sqrt(found[n].absolute_error ** 2 - plain[n].absolute_error ** 2)
        for n in (names[1], names[3])
    ]
    assert abs(alone[0] - alone[1]) < rows < sum(alone)
    bench = Bench(ball, 1, surface, "default", struck)
    between = bench.spread_between("driver fast", "driver slow")
    assert rows == pytest.approx(between.half_width[0], rel=1e-6)


def test_figures_of_a_flight_add_what_the_rows_leave_open_of_them():
    ball = Ball(layer=(Layer(role="core", outer_diameter_mm=42.7, material="core rubber, soft"),))
    launch = SimpleNamespace(ball_speed=70.0, launch_angle=0.2, spin=270.0, flag="")
    struck = Impacts(launches={(1, "driver fast"): launch})
    surface = Conditions(law=Known())
    own = Bench(ball, 1, surface, "default", struck).spread("driver fast").half_width
    left_open = {
        "carry_m": own[0],
        "total_m": own[1],
        "apex_m": own[2],
        "descent_angle_deg": math.degrees(own[3]),
        "flight_time_s": own[4],
        "landing_spin_rpm": 0.0,  # rows of drag and lift say nothing of it
    }
    names = [f"driver fast.{figure}" for figure in left_open]
    made, plain = (estimate(ball, names, c, given=struck) for c in (surface, None))
    for name, (figure, rows) in zip(names, left_open.items(), strict=True):
        assert made[name].value == plain[name].value
        judged = plain[name].value * QUANTITIES[figure].absolute_percent / 100.0
        assert plain[name].absolute_error == pytest.approx(judged)
        assert made[name].absolute_error == pytest.approx(math.hypot(rows, judged), rel=1e-12)


class Lab:
    """What the lab knows of making a ball: its cost and minutes, of a stage half as much."""

    currency = "CU"

    def cost(self, ball, *, finished):
        return Expected(4.0 if finished else 2.0, 0.1 * len(ball.layer))

    def press_minutes(self, ball, *, finished):
        return Expected(3.0 if finished else 1.5, 0.2)


def test_cost_and_minutes_have_the_errors_of_the_process_s_scatter():
    """95 % of a normal scatter lie within 1.96 standard deviations; the process errs by no mesh."""
    ball = next(b for b in random_balls(9, seed=3) if len(b.layer) == 3)
    names = ("cost_per_ball", "stage1.cost_per_ball", "press_minutes", "stage2.press_minutes")
    made = estimate(ball, names, Conditions(production=Lab()))
    found = [(made[n].value, made[n].unit, made[n].difference_error) for n in names]
    assert found == [(4.0, "CU", 0.0), (2.0, "CU", 0.0), (3.0, "min", 0.0), (1.5, "min", 0.0)]
    errors = [made[n].absolute_error for n in names]
    assert errors == pytest.approx([1.96 * 0.3, 1.96 * 0.1, 1.96 * 0.2, 1.96 * 0.2])
    without = estimate(ball, names[:1])
    assert without.failed == {
        "cost_per_ball": "cost_per_ball needs the lab's process: give a process file"
    }


def test_the_hardness_difference_is_between_the_ends_of_a_stage():
    """From the centre to the surface of the outermost layer, in points of Shore C."""
    inner = Layer(role="inner core", outer_diameter_mm=25.0, material="core rubber, soft")
    outer = Layer(role="outer core", outer_diameter_mm=42.7, material="core rubber, firm")
    ball = Ball(layer=(inner, outer)).replace(1, profile={"centre_mpa": 20, "surface_mpa": 60})
    ball = ball.replace(2, profile={"centre_mpa": 30, "surface_mpa": 80})
    names = ("hardness_difference_shore_c", "stage1.hardness_difference_shore_c")
    made = estimate(ball, names)
    for name, ends in zip(names, ((20.0, 80.0), (20.0, 60.0)), strict=True):
        centre, surface = (hardness_from_modulus("C", modulus) for modulus in ends)
        assert made[name].value == pytest.approx(surface[0] - centre[0])
        assert made[name].absolute_error == pytest.approx(math.hypot(surface[1], centre[1]))


def test_flags_of_an_impact_are_those_of_its_figures(monkeypatch):
    impact = SimpleNamespace(
        speed=40.0, cor=0.8, contact_time=4e-4, peak_force=1e4, peak_deformation=4e-3, flag="off"
    )
    launch = Launch(60.0, 0.3, 300.0, 5e-4, 2e-3, 30.0, 0.0, None, {}, 0.0, "struck twice")
    monkeypatch.setattr(Bench, "impact", lambda self, speed: impact)
    monkeypatch.setattr(Bench, "launch", lambda self, name: launch)
    barrier = ("cor", "contact_time_us", "peak_force_n", "peak_deformation_mm")
    swing = tuple(f"driver fast.{name}" for name in ("spin_rpm", "smash_factor", "strike_time_us"))
    made = estimate(random_balls(1, seed=3)[0], (*barrier, "initial_velocity_m_s", *swing))
    for name in made.figures:
        assert made[name].flag == ("struck twice" if name in swing else "off")


def test_a_fine_mesh_errs_by_its_share_and_precision_is_told(monkeypatch):
    monkeypatch.setattr(Bench, "impact", lambda self, speed: SimpleNamespace(cor=0.8, flag=""))
    ball = random_balls(1, seed=3)[0]
    coarse, fine = (estimate(ball, "cor", level=level)["cor"] for level in ("default", "fine"))
    assert fine.difference_error == pytest.approx(
        QUANTITIES["cor"].fine_share * coarse.difference_error
    )
    assert estimate(ball, "cor").precision == "single"
    assert estimate(ball, "cor", Conditions(precision="double")).precision == "double"


def test_every_pattern_of_the_conditions_is_flown_with_the_same_strike(monkeypatch):
    struck = []

    def launch(*asked):
        struck.append(asked)
        return Launch(60.0, 0.3, 300.0, 5e-4, 2e-3, 30.0, 0.0, None, {}, 0.0, "")

    monkeypatch.setattr(strike, "club_impact", launch)
    laws = {"a": ferguson_2022, "b": thin, "c": ferguson_2022}
    conditions = Conditions(patterns=laws)
    ball = random_balls(1, seed=3)[0].model_copy(update={"dimple_pattern": "b"})
    names = ("driver fast.carry_m", "driver fast.total_m", "stage1.mass_g")
    found = estimate_patterns(ball, names, conditions)
    assert [made.ball.dimple_pattern for made in found] == ["b", "a", "c"]
    assert len(struck) == 1
    for made in found:
        alone = estimate(made.ball, names, conditions)
        assert made.figures == alone.figures
    body = ball.body()
    flight = fly(
        60.0, 0.3, 300.0, mass=inertia.mass(body), diameter=2 * body.outer_radius[-1], law=thin
    )
    run = bounce_and_roll(flight, 2 * body.outer_radius[-1])
    assert found[0]["total_m"].value == pytest.approx(run.total[0])
    # One that names no pattern of them flies by the law of all, alone, and is told so.
    (single,) = estimate_patterns(
        ball.model_copy(update={"dimple_pattern": "x"}), names, conditions
    )
    assert single["carry_m"].caution == "no drag and lift are given for dimple pattern 'x'"
    assert single["carry_m"].value == found[1]["carry_m"].value


def test_cautions_of_pattern_and_law_are_told_together(monkeypatch):
    launch = Launch(60.0, 0.3, 300.0, 5e-4, 2e-3, 30.0, 0.0, None, {}, 0.0, "")
    monkeypatch.setattr(Bench, "launch", lambda self, name: launch)
    monkeypatch.setattr(Bench, "flight", lambda self, name: flown(0.5))
    ball = random_balls(1, seed=3)[0].model_copy(update={"dimple_pattern": "x"})
    assert estimate(ball, "driver fast.carry_m")["carry_m"].caution == (
        "no drag and lift are given for dimple pattern 'x'; the aerodynamic law does not cover "
        "50 % of this flight"
    )


def thin(reynolds, ratio):
    """Half the drag and lift of the law of all."""
    found = ferguson_2022(reynolds, ratio)
    return replace(found, drag=0.5 * found.drag, lift=0.5 * found.lift)
