"""What a search will take, told before it starts; spaces of which nothing can be made."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from layers.errors import InputError
from layers.estimates import Estimate
from optimize.scenario.brief import scenario_from_toml
from optimize.scenario.goals import Bound
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import Space
from optimize.scenario.start import start_of
from optimize.search import forecast as module
from optimize.search.forecast import Forecast, forecast
from optimize.search.run import name_run, run_search
from tests.helpers.briefs import FOUR_LAYERS, four_layers, two_layers


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


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.0099, "less than 0.01 s"), (0.01, "0.01 s"), (0.1234, "0.12 s"), (9.96, "10 s"),
        (89.9, "90 s"), (90.0, "1.5 min"), (5399.0, "90 min"), (5400.0, "1.5 h"), (86400.0, "24 h"),
    ],
)  # fmt: skip
def test_times_are_written_to_two_digits_in_the_unit_that_suits(seconds, words):
    assert module._plain(seconds) == words


def said(**changes) -> str:
    given = {"makeable": 0.5, "builds": 10, "seconds_a_build": 1.0, "workers": 1, "emulator": False}
    return str(Forecast(**(given | changes)))


def test_a_forecast_in_words():
    share = "50 % of the builds drawn at random can be made."
    top = "; fitting the emulator comes on top"
    assert said() == f"About 10 s: 10 builds of 1 s each on 1 worker. {share}"
    assert said(seconds_a_build=0.1).startswith("About 1 s: 10 builds of 0.1 s each")
    assert said(seconds_a_build=0.09).startswith("Less than 1 s: 10 builds of 0.09 s each")
    by_three = "About 3.3 s: 10 builds of 1 s each on 3 workers"
    assert said(workers=3, emulator=True) == f"{by_three}{top}. {share}"
    cluster = "10 builds of 1 s each here, shared by the cluster's workers"
    assert said(workers=None, emulator=True) == f"{cluster}{top}. {share}"
    assert said(workers=None) == f"{cluster}. {share}"
    assert said(builds=0) == f"Every build of this search was computed before. {share}"
    assert "0.12 % of the builds" in said(makeable=0.00123)


def test_analytic_more_workers_than_builds_are_not_counted():
    def seconds(builds: int, workers: int | None) -> float:
        return Forecast(1.0, builds, 2.0, workers, emulator=False).seconds

    assert seconds(10, 4) == 5.0
    assert seconds(3, 4) == 2.0
    assert seconds(10, None) == 20.0
    assert seconds(0, 4) == 0.0


def test_builds_are_drawn_two_thousand_at_a_time_by_a_seed_of_its_own(monkeypatch):
    counted(monkeypatch)
    drawn = []
    monkeypatch.setattr(
        module, "can_be_made", lambda space, rows: drawn.append(rows) or a_quarter(rows)
    )
    scenario = four_layers(evaluations=30)
    ahead = forecast(scenario, 1, known=10)
    space = Space(scenario)
    rng = np.random.default_rng(0)
    assert np.array_equal(drawn[0], rng.integers(space.sizes, size=(2000, len(space.genes))))
    assert (len(drawn), ahead.makeable, ahead.builds) == (1, 0.25, 20)
    assert ahead.workers == 1
    assert not ahead.emulator
    assert forecast(four_layers(method="emulator"), None).emulator


def a_quarter(rows):
    return np.arange(len(rows)) % 4 == 2


def test_the_first_build_that_can_be_made_is_timed_twice_and_the_shorter_time_told(monkeypatch):
    asked = counted(monkeypatch)
    clock = iter([0.0, 8.0, 10.0, 13.0])
    monkeypatch.setattr(module, "time", SimpleNamespace(perf_counter=lambda: next(clock)))
    scenario = four_layers()
    ahead = forecast(scenario, 1)
    assert ahead.seconds_a_build == 3.0
    space = Space(scenario)
    rows = np.random.default_rng(0).integers(space.sizes, size=(2000, len(space.genes)))
    first = next(row for row, made in zip(rows, can_be_made(space, rows), strict=True) if made)
    assert [ball for ball, _ in asked] == [space.decode(tuple(first.tolist())).ball] * 2
    assert all(names == scenario.figures() for _, names in asked)


def test_a_start_build_is_enough_where_none_that_is_drawn_can_be_made(monkeypatch):
    asked = counted(monkeypatch)
    scenario = two_layers()
    start = start_of(Space(scenario), (4, 7), "mine")
    monkeypatch.setattr(
        module, "can_be_made", lambda space, rows: np.full(len(rows), len(rows) < 9)
    )
    ahead = forecast(scenario.model_copy(update={"start": (start,)}), 1)
    assert ahead.makeable == 0.0
    assert [ball for ball, _ in asked] == [Space(scenario).decode((4, 7)).ball] * 2


def test_one_in_a_hundred_thousand_is_enough(monkeypatch):
    asked, drawn = counted(monkeypatch), []

    def seldom(space, rows):
        drawn.append(len(rows))
        return np.arange(len(rows)) == (77_777 if len(rows) > 2000 else -1)

    monkeypatch.setattr(module, "can_be_made", seldom)
    ahead = forecast(two_layers(), 1)
    assert (drawn, ahead.makeable, len(asked)) == ([2000, 0, 100_000], 0.0, 2)


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        ([("at least", 1.0), ("at most", 2.5)], "limit is 1 to 2.5"),
        ([("at least", 1.0)], "limit is at least 1"),
        ([("at most", 2.5)], "limit is at most 2.5"),
        ([("at most", 2.5), ("at least", 1.0)], "limit is at most 2.5 and at least 1"),
    ],
)
def test_a_range_in_words(bounds, words):
    made = [Bound("mass_g", side, value, 0.0, "limit") for side, value in bounds]
    assert module._range(made) == words
    rules = [replace(bound, source=f"rule {i}") for i, bound in enumerate(made)]
    assert module._range(rules).startswith(" and ".join(f"rule {i}" for i in range(len(made))))


def test_a_fence_around_all_that_can_be_made_is_named(monkeypatch):
    asked = counted(monkeypatch)
    monkeypatch.setattr(module, "_DRAWN_BEFORE_REFUSAL", 1_200)
    fence = [{"name": "ours", "range": [{"figure": "mass_g", "at_least": 1.0}]}]
    with pytest.raises(InputError) as told:
        forecast(two_layers(fence=fence), 1)
    assert str(told.value) == (
        "scenario 'Two layers': every build that can be made is within fence 'ours'; widen the "
        "ranges of the design variables or take a fence out. None of 1,200 builds drawn at random "
        "is outside."
    )
    assert asked == []
