"""A choice of dimple patterns, and weather per swing: reading, rows, keys, cheap evaluation."""

from pathlib import Path

import numpy as np
import pytest

from layers.ball_file import ball_toml
from layers.bench.bench import Bench
from layers.conditions import Conditions, Weather
from layers.errors import InputError
from layers.estimation import estimate, estimate_patterns
from layers.flight.aerodynamics import ferguson_2022, smits_smith_1994
from layers.strike.launch import Launch
from optimize.compute.evaluator import Evaluator, model_version_under
from optimize.compute.one import compute_one
from optimize.emulator.encoding import Encoding
from optimize.ledger.ledger import Ledger
from optimize.scenario.brief import read_scenario, scenario_from_toml
from optimize.scenario.scenario_file import scenario_toml
from optimize.scenario.space import Space, content_of, key_of
from optimize.scenario.start import start_of, start_rows
from optimize.search.run import run_search
from optimize.verdicts.verdicts import verdicts_of

SCENARIO = Path(__file__).parents[3] / "scenarios" / "three_layer_pattern_choice.toml"
TEXT = SCENARIO.read_text("utf-8")
FOLDER = SCENARIO.parent


@pytest.fixture(scope="module")
def scenario():
    return read_scenario(SCENARIO)


@pytest.fixture
def struck(monkeypatch):
    """Launch by a formula of the layers, and count how often."""
    count = []

    def launch(self, name):
        if name not in self._launches:
            count.append(name)
            speed = {"driver fast": 73.0, "driver slow": 50.0}[name]
            core = float(self.body.outer_radius[0])
            self._launches[name] = Launch(
                speed + 100.0 * (core - 0.019), 0.21, 280.0, 0, 0, 0, 0, None, {}, 0.0, ""
            )
        return self._launches[name]

    monkeypatch.setattr(Bench, "launch", launch)
    return count


def edited(old, new):
    assert old in TEXT
    return scenario_from_toml(TEXT.replace(old, new), "brief", FOLDER)


LIST = 'aerodynamics = ["patterns/shallow_wide.csv", "patterns/deep_small.csv"]'


def test_the_list_is_read_and_the_scenario_written_back_needs_no_file(scenario, tmp_path):
    assert scenario.patterns == ("shallow_wide", "deep_small")
    again = scenario_from_toml(scenario_toml(scenario), "again", tmp_path)
    assert again == scenario


def test_a_law_s_name_is_a_pattern_too():
    found = edited(LIST, 'aerodynamics = ["patterns/deep_small.csv", "smits smith 1994"]')
    assert found.patterns == ("deep_small", "smits smith 1994")
    assert found.pattern_laws()["smits smith 1994"] is smits_smith_1994


@pytest.mark.parametrize(
    ("listed", "said"),
    [
        ("[]", "empty list"),
        ('["patterns/deep_small.csv", "patterns/deep_small.csv"]', "'deep_small'"),
        ('["patterns/nowhere.csv"]', "nowhere.csv"),
        ('["smits smith 1995"]', "smits smith 1994"),
        ("[3]", "aerodynamics"),
    ],
)
def test_a_bad_list_is_one_sentence(listed, said):
    with pytest.raises(InputError, match=said.replace("[", r"\[")):
        edited(LIST, f"aerodynamics = {listed}")


def test_weather_of_an_unknown_or_twice_named_swing_is_refused():
    with pytest.raises(InputError, match="driver slow"):
        edited('name = "driver slow"\ntemp', 'name = "driver slwo"\ntemp')
    with pytest.raises(InputError, match="twice"):
        scenario_from_toml(TEXT + '\n[[conditions.swing]]\nname = "driver slow"\n', "brief", FOLDER)


def test_weather_is_the_swing_s_own_where_it_says_so(scenario):
    conditions = scenario.estimate_conditions()
    slow, fast = conditions.weather("driver slow"), conditions.weather("driver fast")
    assert slow.wind == (-2.0, 0.0, 1.0)
    assert fast.wind == (0.0, 0.0, 0.0)
    assert slow.air.density > fast.air.density  # 12 C against 20 C
    assert "driver slow: 12 C" in scenario.conditions.words()


