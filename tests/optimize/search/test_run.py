"""The search end to end: right, repeatable, resumable; broken and failed builds told as such."""

import itertools
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers.ball import Ball
from layers.errors import InputError, SolverError
from layers.estimates import Estimate
from layers.estimation import estimate
from optimize.compute import one, pool
from optimize.ledger.ledger import Ledger
from optimize.report.run import run_sections
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound
from optimize.scenario.space import Row, Space
from optimize.scenario.variables import FILL_DENSITY
from optimize.search import answer, judge, shortlist
from optimize.search import run as runs
from optimize.search.evolution import evolve
from optimize.search.loop import score_of
from optimize.search.result import Infeasible, Interrupted, Progress, Run, Score
from optimize.search.run import _fits, load_run, name_run, run_search
from optimize.search.shortlist import indistinguishable
from tests.helpers.briefs import four_layers, two_layers

needs_proc = pytest.mark.skipif(
    not Path("/proc/self/task").exists(), reason="looks for worker processes in /proc"
)


@pytest.fixture(autouse=True)
def _short_full_estimates(monkeypatch):
    """Members are estimated by closed forms only: what is tested here is not the mechanics."""
    monkeypatch.setattr(answer, "BALL_FIGURES", ("mass_g", "moi_g_cm2", "moi_ratio"))
    monkeypatch.setattr(answer, "STAGE_FIGURES", ("mass_g", "moi_g_cm2"))


def searched(scenario: Scenario, path: Path, workers: int = 1, progress=None) -> Run:
    with Ledger(path / "l.sqlite") as ledger:
        return run_search(scenario, ledger, workers, progress)


def same(one: Run, other: Run) -> bool:
    clouds = np.array_equal(one.cloud, other.cloud)
    return one == other and clouds and np.array_equal(one.cloud_feasible, other.cloud_feasible)


def all_rows(scenario: Scenario) -> list[Row]:
    return list(itertools.product(*(range(int(n)) for n in Space(scenario).sizes)))


# The right answer: against looking at every build.


def test_a_small_space_is_searched_out_and_its_front_is_the_true_one(tmp_path):
    scenario = two_layers(evaluations=1000)
    run = searched(scenario, tmp_path)
    space, names = Space(scenario), ("mass_g", "moi_g_cm2")
    estimates = [estimate(space.decode(row).ball, names) for row in all_rows(scenario)]
    values = np.array([[e["mass_g"].value, e["moi_g_cm2"].value] for e in estimates])
    losses = np.column_stack([np.abs(values[:, 0] - 45.0), values[:, 1]])
    # Oracle: the definition, pair by pair.
    beaten = [
        any(np.all(other <= mine) and np.any(other < mine) for other in losses) for mine in losses
    ]
    true_front = {tuple(v) for v, b in zip(values, beaten, strict=True) if not b}
    assert run.evaluated > 0.9 * len(estimates)
    assert {goals for _, goals in run.front} == true_front
    frame = run.to_frame()
    for number in (1, 2):
        widest = [build.ball.layer[number - 1].outer_diameter_mm for build in run.builds]
        assert frame[f"layer{number}_outer_diameter_mm"].tolist() == widest


def test_one_goal_finds_the_best_of_all_builds(tmp_path):
    goal = [{"figure": "moi_g_cm2", "aim": "minimize"}]
    scenario = two_layers(evaluations=90, goal=goal)
    run = searched(scenario, tmp_path)
    space = Space(scenario)
    every = [estimate(space.decode(row).ball, ("moi_g_cm2",)) for row in all_rows(scenario)]
    best = min(e["moi_g_cm2"].value for e in every)
    assert run.front[0][1] == (best,)
    assert run.short_list[0].reason == "lowest moi_g_cm2"
    assert run.evaluated == 90


