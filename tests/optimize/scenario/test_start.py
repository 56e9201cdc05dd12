"""Start builds: values <-> rows; a scenario written as TOML and read again.

Kinds: structure, properties.
"""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from layers.errors import InputError
from layers.strike.swings import default_swings
from optimize.scenario.brief import Scenario, read_scenario, scenario_from_toml
from optimize.scenario.conditions import ConditionsTable
from optimize.scenario.scenario_file import scenario_toml
from optimize.scenario.space import Space
from optimize.scenario.start import start_of, start_rows
from optimize.scenario.variables import StartBuild, StartLayer
from tests.helpers.briefs import four_layers

SCENARIOS = sorted((Path(__file__).parents[3] / "scenarios").glob("*.toml"))
SPACE = Space(four_layers())
ROWS = st.tuples(*(st.integers(0, int(n) - 1) for n in SPACE.sizes))


def started(*builds: StartBuild) -> Scenario:
    return four_layers().model_copy(update={"start": builds})


@given(ROWS)
def test_a_row_written_as_a_start_is_read_as_the_same_build(row):
    start = start_of(SPACE, row, "A")
    (again,) = start_rows(Space(started(start)))
    assert SPACE.decode(again) == SPACE.decode(row)


def whole(**first: float | str | None) -> StartBuild:
    """Return a start build of the four-layer brief without its optional mantle."""
    values = {"youngs_modulus_mpa": 40.0, "material": "core rubber, soft"} | first
    return StartBuild(
        name="mine",
        layer=(
            StartLayer(layer=1, **values),
            StartLayer(layer=2, thickness_mm=5.0, density_g_cm3=1.2),
            StartLayer(layer=4, thickness_mm=1.0, material="urethane, soft"),
        ),
    )


def test_an_optional_layer_that_is_not_named_is_left_out():
    (row,) = start_rows(Space(started(whole())))
    ball = SPACE.decode(row).ball
    assert [layer.role for layer in ball.layer] == ["inner core", "outer core", "cover"]
    assert ball.layer[0].material.youngs_modulus_mpa.value == 40.0


@pytest.mark.parametrize(
    ("build", "told"),
    [
        (whole(youngs_modulus_mpa=40.5), "youngs_modulus_mpa of layer 1 is 40.5, but must be from"),
        (whole(youngs_modulus_mpa=90.0), "from 30 to 80 in steps of 1"),
        (whole(youngs_modulus_mpa=None), "youngs_modulus_mpa of layer 1 is missing"),
        (whole(material="urethane, soft"), "must be one of: core rubber, soft, core rubber, med"),
        (whole(density_g_cm3=1.1), "density_g_cm3 of layer 1 is not a design variable; remove it"),
        (StartBuild(name="mine"), "of layer 1 is missing; it is a design variable"),
        (
            StartBuild(name="mine", layer=(StartLayer(layer=5),)),
            "layer is 5, but must be from 1 to 4",
        ),
    ],
)
def test_a_start_that_is_no_build_of_the_scenario_is_told(build, told):
    with pytest.raises(InputError) as caught:
        start_rows(Space(started(build)))
    assert str(caught.value).startswith("start build 'mine'")
    assert told in str(caught.value)


def test_starts_are_no_more_than_a_generation_and_name_a_layer_once():
    text = scenario_toml(started(*[whole()] * 5)).replace("population = 20", "population = 4")
    with pytest.raises(InputError, match="5 start builds, but the population is only 4"):
        scenario_from_toml(text)
    twice = scenario_toml(started(whole())).replace("layer = 2, ", "layer = 1, ")
    with pytest.raises(InputError, match="layer 1 stands twice"):
        scenario_from_toml(twice)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_scenario_comes_back_the_same_from_its_own_text(path):
    scenario = read_scenario(path)
    space = Space(scenario)
    row = tuple(int(n) - 1 for n in space.sizes)
    scenario = scenario.model_copy(update={"start": (start_of(space, row, 'A "quoted"'),)})
    again = scenario_from_toml(scenario_toml(scenario))
    assert again == scenario
    assert again.model_dump_json() == scenario.model_dump_json()


def test_conditions_with_swings_and_measured_drag_come_back_too():
    rows = tuple((re, sp, 0.24 + sp / 10.0, sp) for re in (8e4, 1.2e5) for sp in (0.05, 0.2))
    conditions = ConditionsTable(
        swings=default_swings(), aerodynamics_table=rows, altitude_m=1000.0, wind_m_s=(3, 0, -1)
    )
    scenario = four_layers().model_copy(update={"conditions": conditions})
    again = scenario_from_toml(scenario_toml(scenario))
    assert again.model_dump_json() == scenario.model_dump_json()
