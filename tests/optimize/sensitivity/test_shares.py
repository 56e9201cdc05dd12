"""Global sensitivities: from a finished run to tables, JSON and a drawing."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers.errors import InputError
from layers.figures import QUANTITIES
from optimize.ledger.ledger import Ledger
from optimize.report.shares import sentences, shares_record, shares_sections
from optimize.report.words import label_of
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import Space
from optimize.search.result import Interrupted, Run
from optimize.search.run import run_search
from optimize.sensitivity.more_builds import Computed, compute_more, computed
from optimize.sensitivity.result import Shares
from optimize.sensitivity.shares import shares
from tests.helpers.briefs import four_layers
from tests.optimize.commands.test_app import refused, run

GLOBAL = ("sensitivity", "global")
QUICK = Path(__file__).parents[2] / "helpers" / "closed_form.toml"


@pytest.fixture(scope="module")
def searched(tmp_path_factory) -> tuple[Path, Run, Computed]:
    """Search the four-layer brief, whose figures are closed forms and whose mantle is optional."""
    path = tmp_path_factory.mktemp("shares") / "ledger.sqlite"
    with Ledger(path) as book:
        found = run_search(four_layers(evaluations=80), book)
        known = computed(found, book.known([b.key for b in found.builds], found.model_version))
    return path, found, known


@pytest.fixture(scope="module")
def shared(searched) -> Shares:
    return shares(searched[1], searched[2], sample=1024)


def test_shares_are_those_of_the_closed_forms_themselves(searched, shared):
    """The same figures computed for every build of a random sample, grouped by each variable."""
    space = Space(searched[1].scenario)
    rows = np.random.default_rng(8).integers(space.sizes, size=(6000, len(space.genes)))
    rows = rows[can_be_made(space, rows)][:1500]
    balls = [space.decode(tuple(row.tolist())).ball for row in rows]
    masses = np.array([_inner_mass(ball) for ball in balls])
    found = next(one for one in shared.figures if one.figure == "stage1.mass_g")
    assert np.quantile(masses, (0.025, 0.975)) == pytest.approx([found.low, found.high], rel=0.03)
    for i, size in enumerate(space.sizes):
        held = np.eye(size)[rows[:, i]]
        means = (masses @ held) / np.maximum(held.sum(axis=0), 1.0)
        inside = np.var(masses - means[rows[:, i]]) * len(rows) / (len(rows) - size)
        assert found.first[i].value == pytest.approx(1.0 - inside / np.var(masses), abs=0.06)
    assert max(index.value for index in found.first) > 0.3


def _inner_mass(ball) -> float:
    inner = ball.layer[0]
    return np.pi / 6.0 * inner.outer_diameter_mm**3 * inner.material.density_g_cm3.value * 1e-3


def test_the_same_run_gives_the_same_shares(searched, shared):
    assert shared == shares(searched[1], searched[2], sample=1024)
    assert shared.makeable == pytest.approx(0.5, abs=0.3)
    assert [figure.figure for figure in shared.figures][:2] == ["moi_g_cm2", "stage1.mass_g"]
    assert shared.constant == ("mass_g", "diameter_mm")


def test_a_modulus_changes_no_mass(shared):
    for figure in shared.figures:
        for gene, total in zip(shared.genes, figure.total, strict=True):
            if gene.what == "youngs_modulus_mpa":
                assert total.high < 0.02


def test_sentences_name_the_largest_share_and_warn(shared):
    said = sentences(shared)
    figure = shared.figures[0]
    best = max(figure.first, key=lambda index: index.value)
    label = label_of(figure.figure)
    assert said[0].startswith(f"Variance of {label}: {100 * best.value:.0f} % from ")
    assert sum("without" in words for words in said) == 2
    poor = replace(shared, figures=(replace(figure, error=0.06), *shared.figures[1:]))
    titles = [section.title for section in shares_sections(poor)]
    assert titles[:2] == ["Summary", titles[1]]
    last = shares_sections(poor)[-1].notes
    assert last[0].startswith(f"Unreliable: {label}. The emulator's error is more than 5 %")
    assert not shares_sections(shared)[-1].notes[0].startswith("Unreliable")
    assert any("% of all combinations can be made" in note for note in last)


def test_more_builds_are_spread_new_and_the_same_each_time(searched, shared):
    path, found, known = searched
    told = []
    with Ledger(path) as book:
        more = compute_more(found, tuple(known.values), 30, book, 1, lambda *at: told.append(at))
        again = compute_more(found, tuple(known.values), 30, book, 1, lambda *_: None)
    assert told[-1] == (30, 30)
    assert again.rows == more.rows
    assert not set(more.rows) & set(known.rows)
    assert all(can_be_made(Space(found.scenario), more.rows))
    with_more = shares(found, known, more, sample=1024)
    assert (with_more.builds, with_more.added) == (shared.builds + 30, 30)
    check = with_more.figures[0].validation
    assert check.builds == 30
    assert check.error < 0.05
    assert check.covered > 0.7


def test_more_builds_stop_at_ctrl_c_and_refuse_another_model(searched):
    path, found, known = searched
    names = tuple(known.values)

    def stop(done: int, _: int) -> None:
        if done == 3:
            raise KeyboardInterrupt

    with Ledger(path) as book:
        with pytest.raises(Interrupted, match="Stopped after 3 of 40 builds"):
            compute_more(found, names, 40, book, 1, stop)
        with pytest.raises(InputError, match="was computed by model old"):
            compute_more(replace(found, model_version="old"), names, 5, book, 1, stop)


def test_too_few_builds_are_refused(searched):
    _, found, known = searched
    few = Computed(known.rows[:4], {name: y[:4] for name, y in known.values.items()})
    with pytest.raises(InputError, match="has 4 builds; at least 5 are needed"):
        shares(found, few)


def test_records_hold_what_the_shares_do(shared):
    record = shares_record(shared)
    assert json.loads(json.dumps(record, allow_nan=False)) == record
    first = record["figures"][0]
    assert first["unit"] == QUANTITIES["moi_g_cm2"].unit
    assert [one["total"] for one in first["variables"]] == [
        t.value for t in shared.figures[0].total
    ]
    assert {one["layer"] for one in first["layers"]} == {1, 2, 3, 4}


def test_the_command_prints_and_draws(tmp_path):
    ledger = tmp_path / "ledger.sqlite"
    assert run("search", QUICK, "--ledger", ledger, "--workers", 1)[0] == 0
    name = "Quick: mass outward, cheaply"
    picture = tmp_path / "indices.svg"
    options = ("--ledger", ledger, "--builds", 20, "--workers", 1)
    code, out, err = run(*GLOBAL, name, *options)
    assert code == 0, err
    assert "20 of 20 further builds" in err
    assert out.startswith(
        f"Global sensitivities: {name}\n\nSummary\nVariance of {label_of('moi_ratio')}: "
    )
    assert "error on new builds" in out
    picture = tmp_path / "indices.svg"
    code, out, _ = run(*GLOBAL, name, "--ledger", ledger, "--json", "--drawing", picture)
    record = json.loads(out)
    assert record["builds_added"] == 0
    assert record["builds"] == 40
    assert picture.read_text().startswith("<?xml")
    assert "must end in .svg or .png" in refused(*GLOBAL, name, "--drawing", "a.pdf")
    assert "there is no run" in refused(*GLOBAL, "nothing", "--ledger", ledger)