def test_rows_balls_and_keys_tell_the_patterns_apart(scenario):
    space = Space(scenario)
    assert space.genes[-1].what == "dimple_pattern"
    row = (*(int(n) // 2 for n in space.sizes[:-1]), 1)
    ball = space.decode(row).ball
    assert ball.dimple_pattern == "deep_small"
    assert space.encode(ball) == row
    (sibling,) = space.siblings(row)
    other = space.decode(sibling).ball
    assert other.dimple_pattern == "shallow_wide"
    assert key_of(content_of(ball)) != key_of(content_of(other))
    assert 'dimple_pattern = "deep_small"' in ball_toml(ball)
    start = start_of(space, row, "as it is")
    again = scenario.model_copy(update={"start": (start,)})
    assert start_rows(Space(again)) == (row,)


def test_similar_patterns_are_near_each_other_for_the_emulator():
    found = edited(
        LIST,
        'aerodynamics = ["ferguson 2022", "us 6186002", "bearman harvey 1976"]',
    )
    space = Space(found)
    rows = [(*[0] * (len(space.genes) - 1), k) for k in range(3)]
    at = Encoding(space)(rows)
    laws = [found.pattern_laws()[name] for name in found.patterns]
    re, s = np.array([1e5, 1.5e5, 2e5]), np.array([0.2, 0.1, 0.1])
    apart = [np.abs(laws[0](re, s).lift - law(re, s).lift).sum() for law in laws[1:]]
    near = [np.linalg.norm(at[0] - at[k]) for k in (1, 2)]
    assert (near[0] < near[1]) == (apart[0] < apart[1])
    assert min(near) > 0.0


def test_patterns_share_the_impact_to_the_last_bit(scenario, struck):
    space, conditions = Space(scenario), scenario.estimate_conditions()
    row = (0,) * len(space.genes)
    ball = space.decode(row).ball
    names = ("mass_g", "driver fast.carry_m", "driver slow.carry_m", "driver fast.ball_speed_m_s")
    both = estimate_patterns(ball, names, conditions)
    assert len(struck) == 2  # two swings, not four strikes
    assert [one.ball.dimple_pattern for one in both] == ["shallow_wide", "deep_small"]
    alone = estimate(both[1].ball, names, conditions)
    assert alone.figures == both[1].figures
    assert both[0]["driver fast.carry_m"].value != both[1]["driver fast.carry_m"].value
    assert both[0]["driver fast.ball_speed_m_s"] == both[1]["driver fast.ball_speed_m_s"]
    assert compute_one(ball, names, conditions).others[0].figures == both[1].figures


def test_a_pattern_without_data_is_told(struck, scenario):
    ball = Space(scenario).decode((0,) * len(Space(scenario).genes)).ball
    found = estimate(ball, "driver fast.carry_m")
    assert "shallow_wide" in found["driver fast.carry_m"].caution
    known = Conditions(patterns={"shallow_wide": ferguson_2022})
    assert not estimate(ball, "driver fast.carry_m", known)["driver fast.carry_m"].caution


def test_one_computation_answers_every_pattern(scenario, struck, tmp_path):
    space, conditions = Space(scenario), scenario.estimate_conditions()
    row = (0,) * len(space.genes)
    balls = [space.decode(r).ball for r in (row, *space.siblings(row))]
    sent = []

    def compute(requests):
        sent.extend(requests)
        for i, (ball, names) in enumerate(requests):
            yield i, compute_one(ball, names, conditions)

    with Ledger(tmp_path / "l.sqlite") as ledger:
        version = model_version_under(conditions)
        evaluator = Evaluator(ledger, compute, version, conditions)
        names = ("driver fast.carry_m",)
        known = evaluator.figures([(ball, names) for ball in balls])
        assert len(sent) == 1
        again = evaluator.figures([(balls[1], names)])
        assert evaluator.reused == 1
        assert again[0] == known[1]
        frame = ledger.to_frame()
        assert sorted(frame["dimple_pattern"]) == ["deep_small", "shallow_wide"]


def test_a_search_says_which_pattern_suits_which_construction(struck, tmp_path):
    found = edited("evaluations = 60", "evaluations = 4")
    small = found.model_copy(update={"limit": (), "population": 4})
    run = run_search(small, tmp_path / "l.sqlite")
    assert run.evaluated == 8  # both patterns of each construction, one strike each
    assert len(struck) == 8  # two swings of four constructions
    verdicts = verdicts_of(run).patterns
    fast, slow = verdicts
    assert (fast.pattern, slow.pattern) == ("shallow_wide", "deep_small")
    assert (fast.wins, fast.of) == (4, 4)
    assert 0.0 < slow.error < slow.least
    assert slow.decided
    assert "more than the range's rows leave open" in slow.sentence
    assert fast.decided == (fast.least > fast.error)
    assert run.to_frame()["dimple_pattern"].nunique() == 2
    again = run_search(small, tmp_path / "other.sqlite")
    assert again == run


def test_conditions_tell_weathers_and_patterns_apart():
    plain = Conditions()
    windy = Conditions(by_swing={"driver fast": Weather(None, (1.0, 0.0, 0.0))})
    chosen = Conditions(patterns={"a": ferguson_2022})
    prints = {one.fingerprint() for one in (plain, windy, chosen)}
    assert len(prints) == 3
