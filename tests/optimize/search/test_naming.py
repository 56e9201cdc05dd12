"""Names of runs, and runs found by them. Kind: structure."""

import hashlib
import json
import re
from pathlib import Path

import numpy as np
import pytest

from layers.ball import Ball
from layers.errors import InputError, SolverError
from layers.estimates import Estimate
from layers.model_version import MODEL_VERSION
from optimize.compute import pool
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Proposal
from optimize.ledger.seal import RunRow
from optimize.scenario.brief import Scenario
from optimize.search import run as runs
from optimize.search.result import Interrupted
from optimize.search.run import load_run, name_run, run_search
from tests.helpers.briefs import two_layers
from tests.optimize.search.test_run import same

FEW = (Path(__file__).parents[2] / "helpers" / "closed_form.toml").read_text()


def kept(path: Path, *rows: tuple[str, str, str]) -> Ledger:
    """Write runs (id, name, status) in a ledger, the first the latest."""
    ledger = Ledger(path / "l.sqlite")
    with ledger.transaction():
        for i, (key, name, status) in enumerate(rows):
            text = two_layers(name=name).model_dump_json()
            started = f"2026-01-{30 - i:02d}"
            ledger.take_run(RunRow(key, name, text, 1, '{"model": "1"}', status, started, None), ())
    return ledger


def test_of_runs_of_one_name_the_latest_that_is_finished_is_shown(tmp_path):
    with kept(
        tmp_path,
        ("r4", "brief", "running"),
        ("r3", "brief", "finished"),
        ("r2", "brief", "finished"),
        ("r1", "other", "interrupted"),
    ) as ledger:
        assert runs._find(ledger, "brief").id == "r3"
        assert runs._find(ledger, "r2").id == "r2"
        for name in ("r4", "other", "r1"):
            with pytest.raises(InputError) as told:
                runs._find(ledger, name)
            assert str(told.value) == (
                f"run {name!r} in {ledger.path} is not finished; the same search with this ledger "
                "goes on from where it stopped."
            )


def test_names_that_are_near_or_the_first_five_are_told(tmp_path):
    names = ("soft feel", "soft core", "soft cover", "soft skin", "heavy", "hollow", "heavy")
    rows = [(f"r{i}", name, "finished") for i, name in enumerate(names)]
    with kept(tmp_path, *rows) as ledger:
        with pytest.raises(InputError, match=r"it has 'soft feel', 'soft core', 'soft c") as told:
            runs._find(ledger, "soft fel")
        assert str(told.value).count("'") == 2 * (1 + 3)
        with pytest.raises(InputError) as told:
            runs._find(ledger, "zzz")
        assert str(told.value).endswith(
            "it has 'soft feel', 'soft core', 'soft cover', 'soft skin', 'heavy'."
        )
    (tmp_path / "none").mkdir()
    words = r"there is no run 'zzz' in .*; it has none yet\."
    with kept(tmp_path / "none") as ledger, pytest.raises(InputError, match=words):
        runs._find(ledger, "zzz")


def test_a_runs_id_is_of_scenario_and_versions_and_twelve_digits_long():
    name, versions = name_run(two_layers())
    assert re.fullmatch(r"[0-9a-f]{12}", name)
    assert list(versions) == ["model", "search", "numpy", "pymoo"]
    assert versions["model"] == MODEL_VERSION
    assert versions["numpy"] == np.__version__
    by_emulator = name_run(two_layers(method="emulator"))[1]
    assert list(by_emulator) == ["model", "search", "numpy", "pymoo", "scikit-learn", "scipy"]
    content = [two_layers().model_dump(mode="json", exclude={"units"}), versions]
    text = json.dumps(content, sort_keys=True)
    assert name == hashlib.sha256(text.encode()).hexdigest()[:12]


def test_a_proposal_that_the_scenario_does_not_have_is_damage(tmp_path):
    with kept(tmp_path, ("r1", "brief", "finished")) as ledger:
        (row,) = ledger.run_rows()
        with ledger.transaction():
            ledger.take_run(row, [Proposal((0, 99), None, computed=False)])
        words = "is damaged: run r1 looked at a build that its scenario does not have; search it"
        with pytest.raises(InputError, match=words):
            load_run(ledger, "r1")


