"""Recipe and cycle for a wanted profile, and the trials that would tell most of it."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from layers.ball_file import read_ball
from layers.compound.recipe import default_ingredients as ingredients
from layers.compound.recipe import read_recipe, recipe_from_table, recipe_toml
from layers.cure.chemistry import default_chemistry
from layers.cure.cycle import cycle_from_table, cycle_toml, one_step
from layers.cure.fit import CutCore, calibrate
from layers.cure.hardening import Hardening, hardness
from layers.errors import InputError
from layers.files.toml import parse_toml
from optimize.cure import candidates as search
from optimize.cure import trials
from optimize.cure.candidates import Task, candidates, judged, settled
from optimize.cure.trials import next_trials
from optimize.cure.wanted import Wanted, between_ends, of_ball, ranges_from, read_wanted

FOLDER = Path(__file__).parents[3] / "scenarios" / "prototype"
RECIPE = read_recipe(FOLDER / "core_recipe.toml")
AT = np.linspace(0.0, 19.3, 7)
KNOWN = {"platen_celsius": 164.0, "minutes": 19.0, "coagent_phr": 29.0, "peroxide_phr": 0.7}


def task(wanted=None, **changes):
    start = Task(
        recipe=RECIPE,
        cycle=one_step(160.0, 15.0),
        wanted=wanted or between_ends(65.0, 80.0, 1.5, 38.6),
        diameter_mm=38.6,
        hardening=Hardening(),
        chemistry=default_chemistry(),
        ranges=ranges_from(["minutes=17,21"]),
    )
    return replace(start, **changes)


@pytest.fixture
def few(monkeypatch):
    monkeypatch.setattr(search, "_TIMES", 2)
    monkeypatch.setattr(search, "_STARTS", 1)
    monkeypatch.setattr(trials, "_WEIGHED", 6)


def test_a_profile_that_a_known_cure_gives_is_found(few):
    start = task()
    _, stock, cycle = settled(start, RECIPE, KNOWN)
    wanted = Wanted(AT, hardness(Hardening().mean, stock, cycle, 38.6, AT))
    found = candidates(task(wanted))
    assert min(c.misfit for c in found) < 0.3
    for c in found:
        assert not c.flags
        assert 145.0 <= c.cycle.step[0].platen_celsius <= 185.0
        assert c.stock.coagent_phr == pytest.approx(c.recipe.phr("co-agent"))
    minutes = [c.cycle.minutes for c in found]
    misfits = [c.misfit for c in found]
    assert minutes == sorted(minutes)
    assert misfits == sorted(misfits, reverse=True)


def test_density_and_peroxide_are_applied_and_two_steps_have_two_rows(few):
    name = "2,5-dimethyl-2,5-di(tert-butylperoxy)hexane"
    found = candidates(
        task(density=("barium sulfate", 1.13), steps=2, ranges=ranges_from(["minutes=24,26"])),
        [name],
    )
    for c in found:
        assert c.stock.density == pytest.approx(1130.0)
        assert c.stock.peroxide == (name,)
        assert c.cycle.step[0].minutes < c.cycle.minutes
        assert len(c.cycle.step) == 2
    with pytest.raises(InputError, match="peroxide 'foo' is not in the chemistry cards"):
        candidates(task(), ["foo"])


def test_recipe_and_cycle_are_read_back_as_they_were():
    made = settled(task(), RECIPE, KNOWN)
    text = recipe_toml(made[0])
    again = recipe_from_table(parse_toml(text, "r"), ingredients(), "r")
    assert again == made[0]
    assert cycle_from_table(parse_toml(cycle_toml(made[2]), "c"), "c") == made[2]


def test_the_first_trial_is_the_best_of_the_pool_and_its_fall_comes_true(few):
    start = task()
    recipe, stock, cycle = settled(start, RECIPE, KNOWN)
    aim = judged(start, recipe, stock, cycle)
    first, second = next_trials(start, aim, 2)
    assert first.before > first.after == second.before > second.after
    # Whatever the core reads, the posterior is as narrow as was said, at the linear point.
    c = first.candidate
    truth = hardness(Hardening().mean, c.stock, c.cycle, 38.6, first.position_mm)
    core = CutCore("A", c.stock, c.cycle, 38.6, first.position_mm, truth)
    after = calibrate([core]).hardening
    factor = (after.noise.reading / Hardening().noise.reading) ** 2
    goal = trials.slopes(after.mean, stock, cycle, 38.6, start.wanted.position_mm)
    # The residuals of a core that is as expected make the noise smaller: at the given noise.
    known = np.linalg.inv(after.covariance) - np.linalg.inv(Hardening().covariance)
    known = np.linalg.inv(Hardening().covariance) + factor * known
    assert trials._half(goal, known) == pytest.approx(first.after, rel=0.03)
    # The guard: the second in rank tells less.
    assert next_trials(start, aim, 6)[-1].settings != first.settings


def test_no_sound_trial_is_said(few, monkeypatch):
    start = task(ranges=ranges_from(["minutes=1,2", "platen_celsius=100,110"]))
    monkeypatch.setattr(trials, "_DRAWN", 2)
    recipe, stock, cycle = settled(task(), RECIPE, KNOWN)
    with pytest.raises(InputError, match="no sound cure"):
        next_trials(start, judged(task(), recipe, stock, cycle), 1)


def test_the_core_of_a_ball_is_a_wanted_profile():
    ball = read_ball(FOLDER / "ball.toml").replace(
        1, profile={"scale": "shore_c", "readings": [[0, 60], [9.5, 70], [19, 82]]}
    )
    wanted = of_ball(ball)
    assert wanted.position_mm[[0, -1]].tolist() == [0.0, 19.0]
    assert wanted.shore_c[[0, 3, 6]] == pytest.approx([60.0, 70.0, 82.0], abs=0.05)
    even = of_ball(read_ball(FOLDER / "ball.toml"))
    assert np.ptp(even.shore_c) < 1e-9
    with pytest.raises(InputError, match="must be from 30 to 95 to be read"):
        of_ball(ball.replace(1, profile={"centre_mpa": 2.0, "surface_mpa": 40.0}))


def test_wanted_profiles_and_ranges(tmp_path):
    straight = between_ends(60.0, 80.0, 1.0, 40.0)
    assert straight.shore_c.tolist() == pytest.approx(np.linspace(60, 80, 7).tolist())
    path = tmp_path / "w.csv"
    path.write_text("place,position_mm,shore_c\nb,18,80\na,0,60\n")
    assert read_wanted(path, 38.6).position_mm.tolist() == [0.0, 18.0]
    with pytest.raises(InputError, match=r"row 2, position_mm is 18, but the core of 30 mm"):
        read_wanted(path, 30.0)
    path.write_text("place,position_mm,shore_c\nb,18,80\n")
    with pytest.raises(InputError, match="two rows or more"):
        read_wanted(path, 38.6)
    for text in ("minutes=5", "minutes=9,8", "hours=1,2", "minutes=a,b"):
        with pytest.raises(InputError, match="must be NAME=LOW,HIGH"):
            ranges_from([text])
    with pytest.raises(InputError, match="within 60 to 240 deg C"):
        ranges_from(["platen_celsius=20,180"])
    with pytest.raises(InputError, match="wanted surface is 99"):
        between_ends(60.0, 99.0, 1.0, 40.0)
    with pytest.raises(InputError, match="shape is 0"):
        between_ends(60.0, 80.0, 0.0, 40.0)