def test_the_search_beats_random_builds(tmp_path):
    scenario = four_layers(evaluations=400)
    run = searched(scenario, tmp_path)
    space, rng = Space(scenario), np.random.default_rng(5)
    drawn = [space.decode(space.row_of(rng.random(9))) for _ in range(1000)]
    kept = [c.ball for c in drawn if judge.Judge.of(scenario).before(c) is None]
    assert len(kept) >= run.evaluated
    random = [estimate(ball, ("moi_g_cm2", "stage1.mass_g")) for ball in kept[: run.evaluated]]
    points = np.array([[e["moi_g_cm2"].value, e["stage1.mass_g"].value] for e in random])
    found = np.array([goals for _, goals in run.front])
    beaten = [np.any(np.all(points > goals, axis=1)) for goals in found]
    beating = [np.any(np.all(found > goals, axis=1)) for goals in points]
    assert np.mean(beaten) < 0.1
    assert np.mean(beating) > 0.95


# The answer.


def test_the_short_list_comes_with_reasons_stages_and_prices(tmp_path):
    run = searched(four_layers(), tmp_path)
    labels = [m.label for m in run.short_list]
    assert labels == list("ABCDEFGH")[: len(labels)]
    first, last = run.short_list[0], run.short_list[-1]
    assert "highest moi_g_cm2" in first.reason
    assert "highest stage1.mass_g" in last.reason
    assert first.estimate["moi_g_cm2"].value == run.cloud[run.cloud_feasible, 0].max()
    assert last.estimate["stage1.mass_g"].value == run.cloud[run.cloud_feasible, 1].max()
    keys = {key for key, _ in run.front}
    for member in run.short_list:
        assert member.key in keys
        assert not member.violations
        assert len(member.stages) == len(member.ball.layer)
        masses = [stage["mass_g"].value for stage in member.stages]
        assert masses == sorted(masses)
        alike = [
            other.label
            for other in run.short_list
            if other.label != member.label
            and indistinguishable(run.scenario.goal, member.estimate, other.estimate)
        ]
        assert list(member.indistinguishable_from) == alike
    assert run.evaluated == run.scenario.evaluations == len(run.cloud)
    for price in run.prices:
        members = {m.label: m for m in run.short_list}
        better, worse = members[price.better], members[price.worse]
        gain = better.estimate[price.goal].value - worse.estimate[price.goal].value
        cost = worse.estimate[price.other].value - better.estimate[price.other].value
        assert price.slope == pytest.approx(cost / gain)
        assert price.slope > 0.0


def test_limits_are_kept_by_every_member(tmp_path):
    run = searched(four_layers(), tmp_path)
    assert run.ruled_out > 0
    for member in run.short_list:
        assert member.estimate["stage2.mass_g"].value >= 20.0
        assert member.estimate["mass_g"].value <= 45.93
        assert 20.0 <= member.ball.layer[0].outer_diameter_mm <= 30.0
        assert 1.0 <= member.ball.layer[0].material.density_g_cm3.value <= 1.45


def test_a_finished_run_is_shown_again_without_computing(tmp_path, monkeypatch):
    run = searched(four_layers(), tmp_path)
    monkeypatch.setattr(pool, "compute_one", None)
    with Ledger(tmp_path / "l.sqlite") as ledger:
        assert same(load_run(ledger, run.scenario.name), run)
        assert same(load_run(ledger, run.id), run)
        with pytest.raises(InputError, match=r"no run 'Inertia' .* it has 'Inertia against"):
            load_run(ledger, "Inertia")


def test_a_run_of_another_version_is_shown_from_what_the_ledger_has(tmp_path, monkeypatch):
    with Ledger(tmp_path / "l.sqlite") as ledger:
        run = run_search(four_layers(), ledger)
        assert run.lacking == ""
        known = {member.key for member in run.short_list}
        true = shortlist.choose

        def another(goals, losses, builds, points):
            feasible = [build for build in run.builds if not build.excess]
            new = next(i for i, build in enumerate(feasible) if build.key not in known)
            return [true(goals, losses, builds, points)[0], shortlist.Pick(new, "another")]

        monkeypatch.setattr(shortlist, "choose", another)
        with pytest.raises(InputError, match="lacks figures of this run: search it again"):
            load_run(ledger, run.id)  # by this version none but a damaged ledger lacks some
        monkeypatch.setattr(runs, "_search_version", lambda: "a later one")
        shown = load_run(ledger, run.id)
        assert shown.short_list[0] == replace(run.short_list[0], indistinguishable_from=())
        assert shown.short_list[1].key not in known
        for goal in run.scenario.goal:  # what the search computed of every build is there
            assert goal.figure in shown.short_list[1].estimate.figures
        assert "lacks some figures of B, since another version searched" in shown.lacking
        assert shown.lacking in [note for s in run_sections(shown, "l.sqlite") for note in s.notes]
        assert run_search(four_layers(), ledger).lacking == ""  # the remedy that it names


