"""The next prototypes: exact variances, best choices, better than chance, reasons, refusals."""

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers.ball_file import read_ball
from layers.errors import InputError
from optimize.calibration import next_round as nextround
from optimize.calibration.next_round import STAGE_PLAN, next_round
from tests.helpers.lab import MEDIUM, SOFT, build

ROOT = Path(__file__).parents[3]
FIRM = ("core rubber, firm", 1.14)
GOAL = ("deflection_mm",)

# Compression and mass alone, so that derivatives cost little.
BALLS = [
    build("usual", (*SOFT, "ionomer, firm", 1.2, "urethane, soft", 1.0)),
    build("twin", (*SOFT, "ionomer, firm", 1.3, "urethane, soft", 1.0)),
    build("thick", (*SOFT, "ionomer, firm", 2.0, "urethane, soft", 1.0)),
    build("medium", (*MEDIUM, "ionomer, firm", 1.2, "urethane, soft", 1.0)),
    build("rare", (*FIRM, "ionomer, soft", 1.4, "urethane, soft", 1.0)),
    build("mixed", (*MEDIUM, "ionomer, soft", 1.2, "urethane, soft", 1.0)),
]


@pytest.fixture(scope="module")
def state():
    plan = (STAGE_PLAN, ())
    return nextround.linearised(BALLS, GOAL, None, "figures", 6, plan, None, map)


def chosen(state, budget):
    """Choose as `next_round` does, from a state that is shared to save derivatives."""
    picks = []
    for _ in range(budget):
        picks.append(nextround._best(state, picks))
    return nextround._exchanged(state, picks)


def test_analytic_covariance_equals_the_information_form(state):
    found = nextround.covariance_after(state, [0, 4])
    rows = np.vstack([state.rows[0], state.rows[4]])
    weight = np.diag(1.0 / np.concatenate([state.noise[0], state.noise[4]]))
    information = np.linalg.inv(state.covariance) + rows.T @ weight @ rows
    assert found == pytest.approx(np.linalg.inv(information), rel=1e-7, abs=1e-12)


@pytest.mark.parametrize("about", ["figures", "materials", "both"])
def test_limits_choice_is_the_best_of_all(state, about):
    here = replace(state, about=about)
    every = {
        pair: nextround._score(here, pair) for pair in itertools.combinations(range(len(BALLS)), 2)
    }
    assert nextround._score(here, chosen(here, 2)) == pytest.approx(min(every.values()), rel=1e-12)
    assert min(every.values()) < 0.97 * np.mean(list(every.values()))


def errors_of(state, picks, seeds):
    """Draw truths, measure picks, and return the rms error of the goal over all candidates."""
    rows = np.vstack([state.rows[i] for i in picks])
    noise = np.concatenate([state.noise[i] for i in picks])
    gain = (
        state.covariance @ rows.T @ np.linalg.inv(rows @ state.covariance @ rows.T + np.diag(noise))
    )
    errors = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        truth = rng.normal(0.0, np.sqrt(np.diag(state.covariance)))
        left = truth - gain @ (rows @ truth + rng.normal(0.0, np.sqrt(noise)))
        errors.append(np.sqrt(np.mean((state.goal_rows[:, 0] @ left) ** 2)))
    return np.array(errors)


def gain_over_random(state, picks):
    """Return the mean gain over all other choices of as many, and its standard error."""
    ours = errors_of(state, picks, range(20))
    others = itertools.combinations(range(len(BALLS)), len(picks))
    random = np.mean([errors_of(state, pair, range(20)) for pair in others], axis=0)
    gain = random - ours
    return gain.mean(), gain.std(ddof=1) / np.sqrt(len(gain))


def test_choice_leaves_less_error_than_chance_over_twenty_truths(state):
    gain, spread = gain_over_random(state, chosen(state, 2))
    assert gain > 3.0 * spread


def test_guard_twins_are_no_better_than_chance(state):
    gain, spread = gain_over_random(state, [0, 1])
    assert gain < 3.0 * spread


@pytest.fixture(scope="module")
def round_of_three():
    return next_round(BALLS, GOAL, 3, about="figures", ball_plan=())


def test_reasons_say_what_is_narrowed_and_expectations_add_up(round_of_three):
    names = [pick.ball.name for pick in round_of_three.pick]
    assert len(set(names)) == 3
    assert not {"usual", "twin"} <= set(names)
    for pick in round_of_three.pick:
        assert pick.reason.startswith("narrows deflection_mm over the candidates from +-")
        assert "narrows the modulus of" in pick.reason
        before, after = pick.figures["deflection_mm"]
        assert after < before
    widths = [pick.figures["deflection_mm"] for pick in round_of_three.pick]
    assert [w[1] for w in widths[:-1]] == [w[0] for w in widths[1:]]
    assert round_of_three.figures["deflection_mm"] == (widths[0][0], widths[-1][1])
    [rare] = [pick for pick in round_of_three.pick if pick.ball.name == "rare"]
    assert "core rubber, firm" in rare.reason


def test_shipped_candidates_make_a_round():
    folder = ROOT / "scenarios" / "prototype"
    balls = [read_ball(folder / f"k{n}.toml") for n in (3, 4, 5, 6)]
    made = next_round(balls, GOAL, 2, stage_plan=["deflection_mm"], ball_plan=())
    names = {pick.ball.name for pick in made.pick}
    # Two cores are in play: a round that leaves one out cannot tell it.
    assert names & {"K3 candidate", "K5 candidate"}
    assert names & {"K4 candidate", "K6 candidate"}


@pytest.mark.parametrize(
    ("balls", "goals", "budget", "said"),
    [
        (BALLS, GOAL, 0, "budget is 0, but must be from 1 to 6"),
        (BALLS, GOAL, 7, "budget is 7"),
        (BALLS[:1] * 2, GOAL, 1, "two candidates have the same name"),
        (BALLS, (), 1, "goals are empty"),
        (BALLS, ("cor_slope",), 1, "'cor_slope' is derived from others"),
        (BALLS, ("deflektion_mm",), 1, "did you mean deflection_mm"),
    ],
)
def test_what_does_not_fit_is_refused(balls, goals, budget, said):
    with pytest.raises(InputError, match=said):
        next_round(balls, goals, budget)
