"""Indices of builds that are all computed: resumed, by a card, beside an emulator, as a command.

Kinds: comparison (closed-form figures by one process, by a card's processes, from the ledger;
an emulator that is known to be off), limits, refusals.
"""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers.errors import InputError
from optimize.commands import page as page_command
from optimize.compute.card import OnCard
from optimize.ledger.ledger import Ledger
from optimize.page.sobol import direct_sobol_of, joined, sobol_of
from optimize.report.maps import mapped
from optimize.report.shares import shares_sections
from optimize.report.words import label_of
from optimize.scenario.brief import read_scenario
from optimize.scenario.makeable import can_be_made
from optimize.scenario.space import content_of, key_of
from optimize.search.result import Interrupted
from optimize.search.run import load_run, run_search
from optimize.sensitivity import direct as module
from optimize.sensitivity.against import with_emulator_error
from optimize.sensitivity.direct import direct_shares, planned
from optimize.sensitivity.more_builds import computed
from tests.helpers.marching import Here
from tests.optimize.commands.test_app import refused, run

QUICK = Path(__file__).parents[2] / "helpers" / "closed_form.toml"
BRIEF = read_scenario(QUICK)
NAME = BRIEF.name
DIRECT = ("sensitivity", "direct")


def told(*_: int) -> None:
    """Take progress."""


@pytest.fixture(scope="module")
def plan():
    return planned(BRIEF, 128)


@pytest.fixture(scope="module")
def book(tmp_path_factory) -> Path:
    """A ledger with a finished run of 40 builds, to which the direct builds are added."""
    path = tmp_path_factory.mktemp("direct") / "l.sqlite"
    with Ledger(path) as ledger:
        run_search(BRIEF, ledger)
    return path


@pytest.fixture(scope="module")
def found(plan, book):
    with Ledger(book) as ledger:
        return direct_shares(plan, BRIEF.figures(), ledger, 1, None, told)


def test_the_plan_has_makeable_builds_each_once_and_is_drawn_again(plan):
    assert can_be_made(plan.space, plan.rows).all()
    assert len(set(plan.rows)) == len(plan.rows) < plan.sample.rows[..., 0].size
    assert planned(BRIEF, 128).rows == plan.rows
    assert planned(BRIEF.model_copy(update={"seed": 4}), 256).rows != plan.rows
    drawn = plan.sample.rows.reshape(-1, len(plan.space.genes))
    assert all(plan.rows[k] == tuple(r) for k, r in zip(plan.places, drawn.tolist(), strict=True))


def test_the_indices_are_those_of_the_closed_forms(plan, found):
    """Stage 1 is a uniform sphere: its mass from diameters and density alone."""
    mass = found.direct.values["stage1.mass_g"].ravel()
    for k in (0, 100, 700):
        inner = plan.space.decode(plan.rows[plan.places[k]]).ball.layer[0]
        volume = np.pi / 6.0 * inner.outer_diameter_mm**3
        assert mass[k] == pytest.approx(1e-3 * volume * inner.material.density_g_cm3.value)
    one = next(f for f in found.figures if f.figure == "stage1.mass_g")
    by_name = dict(zip([(g.layer, g.what) for g in found.genes], one.total, strict=True))
    assert by_name[1, "density_g_cm3"].value == by_name[1, "material"].value == 0.0
    # ln m = ln rho + 3 ln d: shares of the variance by the deltas, to first order.
    rho = np.var(np.log(np.arange(1.10, 1.2501, 0.01)))
    t1, t2 = np.arange(0.8, 2.001, 0.1), np.arange(0.6, 1.2001, 0.1)
    middle = 42.7 - 2.0 * (t1.mean() + t2.mean())
    parts = np.array([rho, 36.0 * np.var(t1) / middle**2, 36.0 * np.var(t2) / middle**2])
    expected = parts / parts.sum()
    told = [by_name[0, "density_g_cm3"], by_name[1, "thickness_mm"], by_name[2, "thickness_mm"]]
    assert [index.value for index in told] == pytest.approx(expected, abs=0.03)
    assert max(expected) > 0.4  # the guard: other shares would be noticed