def test_rows_that_make_the_same_build_are_one_evaluation(tmp_path):
    # Two cards that differ in nothing but the modulus, which the search sets itself.
    scenario = four_layers()
    soft = next(card for card in scenario.material if card.name == "core rubber, soft")
    twin = soft.with_values("test", youngs_modulus_mpa=50.0).model_copy(update={"name": "twin"})
    layers = [layer.model_dump() for layer in scenario.layer]
    layers[0]["material"] = ("core rubber, soft", "twin")
    cards = [card.model_dump() for card in (*scenario.material, twin)]
    run = searched(four_layers(layer=layers, material=cards), tmp_path)
    with Ledger(tmp_path / "l.sqlite") as ledger:
        keys = [p.key for p in ledger.proposals(run.id) if p.computed]
        assert len(keys) == len(set(keys)) == run.evaluated == 200
        assert same(load_run(ledger, run.id), run)


# Limits that no build can meet.


def test_a_mass_limit_no_build_can_meet_is_told_with_what_would_do(tmp_path):
    limit = [{"figure": "mass_g", "at_most": 40.0}]
    run = searched(four_layers(limit=limit, evaluations=60), tmp_path)
    assert run.feasible == 0
    assert not run.front
    (relaxation,) = run.relaxations
    assert (relaxation.figure, relaxation.side, relaxation.alone) == ("mass_g", "at most", True)
    # The fill gives every build 45.5 g: that is the least that the limit must become.
    assert relaxation.needed == pytest.approx(45.5, rel=1e-9)
    assert relaxation.sentence.startswith("Raise mass_g at most 40 g to 45.")
    assert relaxation.member in {m.label for m in run.short_list}
    for member in run.short_list:
        assert member.violations == {"mass_g at most 40": pytest.approx(5.5)}
    with Ledger(tmp_path / "l.sqlite") as ledger:
        assert same(load_run(ledger, run.id), run)


def test_two_limits_that_exclude_each_other_are_relaxed_together_or_alone(tmp_path):
    limit = [
        {"figure": "stage1.mass_g", "at_least": 17.0},
        {"figure": "moi_g_cm2", "at_least": 84.0},
    ]
    scenario = four_layers(limit=limit, evaluations=60)
    run = searched(scenario, tmp_path)
    assert run.feasible == 0
    assert run.relaxations
    for relaxation in run.relaxations:
        ball = next(m.ball for m in run.short_list if m.label == relaxation.member)
        names = {b.figure for b in scenario.bounds()} - {FILL_DENSITY}
        values = {n: f.value for n, f in estimate(ball, tuple(names)).figures.items()}
        values[FILL_DENSITY] = ball.layer[0].material.density_g_cm3.value
        broken = [b for b in scenario.bounds() if b.excess(values[b.figure]) > 0.0]
        (loosened,) = [
            b for b in broken if (b.figure, b.side) == (relaxation.figure, relaxation.side)
        ]
        assert relaxation.alone == (len(broken) == 1)
        assert replace(loosened, value=relaxation.needed).excess(values[loosened.figure]) == 0.0
        inward = 1e-3 if loosened.side == "at least" else -1e-3
        almost = replace(loosened, value=relaxation.needed + inward)
        assert almost.excess(values[loosened.figure]) > 0.0