def test_a_scenario_that_cannot_be_read_is_told_with_its_run(tmp_path):
    with kept(tmp_path, ("r1", "brief", "finished")) as ledger:
        (row,) = ledger.run_rows()
        with ledger.transaction():
            ledger.take_run(row._replace(scenario="{}"), ())
        with pytest.raises(InputError, match="the scenario of run r1"):
            load_run(ledger, "r1")


def test_a_run_may_be_given_as_files_and_knows_who_started_it(tmp_path):
    brief = FEW.replace("evaluations = 40", "evaluations = 9")
    (tmp_path / "s.toml").write_text(brief)
    run = run_search(tmp_path / "s.toml", tmp_path / "l.sqlite", who="Ann")
    assert [(event.kind, event.who) for event in run.events] == [("started", "Ann")]
    assert run.seconds > 0.0
    shown = load_run(tmp_path / "l.sqlite", run.id)
    assert same(shown, run)
    assert shown.seconds == 0.0
    with Ledger(tmp_path / "l.sqlite", reading=True) as ledger:
        (record,) = ledger.runs()
    assert (record.id, record.name, record.seed, record.status) == (
        run.id, run.scenario.name, run.seed, "finished"
    )  # fmt: skip
    assert Scenario.model_validate_json(record.scenario) == run.scenario


def test_a_search_of_which_every_build_fails_is_kept_as_interrupted(tmp_path, monkeypatch):
    def fails(ball: Ball, names: tuple[str, ...], *_: object) -> Estimate:
        return Estimate(ball, {}, dict.fromkeys(names, "no answer"))

    monkeypatch.setattr(pool, "compute_one", fails)
    with Ledger(tmp_path / "l.sqlite") as ledger:
        with pytest.raises(SolverError):
            run_search(two_layers(evaluations=4), ledger)
        assert [run.status for run in ledger.runs()] == ["interrupted"]


def test_by_default_one_process_computes_on_either_mesh(tmp_path, monkeypatch):
    asked = []
    true = runs.computing

    def computing(workers, *rest):
        asked.append((workers, *rest[1:]))
        return true(workers, *rest)

    monkeypatch.setattr(runs, "computing", computing)
    run = run_search(two_layers(evaluations=4), tmp_path / "l.sqlite")
    assert asked == [(1,)]
    seen = []
    monkeypatch.setattr(runs, "refined", lambda found, evaluator: seen.append(evaluator) or found)
    assert runs.refine_run(tmp_path / "l.sqlite", run.id) == run
    assert asked == [(1,), (1, "fine")]
    assert seen[0].model_version == f"{MODEL_VERSION}+fine"
    fine = two_layers(evaluations=4, shortlist_mesh="fine")
    run_search(fine, tmp_path / "l.sqlite", who="Ann")
    assert asked[2:] == [(1,), (1, "fine")]


def test_a_search_that_is_stopped_says_how_far_it_came(tmp_path):
    def stop(state):
        if state.evaluated == 3:
            raise KeyboardInterrupt

    with Ledger(tmp_path / "l.sqlite") as ledger:
        with pytest.raises(Interrupted) as told:
            run_search(two_layers(evaluations=9), ledger, progress=stop)
        assert str(told.value) == (
            f"Stopped after 3 of 9 builds; all of them are in {ledger.path}. The same search with "
            "this ledger goes on from there."
        )
        assert [run.status for run in ledger.runs()] == ["interrupted"]


def test_a_search_that_is_stopped_before_it_begins_leaves_no_run(tmp_path, monkeypatch):
    def stopped(*_):
        raise KeyboardInterrupt

    with Ledger(tmp_path / "l.sqlite") as ledger:
        with monkeypatch.context() as patch:
            patch.setattr(runs, "computing", stopped)  # while worker processes are started
            with pytest.raises(Interrupted, match="Stopped after 0 of 9 builds"):
                run_search(two_layers(evaluations=9), ledger)
        assert ledger.runs() == ()
        assert run_search(two_layers(evaluations=9), ledger).evaluated == 9


def test_showing_a_run_makes_no_ledger(tmp_path):
    with pytest.raises(InputError, match="cannot be opened"):
        load_run(tmp_path / "none.sqlite", "brief")
    assert list(tmp_path.iterdir()) == []