def test_what_is_in_the_ledger_is_reused_and_a_card_gives_the_same(plan, found, book, tmp_path):
    with Ledger(book) as ledger:
        again = direct_shares(plan, BRIEF.figures(), ledger, 1, None, told)
    assert (again, again.direct.reused) == (found, len(plan.rows))
    with Ledger(tmp_path / "l.sqlite") as ledger:
        card = direct_shares(plan, BRIEF.figures(), ledger, OnCard((Here(),)), None, told)
        known = ledger.known([key_of(content_of(plan.space.decode(plan.rows[-1]).ball))],
                             card.model_version)  # fmt: skip
    assert (card.figures, card.direct.reused) == (found.figures, 0)
    assert "single on this processor" in card.model_version
    assert known


def test_ctrl_c_keeps_what_is_done(plan, found, tmp_path):
    def stop(done: int, _: int) -> None:
        if done >= 128:
            raise KeyboardInterrupt

    with Ledger(tmp_path / "l.sqlite") as ledger:
        with pytest.raises(Interrupted, match="Stopped after 128 of"):
            direct_shares(plan, BRIEF.figures(), ledger, 1, None, stop)
        rest = direct_shares(plan, BRIEF.figures(), ledger, 1, None, told)
    assert (rest.figures, rest.direct.reused) == (found.figures, 128)


def test_a_build_without_a_figure_takes_its_redrawn_ones_along(plan, found, book, monkeypatch):
    lacking = plan.rows[plan.places[5]]
    real = module._values

    def values(scenario, names, evaluator, rows):
        table = real(scenario, names, evaluator, rows)
        table[[row == lacking for row in rows]] = np.nan
        return table

    monkeypatch.setattr(module, "_values", values)
    with Ledger(book) as ledger:
        fewer = direct_shares(plan, BRIEF.figures(), ledger, 1, None, told)
    lost = fewer.direct.lost["moi_ratio"]
    assert lost >= 1
    assert np.isnan(fewer.direct.values["moi_ratio"]).any()
    for one, whole in zip(fewer.figures, found.figures, strict=True):
        assert [i.value for i in one.total] == pytest.approx(
            [i.value for i in whole.total], abs=0.05
        )
    assert f"{lost} for moi_ratio" in shares_sections(fewer)[-1].notes[-1]
    bad = np.array([np.nan, 1.0, 1.0, 1.0])
    monkeypatch.setattr(module, "_values", lambda *a: real(*a) * bad)
    with Ledger(book) as ledger:
        without = direct_shares(plan, BRIEF.figures(), ledger, 1, None, told)
    assert [f.figure for f in without.figures] == ["stage1.mass_g", "mass_g"]
    assert shares_sections(without)[-1].notes[-1].startswith("No indices of moi_ratio: fewer than")
    monkeypatch.setattr(module, "_values", lambda *a: real(*a) * np.nan)
    with (
        Ledger(book) as ledger,
        pytest.raises(InputError, match="no figure could be computed for 64 of 128 random builds"),
    ):
        direct_shares(plan, BRIEF.figures(), ledger, 1, None, told)


def test_the_emulators_error_is_that_of_its_predictions(found, book):
    with Ledger(book) as ledger:
        searched = load_run(ledger, NAME)
        known = ledger.known([b.key for b in searched.builds], searched.model_version)
        own = computed(searched, known)
    beside = with_emulator_error(found, searched, own)
    error = next(e for e in beside.direct.emulator if e.figure == "mass_g")
    assert error.builds == 128
    assert 0.0 < error.error < 0.01
    assert abs(error.bias) <= error.rms
    assert error.within_68 <= error.within_95
    assert np.abs([*error.first, *error.total]).max() < 0.1
    # An emulator of masses that are 1 g too high is 1 g off.
    heavy = replace(own, values={"mass_g": own.values["mass_g"] + 1.0})
    worse = with_emulator_error(found, searched, heavy).direct.emulator
    off = next(e for e in worse if e.figure == "mass_g")
    assert off.bias - error.bias == pytest.approx(1.0, abs=0.05)
    assert off.within_95 < 0.2
    few = replace(own, rows=own.rows[:4])
    with pytest.raises(InputError, match="at least 5 are needed"):
        with_emulator_error(found, searched, few)


