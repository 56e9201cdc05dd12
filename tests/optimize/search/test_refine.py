"""The short list on the fine mesh: same builds, smaller errors, kept apart in the ledger."""

import pytest

from layers.model_version import MODEL_VERSION
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import scenario_from_toml
from optimize.search.run import load_run, refine_run, run_search

BRIEF = """
name = "refined"
seed = 3
evaluations = 6
population = 4
[ball]
outer_diameter_mm = 42.70
[[layer]]
role = "core"
material = "core rubber, medium"
youngs_modulus_mpa = [40, 60]
youngs_modulus_increment_mpa = 5
[[layer]]
role = "cover"
material = "urethane, soft"
thickness_mm = [1.0, 2.0]
increment_mm = 0.1
[[goal]]
figure = "deflection_mm"
aim = "maximize"
[[goal]]
figure = "mass_g"
aim = "maximize"
"""


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    path = tmp_path_factory.mktemp("refined") / "ledger.sqlite"
    run = run_search(scenario_from_toml(BRIEF), path)
    return path, run, refine_run(path, run.id)


def test_the_builds_stay_and_their_errors_shrink(both):
    _, run, fine = both
    assert (run.mesh, fine.mesh) == ("default", "fine")
    assert [m.key for m in fine.short_list] == [m.key for m in run.short_list]
    for a, b in zip(run.short_list, fine.short_list, strict=True):
        coarse, refined = (m.estimate["deflection_mm"] for m in (a, b))
        assert refined.value != coarse.value
        assert refined.value == pytest.approx(coarse.value, rel=0.01)
        assert refined.difference_error < 0.5 * coarse.difference_error
        assert b.estimate["mass_g"] == a.estimate["mass_g"]


def test_the_ledger_keeps_the_meshes_apart(both):
    path, run, fine = both
    assert load_run(path, run.id) == run
    key = fine.short_list[0].key
    with Ledger(path, reading=True) as ledger:
        default, refined = (
            ledger.known([key], version)[key].figures["deflection_mm"].value
            for version in (MODEL_VERSION, f"{MODEL_VERSION}+fine")
        )
    assert default == run.short_list[0].estimate["deflection_mm"].value
    assert refined == fine.short_list[0].estimate["deflection_mm"].value


def test_refining_again_computes_nothing(both, monkeypatch):
    path, run, fine = both

    def refuse(*_):
        raise AssertionError("computed again")

    monkeypatch.setattr("optimize.compute.pool.compute_one", refuse)
    assert refine_run(path, run.id) == fine


def test_a_scenario_may_ask_for_the_fine_mesh(both, tmp_path):
    _, _, fine = both
    scenario = scenario_from_toml('shortlist_mesh = "fine"\n' + BRIEF)
    asked = run_search(scenario, tmp_path / "l.sqlite")
    assert asked.mesh == "fine"
    assert [m.estimate for m in asked.short_list] == [m.estimate for m in fine.short_list]
    assert load_run(tmp_path / "l.sqlite", asked.id) == asked
