"""What a search will take, told before it starts; spaces of which nothing can be made."""

import pytest

from layers.errors import InputError
from layers.estimates import Estimate
from optimize.scenario.brief import scenario_from_toml
from optimize.search import forecast as module
from optimize.search.forecast import Forecast, forecast
from optimize.search.run import name_run, run_search
from tests.helpers.briefs import FOUR_LAYERS, four_layers


def counted(monkeypatch) -> list:
    """Let no build be computed, but note what would be."""
    asked = []

    def compute(ball, names, conditions):
        asked.append((ball, names))
        return Estimate(ball, {}, {})

    monkeypatch.setattr(module, "compute_one", compute)
    return asked


def test_time_is_builds_times_one_build_over_workers():
    ahead = Forecast(makeable=0.63, builds=280, seconds_a_build=0.3, workers=2, emulator=False)
    assert ahead.seconds == pytest.approx(42.0)
    assert str(ahead) == (
        "About 42 s: 280 builds of 0.3 s each on 2 workers. "
        "63 % of the builds drawn at random can be made."
    )
    assert "About 3.5 h: 84000" in str(Forecast(1.0, 84_000, 0.15, 1, emulator=False))
    assert "fitting the emulator comes on top" in str(Forecast(1.0, 9, 1.0, 1, emulator=True))
    assert "shared by the cluster's workers" in str(Forecast(1.0, 9, 1.0, None, emulator=False))
    assert Forecast(1.0, 1, 5.0, 8, emulator=False).seconds == 5.0


def test_share_is_of_the_builds_drawn_and_known_builds_cost_nothing(monkeypatch):
    asked = counted(monkeypatch)
    ahead = forecast(four_layers(), 2, known=150)
    assert 0.1 < ahead.makeable < 0.9
    assert ahead.builds == 50
    assert forecast(four_layers(), 2).makeable == ahead.makeable
    assert all(ball is asked[0][0] or ball == asked[0][0] for ball, _ in asked)
    asked.clear()
    assert "computed before" in str(forecast(four_layers(), 2, known=200))
    assert asked == []


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[1.0, 1.45]", "[4.0, 4.2]", ["fill, density_g_cm3 is 4 to 4.2", "g/cm3", "mass_g"]),
        ("[20.0, 30.0]", "[39.9, 40.0]", ["layer 1, diameter_mm is 39.9 to 40", "35.7 mm"]),
    ],
)
def test_a_space_without_a_build_is_refused_before_anything_is_computed(
    old, new, words, monkeypatch
):
    asked = counted(monkeypatch)
    with pytest.raises(InputError) as told:
        forecast(scenario_from_toml(FOUR_LAYERS.replace(old, new)), 1)
    assert all(word in str(told.value) for word in [*words, "widen it or", "None of 100,000"])
    assert asked == []


def test_the_densities_told_are_those_that_builds_need(monkeypatch):
    """A range that begins at the lowest density told lets builds in, one that ends below none."""
    counted(monkeypatch)
    with pytest.raises(InputError) as told:
        forecast(scenario_from_toml(FOUR_LAYERS.replace("[1.0, 1.45]", "[11.0, 12.0]")), 1)
    high = float(str(told.value).partition(" to ")[2].partition(" to ")[2].split()[0])
    inside = FOUR_LAYERS.replace("[1.0, 1.45]", f"[{high - 0.3}, {high}]")
    assert forecast(scenario_from_toml(inside), 1).makeable >= 0.0
    outside = FOUR_LAYERS.replace("[1.0, 1.45]", f"[{high + 0.01}, {high + 0.1}]")
    with pytest.raises(InputError, match="the builds need"):
        forecast(scenario_from_toml(outside), 1)


def test_a_forecast_changes_neither_a_runs_id_nor_its_answer(tmp_path):
    brief = four_layers(evaluations=40)
    without = run_search(brief, tmp_path / "a.sqlite")
    forecast(brief, 1)
    assert name_run(brief)[0] == without.id
    assert run_search(brief, tmp_path / "b.sqlite") == without
