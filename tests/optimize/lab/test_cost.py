"""Cost and press time. Kinds: analytic, against plain sums and drawn scatter; limits."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers.ball import Ball, Layer
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimation import estimate
from layers.materials import default_catalogue
from optimize.lab.cost import Costing
from optimize.lab.process import Process, process_from_table, read_process
from optimize.lab.tooling import tooling_of
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import scenario_from_toml
from optimize.search.run import load_run, run_search
from tests.helpers.briefs import TWO_LAYERS

PROCESS = Path(__file__).parents[3] / "scenarios" / "prototype" / "process_with_costs.toml"
BALL = Ball(
    layer=(
        Layer(role="core", outer_diameter_mm=38.9, material="core rubber, soft"),
        Layer(role="mantle", outer_diameter_mm=41.0, material="ionomer, firm"),
        Layer(role="cover", outer_diameter_mm=42.7, material="urethane, soft"),
    )
)
TWO = process_from_table(
    {
        "currency": "EUR",
        "core": {"operation": [{"name": "press", "minutes": 12, "cavities": 10, "press": True,
                                "yield_percent": 80, "rate_per_hour": 50}]},
        "cover": {"operation": [{"name": "cast", "minutes": 6, "cavities": 4,
                                 "yield_percent": 90, "rate_per_hour": 40}]},
        "operation": [{"name": "paint", "minutes": 3, "yield_percent": 50, "rate_per_hour": 20}],
    },
    "process",
)  # fmt: skip


def charges(process: Process) -> list[float]:
    """Cost of each layer's charge."""
    return [
        next(q.value for q in tooling_of(BALL, i, process.of(x.role)) if q.name == "charge_g")
        * 1e-3
        * x.material.price_per_kg.value
        for i, x in enumerate(BALL.layer, start=1)
    ]


def test_analytic_cost_is_the_sum_over_the_yields_from_each_operation_on():
    core, mantle, cover = charges(TWO)
    expected = (
        (core + 0.2 * 50 / 10) / (0.8 * 0.9 * 0.5)
        + (mantle + cover + 0.1 * 40 / 4) / (0.9 * 0.5)
        + 0.05 * 20 / 0.5
    )
    costing = Costing(TWO)
    assert costing.cost(BALL, finished=True).value == pytest.approx(expected, rel=1e-13)
    assert costing.press_minutes(BALL, finished=True).value == pytest.approx(1.2 / 0.36)
    stage = costing.cost(BALL.stage(1), finished=False).value
    assert stage == pytest.approx((core + 0.2 * 50 / 10) / 0.8, rel=1e-13)


def test_analytic_scatter_is_that_of_drawn_processes():
    process = read_process(PROCESS)
    rng = np.random.default_rng(2)
    small = 0.1  # of the scatter: the formula is of first order

    def drawn(op):
        minutes = op.minutes * (1 + small * op.minutes_scatter_percent / 100 * rng.normal())
        share = op.yield_percent * (1 + small * op.yield_scatter_percent / 100 * rng.normal())
        return op.model_copy(update={"minutes": minutes, "yield_percent": share})

    def drawn_process():
        roles = ("core", "mantle", "cover")
        parts = {r: getattr(process, r) for r in roles}
        made = {
            r: p.model_copy(update={"operation": tuple(map(drawn, p.operation))})
            for r, p in parts.items()
        }
        return process.model_copy(update=made | {"operation": tuple(map(drawn, process.operation))})

    prices = 1 + small * process.price_scatter_percent / 100 * rng.normal(size=(600, 3))
    costs, minutes = [], []
    for factors in prices:
        ball = BALL
        for number, factor in enumerate(factors, start=1):
            value = BALL.layer[number - 1].material.price_per_kg.value
            ball = ball.replace(number, price_per_kg=value * factor)
        costing = Costing(drawn_process())
        costs.append(costing.cost(ball, finished=True).value)
        minutes.append(costing.press_minutes(ball, finished=True).value)
    told = Costing(process)
    for values, found in (
        (costs, told.cost(BALL, finished=True)),
        (minutes, told.press_minutes(BALL, finished=True)),
    ):
        # 600 draws give a deviation within 3 % (1 sigma).
        assert np.std(values) / small == pytest.approx(found.deviation, rel=0.12)
        assert np.mean(values) == pytest.approx(found.value, rel=0.01)