def test_a_map_has_the_means_of_its_cells(plan, found):
    i, k = 0, 2
    sizes = [len(plan.space.genes[i].values), len(plan.space.genes[k].values)]
    mean, share = mapped(found.direct, "mass_g", [i, k], sizes)
    rows, y = plan.sample.rows.reshape(-1, 5), found.direct.values["mass_g"].ravel()
    cell = (rows[:, i] * mean.shape[0] // sizes[0] == 2) & (
        rows[:, k] * mean.shape[1] // sizes[1] == 1
    )
    assert mean[2, 1] == pytest.approx(y[cell].mean())
    assert 0.9 < share < 1.0  # mass follows from these two densities but for thicknesses
    one, share = mapped(found.direct, "mass_g", [0], sizes[:1])
    assert one.shape[1] == 1
    first = next(f for f in found.figures if f.figure == "mass_g").first[0]
    assert share == pytest.approx(first.value, abs=0.05)


def test_the_page_names_the_builds_device_and_precision(book):
    with Ledger(book) as ledger:
        searched = load_run(ledger, NAME)
        sobol = direct_sobol_of(searched, ledger, 128, 1, told)
        known = ledger.known([b.key for b in searched.builds], searched.model_version)
    assert "computed in single precision on this processor" in sobol.source
    assert sobol.total.shape == (3, 5)
    of_mass = next(one for one in sobol.maps if one["figure"] == "mass_g")
    assert [one["label"] for one in of_mass["sides"]] == ["core density", "mantle density"]
    assert of_mass["sides"][0]["marks"][0] == (0, pytest.approx(1.105, abs=0.01))
    assert 0.9 < of_mass["share"] < 1.0
    # A figure that was not computed is the emulator's, and says so.
    part = {name: getattr(sobol, name)[1:] for name in ("figures", "first", "total", "low", "high")}
    emulated = sobol_of(searched, known)
    both = joined(replace(sobol, **part), emulated)
    assert both.figures == (*sobol.figures[1:], f"{sobol.figures[0]} (emulator)")
    assert (both.total[-1] == emulated.total[0]).all()
    assert (both.low[:2] == sobol.low[1:]).all()
    assert "Those marked: Over all builds that the scenario allows, by Gaussian" in both.source
    assert joined(sobol, emulated) is joined(sobol, None) is sobol


def test_the_page_command_takes_computed_indices(book, tmp_path, monkeypatch):
    given = []
    monkeypatch.setattr(page_command, "write", lambda *parts: given.extend(parts[-2:]))
    options = ("--ledger", book, "--workers", 1, "--sobol-builds", 128)
    code, _, err = run("page", NAME, *options, "--out", tmp_path / "p.html")
    assert (code, given[1].figures[1]) == (0, label_of("stage1.mass_g")), err
    assert "786 of 786 builds for Sobol indices." in err
    message = refused("page", NAME, "--ledger", book, "--device", "gpu")
    assert "give --sobol-builds N too" in message


def test_the_command_computes_a_file_or_a_run_and_draws(found, book, tmp_path):
    options = ("--ledger", book, "--builds", 128, "--workers", 1)
    picture, maps = tmp_path / "i.svg", tmp_path / "m.svg"
    code, out, err = run(*DIRECT, QUICK, *options, "--json", "--drawing", picture, "--maps", maps)
    assert code == 0, err
    record = json.loads(out)
    assert record["direct"]["builds"] == record["direct"]["in_the_ledger"] == record["builds"]
    assert record["direct"]["emulator"] == []
    assert record["figures"][0]["variables"][0]["total"] == found.figures[0].total[0].value
    assert "a build" in err
    assert picture.read_text().startswith("<?xml")
    assert "Over the whole space" in maps.read_text()
    code, out, err = run(*DIRECT, NAME, *options)
    assert code == 0, err
    assert "Emulator of the run against computed builds" in out
    assert "128 spread over the space by a Sobol sequence" in out


def test_refusals_are_one_sentence(tmp_path):
    book = ("--ledger", tmp_path / "l.sqlite")
    assert "graphics card" in refused(*DIRECT, QUICK, "--device", "gpu", *book)
    assert "must end in .svg or .png" in refused(*DIRECT, QUICK, "--maps", "m.pdf", *book)
    assert "is not there" in refused(*DIRECT, "nothing", *book)
    assert "'slow', but must be one of" in refused(*DIRECT, QUICK, "--precision", "slow", *book)
    with pytest.raises(InputError, match="at least 128 are needed"):
        planned(BRIEF, 64)
