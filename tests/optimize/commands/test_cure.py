"""orbwright cure as its users meet it."""

import json
from pathlib import Path

import pytest

from layers.ball_file import read_ball
from tests.optimize.commands.test_app import refused, run

FOLDER = Path(__file__).parents[3] / "scenarios" / "prototype"
RECIPE, BALL = FOLDER / "core_recipe.toml", FOLDER / "ball.toml"
ONE = ("--platen-c", 160, "--minutes", 20)


def test_cure_prints_says_that_it_is_from_memory_and_writes_files(tmp_path):
    files = {name: tmp_path / name for name in ("p.csv", "h.csv", "b.toml", "c.svg")}
    code, out, err = run(
        "cure",
        RECIPE,
        *ONE,
        *("--profile", files["p.csv"], "--history", files["h.csv"]),
        *("--ball", BALL, "--out", files["b.toml"], "--picture", files["c.svg"]),
        *("--figure", "stage1.deflection_mm"),
    )
    assert code == 0
    assert "Hardness map: from memory" in out
    assert "Outermost less innermost +" in out
    assert all(str(path) in err for path in files.values())
    profile = files["p.csv"].read_text().splitlines()
    assert len(profile) == 201
    assert "from memory" in profile[1]
    core = read_ball(files["b.toml"]).layer[0]
    assert core.outer_diameter_mm == read_ball(BALL).layer[0].outer_diameter_mm
    assert core.profile.contrast > 1.3
    assert "from memory" in core.profile.source
    assert "K1 prototype with this core" in out
    assert files["h.csv"].read_text().startswith("minutes,outside_celsius,celsius_at_0.00_mm")
    assert "from memory" in files["c.svg"].read_text()


def test_the_record_says_so_too():
    code, out, _ = run("cure", RECIPE, *ONE, "--json", "--positions", "0,10,19")
    record = json.loads(out)
    assert code == 0
    assert record["hardness_map"]["source"].startswith("from memory")
    assert not record["hardness_map"]["calibrated"]
    assert [row["position_mm"] for row in record["profile"]] == [0.0, 10.0, 19.0]
    heat = record["heat_j"]
    assert heat["stored"] == pytest.approx(heat["through_surface"] + heat["polymerisation"])


def test_a_two_step_cycle_is_one_more_row(tmp_path):
    path = tmp_path / "two.toml"
    path.write_text(
        'name = "two steps"\n[[before]]\ncelsius = 115\nminutes = 60\n'
        "[[step]]\nplaten_celsius = 140\nminutes = 10\n"
        "[[step]]\nplaten_celsius = 170\nminutes = 12\nramp = true\n"
    )
    code, out, _ = run("cure", RECIPE, "--cycle", path)
    assert code == 0
    assert "two steps" in out
    assert "Scorched before it is in the mould: 115 C for 60 min" in out


def test_cure_refuses(tmp_path):
    assert "--platen-c and --minutes" in refused("cure", RECIPE)
    assert "go together" in refused("cure", RECIPE, "--platen-c", 160)
    assert "--positions is '25'" in refused("cure", RECIPE, *ONE, "--positions", "25")
    assert "diameter is 70 mm" in refused("cure", RECIPE, *ONE, "--diameter-mm", 70)
    assert "at most the 37 mm as moulded" in refused(
        "cure", RECIPE, *ONE, "--ball", BALL, "--diameter-mm", 37
    )
    assert "need --ball" in refused("cure", RECIPE, *ONE, "--out", tmp_path / "b.toml")
    path = tmp_path / "c.toml"
    path.write_text("[[step]]\nplaten_celsius = 160\nminuts = 10\n")
    assert "did you mean minutes?" in refused("cure", RECIPE, "--cycle", path)
    own = tmp_path / "own.toml"
    own.write_text(RECIPE.read_text().replace("dicumyl peroxide, 40 % on calcium carbonate", "X"))
    with own.open("a") as file:
        file.write('[[ingredient]]\nname = "X"\nrole = "peroxide"\ndensity_g_cm3 = 1.1\n')
    assert "set chemistry on the card of 'X'" in refused("cure", own, *ONE)
    bare = tmp_path / "bare.toml"
    bare.write_text('name = "gum"\n[[part]]\ningredient = "polybutadiene, high cis"\nphr = 100\n')
    assert "has no peroxide" in refused("cure", bare, *ONE)