def test_a_space_without_any_ball_is_told(tmp_path):
    layer = [
        {"role": "core", "material": "core rubber, soft", "density_g_cm3": [1.1, 1.2]},
        {"role": "cover", "thickness_mm": 0.5, "material": "ionomer, soft"},
    ]
    fill = {"mass_g": 95.0, "layer": 2, "density_g_cm3": [1.0, 2.0]}
    run = searched(two_layers(layer=layer, fill=fill, evaluations=10), tmp_path)
    assert (run.evaluated, run.feasible, run.short_list) == (0, 0, ())
    assert run.ruled_out > 0
    (relaxation,) = run.relaxations
    assert relaxation.figure == FILL_DENSITY
    with Ledger(tmp_path / "l.sqlite") as ledger:
        assert same(load_run(ledger, run.id), run)


def test_broken_builds_that_were_computed_rank_before_those_that_were_not():
    bound, other = (Bound(f, "at most", 1.0, 0.0, "limit") for f in ("mass_g", "frequency_hz"))
    computed = Infeasible({other: 50.0}, {}, complete=True)
    ruled_out = Infeasible({bound: 0.01}, {}, complete=False)
    scenario = four_layers()
    assert score_of(computed, scenario).violation < score_of(ruled_out, scenario).violation
    assert score_of(ruled_out, scenario).losses is None


# Failed builds.


def some_fail(ball: Ball, names: tuple[str, ...], *_: object) -> Estimate:
    if ball.layer[-1].material.name == "urethane, medium":
        return Estimate(ball, {}, dict.fromkeys(names, f"no answer at {ball.diameter_mm:.3f} mm"))
    return estimate(ball, names)


def test_failed_builds_are_counted_and_take_no_part(tmp_path, monkeypatch):
    monkeypatch.setattr(pool, "compute_one", some_fail)
    run = searched(four_layers(), tmp_path)
    (reason,) = run.failed
    assert "no answer at … mm" in reason
    assert run.failed[reason] > 0
    assert run.evaluated + run.failed[reason] == run.scenario.evaluations
    assert np.all(np.isfinite(run.cloud))
    assert run.cloud[:, 0].max() < 100.0  # no made-up number
    assert all(m.ball.layer[-1].material.name != "urethane, medium" for m in run.short_list)


def test_a_flagged_figure_is_a_failure(tmp_path, monkeypatch):
    def flagged(ball: Ball, names: tuple[str, ...], *_: object) -> Estimate:
        found = estimate(ball, names)
        if ball.layer[-1].material.name == "urethane, medium":
            figures = {n: replace(f, flag="energy off by 2 %") for n, f in found.figures.items()}
            return Estimate(ball, figures)
        return found

    monkeypatch.setattr(pool, "compute_one", flagged)
    run = searched(four_layers(), tmp_path)
    assert list(run.failed) == ["moi_g_cm2: energy off by … %"]
    assert all(m.ball.layer[-1].material.name != "urethane, medium" for m in run.short_list)


def test_a_search_of_which_every_build_fails_ends_with_the_reason(tmp_path, monkeypatch):
    def fails(ball: Ball, names: tuple[str, ...], *_: object) -> Estimate:
        return Estimate(ball, {}, dict.fromkeys(names, "no answer"))

    monkeypatch.setattr(pool, "compute_one", fails)
    with pytest.raises(SolverError, match=r"All \d+ builds failed; .* no answer"):
        searched(four_layers(), tmp_path)


@pytest.mark.parametrize("trouble", [ZeroDivisionError("x"), ValueError("x")])
def test_number_trouble_in_one_build_does_not_end_a_batch(monkeypatch, trouble):
    def raises(ball: Ball, names: tuple[str, ...], *_: object) -> Estimate:
        raise trouble

    monkeypatch.setattr(one, "estimate", raises)
    ball = Space(two_layers()).decode((0, 0)).ball
    found = one.compute_one(ball, ("mass_g",))
    assert type(trouble).__name__ in found.failed["mass_g"]


def test_a_figure_that_is_no_number_is_a_failure(monkeypatch):
    def nan(ball: Ball, names: tuple[str, ...], *_: object) -> Estimate:
        found = estimate(ball, names)
        return Estimate(ball, {n: replace(f, value=float("nan")) for n, f in found.figures.items()})

    monkeypatch.setattr(one, "estimate", nan)
    found = one.compute_one(Space(two_layers()).decode((0, 0)).ball, ("mass_g",))
    assert (found.figures, list(found.failed)) == ({}, ["mass_g"])