def test_limits_without_scatter_there_is_none_and_one_material_scatters_as_one():
    assert Costing(TWO).cost(BALL, finished=True).deviation == 0.0
    scattered = TWO.model_copy(update={"price_scatter_percent": 10.0})
    same = BALL.replace(2, material="core rubber, soft")
    same = same.replace(3, material="core rubber, soft")
    added = Costing(scattered).cost(same, finished=True)
    free = TWO.model_copy(
        update={
            name: getattr(TWO, name).model_copy(
                update={"operation": tuple(o.model_copy(update={"rate_per_hour": 0.0})
                                           for o in getattr(TWO, name).operation)})
            for name in ("core", "cover")
        } | {"operation": tuple(o.model_copy(update={"rate_per_hour": 0.0})
                                for o in TWO.operation)}
    )  # fmt: skip
    materials = Costing(free).cost(same, finished=True).value
    assert added.deviation == pytest.approx(0.1 * materials, rel=1e-12)


def test_what_is_missing_is_a_failure_in_a_sentence():
    def why(ball=BALL, process=TWO):
        conditions = Conditions(production=Costing(process) if process else None)
        return estimate(ball, ["cost_per_ball"], conditions).failed["cost_per_ball"]

    assert why(process=None) == "cost_per_ball needs the lab's process: give a process file"
    assert "has no operations" in why(process=Process())
    assert "'core rubber, soft' has no price_per_kg" in why(BALL.replace(1, price_per_kg=0.0))
    assert "price in EUR, the process in CHF" in why(
        process=TWO.model_copy(update={"currency": "CHF"})
    )


COSTLY = (
    TWO_LAYERS.replace('figure = "moi_g_cm2"', 'figure = "cost_per_ball"')
    + '\n[process]\nfile = "p.toml"\n\n[[limit]]\nfigure = "press_minutes"\nat_most = 5.0\n'
)


@pytest.fixture
def brief(tmp_path):
    (tmp_path / "p.toml").write_text(PROCESS.read_text())
    return lambda text=COSTLY: scenario_from_toml(text, "s.toml", tmp_path)


def test_a_search_brings_the_cost_down_and_its_ledger_keeps_no_cost(brief, tmp_path):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        run = run_search(brief(), ledger)
        again = load_run(ledger, run.id)
        entries = list(ledger.entries())
    assert replace(again, seconds=run.seconds) == run
    costs = [build.figures["cost_per_ball"].value for build in run.builds]
    lowest = min(member.estimate["cost_per_ball"].value for member in run.short_list)
    assert lowest == min(costs) < max(costs)
    assert run.short_list[0].estimate["cost_per_ball"].unit == "EUR"
    assert run.short_list[0].estimate["cost_per_ball"].absolute_error > 0.0
    kept = {name for entry in entries for name in entry.known().figures}
    assert "mass_g" in kept
    assert not kept & {"cost_per_ball", "press_minutes"}


def test_two_suppliers_of_one_material_are_two_builds(brief, tmp_path):
    card = default_catalogue().find("ionomer, soft")
    cheap = card.model_copy(update={"name": "cheap"}).with_values("an offer", price_per_kg=1.0)
    text = COSTLY.replace('material = "ionomer, soft"', 'material = ["ionomer, soft", "cheap"]')
    text = text.replace("evaluations = 176", "evaluations = 60")
    own = (
        '\n[[material]]\nname = "cheap"\nfamily = "ionomer"\nyoungs_modulus_mpa = '
        f"{cheap.youngs_modulus_mpa.value}\npoisson_ratio = {cheap.poisson_ratio.value}\n"
        f"density_g_cm3 = {cheap.density_g_cm3.value}\nprice_per_kg = 1.0\n"
        'currency = "EUR"\n'
    )
    with Ledger(tmp_path / "l.sqlite") as ledger:
        run = run_search(brief(text + own), ledger)
    best = min(run.short_list, key=lambda m: m.estimate["cost_per_ball"].value)
    assert best.ball.layer[-1].material.name == "cheap"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (COSTLY.replace('[process]\nfile = "p.toml"', ""), "needs the lab's process: name its"),
        (COSTLY.replace('"p.toml"', '"q.toml"'), "cannot be read"),
        (
            COSTLY.replace('file = "p.toml"', 'path = "p.toml"'),
            "process, path is not a known field",
        ),
    ],
)
def test_a_scenario_that_cannot_tell_its_costs_is_refused(brief, text, said):
    with pytest.raises(InputError, match=said):
        brief(text)