def test_own_peroxide_cards(tmp_path):
    cards = tmp_path / "own.toml"
    cards.write_text(
        '[[peroxide]]\nname = "dicumyl peroxide"\nhalf_life_minutes = 1\nhalf_life_celsius = '
        '{ value = 190, source = "lot", grade = "measured" }\nactivation_energy_kj_mol = '
        "{ value = 150 }\nmolar_mass_g_mol = { value = 270.4 }\ngroups = 1\n"
        "storage_celsius = { value = 30 }\n"
    )
    slow = json.loads(run("cure", RECIPE, *ONE, "--json", "--chemistry", cards)[1])
    usual = json.loads(run("cure", RECIPE, *ONE, "--json")[1])
    assert slow["scorch"]["crosslink_index"] < usual["scorch"]["crosslink_index"]
    cards.write_text(cards.read_text().replace("190", "400"))
    assert "half_life_celsius of 'dicumyl peroxide' is 400" in refused(
        "cure", RECIPE, *ONE, "--chemistry", cards
    )


def test_the_first_cure_says_that_it_compiles(monkeypatch):
    first_call = "optimize.compute.first_call.seconds_to_compile_the_cure"
    monkeypatch.setattr(first_call, lambda: 20.0)
    assert (
        "compiling the numerical code for this machine, about 20 s" in run("cure", RECIPE, *ONE)[2]
    )
    monkeypatch.undo()
    assert "compiling" not in run("cure", RECIPE, *ONE)[2]


def test_cure_find_prints_writes_and_refuses(tmp_path, monkeypatch):
    monkeypatch.setattr("optimize.cure.candidates._TIMES", 2)
    monkeypatch.setattr("optimize.cure.candidates._STARTS", 1)
    monkeypatch.setattr("optimize.cure.trials._WEIGHED", 3)
    ends = ("--centre", 65, "--surface", 80, "--range", "minutes=18,20")
    filler = ("--density", 1.12, "--filler", "barium sulfate")
    code, out, err = run(
        "cure-find", RECIPE, *ends, *filler, "--trials", 2, "--out", tmp_path / "f"
    )
    assert code == 0
    assert "from memory" in out
    assert "Make and cut next" in out
    assert (tmp_path / "f" / "recipe_1.toml").exists()
    assert "written to" in err
    again = ("--cycle", tmp_path / "f" / "cycle_1.toml", "--json")
    record = json.loads(run("cure", tmp_path / "f" / "recipe_1.toml", *again)[1])
    assert record["warnings"] == []
    found = json.loads(run("cure-find", RECIPE, *ends, "--json")[1])
    assert found["candidates"][0]["press_minutes"] >= 18.0
    assert found["hardness_map"].startswith("from memory")
    assert "--density and --filler" in refused("cure-find", RECIPE, *ends, "--density", 1.1)
    assert "--centre and --surface" in refused("cure-find", RECIPE, "--centre", 65)
    assert "--wanted W.csv, or --ball" in refused("cure-find", RECIPE, *ends, "--ball", BALL)
    small = ("--ball", BALL, "--diameter-mm", 30)
    assert "at most the 30 mm as moulded" in refused("cure-find", RECIPE, *small)
    assert "NAME=LOW,HIGH" in refused("cure-find", RECIPE, *ends, "--range", "hours=1,2")
    (tmp_path / "file").write_text("")
    assert "cannot be made" in refused("cure-find", RECIPE, *ends, "--out", tmp_path / "file")