# The seam to the search library.


def proposals(goals: int, seed: int, generations: int = 8) -> list[list[Row]]:
    """Drive the proposer with losses of its rows; some broken, some failed."""
    proposer = evolve(Space(four_layers()), goals, 20, seed)
    rows = [ask.row for ask in next(proposer)]
    seen = [rows]
    for _ in range(generations):
        told: list[Score | None] = []
        for row in rows:
            losses = tuple(float((k + 1) * row[0] - row[2] * k) for k in range(goals))
            broken = row[5] % 3 == 1
            answer_ = Score(None if broken else losses, float(broken))
            told.append(None if row[7] % 5 == 1 else answer_)
        rows = [ask.row for ask in proposer.send(told)]
        seen.append(rows)
    return seen


@pytest.mark.parametrize("goals", [1, 2, 3])
def test_equal_seeds_give_equal_proposals_whatever_the_global_random_state(goals):
    np.random.rand(3)  # noqa: NPY002 - the global state must not matter
    one = proposals(goals, seed=4)
    np.random.rand(7)  # noqa: NPY002
    assert proposals(goals, seed=4) == one
    assert proposals(goals, seed=5) != one


@pytest.mark.parametrize("goals", [1, 2])
def test_no_build_is_proposed_twice_in_a_generation(goals):
    for rows in proposals(goals, seed=1):
        assert len(set(rows)) == len(rows)


def test_the_first_generation_fills_every_freedom_evenly():
    rows = np.array([ask.row for ask in next(evolve(Space(four_layers()), 2, 40, 1))])
    sizes = Space(four_layers()).sizes
    ordered = rows[:, 0] / sizes[0]
    counts, _ = np.histogram(ordered, bins=4, range=(0.0, 1.0))
    assert np.all(np.abs(counts - 10) <= 1)


# Resume and processes.


def stop_after(count: int):
    def progress(state: Progress) -> None:
        if state.evaluated == count:
            raise KeyboardInterrupt

    return progress


@pytest.mark.parametrize("count", [1, 20, 77, 200])
def test_a_search_stopped_by_ctrl_c_goes_on_to_the_same_answer(tmp_path, count):
    scenario = four_layers()
    whole = searched(scenario, tmp_path)
    part = tmp_path / "part"
    part.mkdir()
    with pytest.raises(Interrupted, match=rf"Stopped after {count} of 200 .* goes on from there"):
        searched(scenario, part, progress=stop_after(count))
    with Ledger(part / "l.sqlite") as ledger:
        assert len(ledger) >= count
        assert ledger.runs()[0].status == "interrupted"
        with pytest.raises(InputError, match="is not finished"):
            load_run(ledger, scenario.name)
    resumed = searched(scenario, part)
    assert same(resumed, whole)
    assert resumed.reused >= count


def test_another_scenario_reuses_the_builds(tmp_path):
    first = searched(four_layers(), tmp_path)
    second = searched(four_layers(name="the same under another name", evaluations=220), tmp_path)
    assert first.reused < 20
    assert second.reused >= 200


def test_a_run_is_named_by_all_that_its_answer_hangs_on():
    base = name_run(four_layers())[0]
    assert name_run(four_layers())[0] == base
    assert name_run(four_layers(seed=2))[0] != base
    assert name_run(four_layers(population=22))[0] != base
    assert name_run(four_layers(units="trade")) == name_run(four_layers())


def test_progress_counts_up_to_the_budget(tmp_path):
    states: list[Progress] = []
    run = searched(four_layers(), tmp_path, progress=states.append)
    assert [s.evaluated for s in states[:200]] == list(range(1, 201))
    assert states[-1].budget == 200
    assert states[0].seconds_left is None or states[0].seconds_left > 0.0
    assert states[-1].best["moi_g_cm2"] == run.short_list[0].estimate["moi_g_cm2"].value


def with_deflection(evaluations: int) -> Scenario:
    goal = [
        {"figure": "deflection_mm", "aim": "maximize"},
        {"figure": "moi_g_cm2", "aim": "maximize"},
    ]
    return four_layers(goal=goal, evaluations=evaluations, population=10)


def test_two_processes_give_the_same_to_the_last_bit(tmp_path):
    scenario = with_deflection(24)
    (tmp_path / "two").mkdir()
    one = searched(scenario, tmp_path)
    two = searched(scenario, tmp_path / "two", workers=2)
    assert two.reused == 0
    assert same(one, two)


def children_of(pid: int) -> list[int]:
    return [int(c) for c in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


@needs_proc
def test_a_worker_killed_in_mid_run_loses_nothing(tmp_path):
    scenario = with_deflection(30)
    (tmp_path / "two").mkdir()
    killed: list[int] = []

    def kill_once(state: Progress) -> None:
        if state.evaluated == 12 and not killed:
            children = children_of(os.getpid())
            lines = {c: Path(f"/proc/{c}/cmdline").read_bytes() for c in children}
            killed.append(next(c for c, line in lines.items() if b"spawn_main" in line))
            os.kill(killed[0], signal.SIGKILL)

    two = searched(scenario, tmp_path / "two", workers=2, progress=kill_once)
    assert killed
    assert same(two, searched(scenario, tmp_path))


_SEARCHER = """
import sys
from pathlib import Path
from optimize.search import answer
from optimize.ledger.ledger import Ledger
from optimize.search.run import run_search
from tests.optimize.search.test_run import with_deflection
if __name__ == "__main__":
    with Ledger(Path(sys.argv[1])) as ledger:
        run_search(with_deflection(60), ledger, 1, lambda s: print(s.evaluated, flush=True))
"""


def test_a_search_killed_at_any_moment_goes_on_to_the_same_answer(tmp_path):
    scenario = with_deflection(60)
    whole = searched(scenario, tmp_path)
    moments = np.random.default_rng(time.time_ns()).integers(1, 60, size=2)
    for moment in moments:
        part = tmp_path / f"part{moment}"
        part.mkdir(exist_ok=True)
        command = [sys.executable, "-c", _SEARCHER, str(part / "l.sqlite")]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert process.stdout is not None
        while int(process.stdout.readline()) < moment:
            pass
        process.kill()
        process.wait()
        with Ledger(part / "l.sqlite") as ledger:
            assert moment - 1 <= len(ledger) < 75
        assert same(searched(scenario, part), whole), f"killed after {moment}"


def is_running(pid: int) -> bool:
    try:
        return bool(Path(f"/proc/{pid}/cmdline").read_bytes())  # a zombie has none
    except OSError:
        return False


_PARENT = """
import sys
from pathlib import Path
from optimize.ledger.ledger import Ledger
from optimize.search.result import Interrupted
from optimize.search.run import run_search
from tests.optimize.search.test_run import with_deflection
if __name__ == "__main__":
    with Ledger(Path(sys.argv[1])) as ledger:
        try:
            run_search(with_deflection(2000), ledger, 2, lambda s: print(s.evaluated, flush=True))
        except Interrupted as stop:
            print(stop, flush=True)
            sys.exit(130)
"""


@needs_proc
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_no_process_is_left_behind(tmp_path, how):
    command = [sys.executable, "-c", _PARENT, str(tmp_path / "l.sqlite")]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    process = subprocess.Popen(command, start_new_session=True, **pipes)
    while int(process.stdout.readline()) < 5:
        pass
    children = children_of(process.pid)
    assert len(children) >= 2
    if how == signal.SIGINT:
        os.killpg(process.pid, how)  # as a terminal does: to the workers too
    else:
        process.kill()
    out, err = process.communicate(timeout=600)
    if how == signal.SIGINT:
        assert err == ""
        assert process.returncode == 130
        assert "goes on from there" in out
    deadline = time.monotonic() + 600.0
    while any(is_running(child) for child in children) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not any(is_running(child) for child in children)


@pytest.mark.parametrize("row", [(2, 0), (0, 3), (-1, 0), (0,), (0, 0, 0)])
def test_a_row_that_the_space_does_not_have_is_seen(row):
    assert _fits((1, 2), [2, 3])
    assert not _fits(row, [2, 3])
