"""Cut cores from CSV: read whole, or refused with each fault by row and column."""

import shutil
from pathlib import Path

import pytest

from layers.cure.chemistry import default_chemistry
from layers.errors import InputError
from optimize.lab.cut_cores import cut_cores_from_csv, read_cut_cores
from tests.helpers.cut_cores import ROUND_ONE, ROUND_TWO, readings

FOLDER = Path(__file__).parents[3] / "scenarios" / "prototype"
CARDS = default_chemistry()
HEAD = "core,recipe,cycle,diameter_mm,position_mm,shore_c"
ROW = "A,core_recipe.toml,cycle.toml,38.6,"


@pytest.fixture
def folder(tmp_path):
    shutil.copy(FOLDER / "core_recipe.toml", tmp_path)
    (tmp_path / "cycle.toml").write_text("[[step]]\nplaten_celsius = 160\nminutes = 20\n")
    two = "[[step]]\nplaten_celsius = 150\nminutes = 8\n[[step]]\nplaten_celsius = 170\nminutes = 8"
    (tmp_path / "two.toml").write_text(two)
    return tmp_path


def read(folder, text):
    return cut_cores_from_csv(text, "h.csv", folder, default_chemistry())


def test_long_form_with_settings_in_place_of_the_files(folder):
    head = f"{HEAD},coagent_phr,peroxide_phr,platen_celsius,cure_minutes,replicate"
    rows = [
        f"{ROW}0,70,24,0.6,165,18,1",
        f"{ROW}0,71,24,0.6,165,18,2",
        f"{ROW}12,80,24,0.6,165,18,1",
        f"B{ROW[1:]}4,75,,,,,",
    ]
    a, b = read(folder, "\n".join([head, *rows]))
    assert (a.name, a.diameter_mm, a.stock.coagent_phr) == ("A", 38.6, 24.0)
    assert a.cycle.step[0].platen_celsius == 165.0
    assert a.position_mm.tolist() == [0.0, 0.0, 12.0]
    assert a.shore_c.tolist() == [70.0, 71.0, 80.0]
    assert (b.stock.coagent_phr, b.cycle.minutes) == (28.0, 20.0)
    # Active parts: 0.6 phr of 270.4 g/mol give two radicals each.
    assert a.stock.radicals[0] == pytest.approx(2 * 6.0 / 270.4)


def test_a_filled_in_sheet_is_read(folder):
    text = "\n".join(
        [
            "build,stage,kind,figure,unit,target,low,high,model_error,basis,piece_1,piece_2",
            "K1,1,make,moulded_mm,mm,38.6,,,,,,",
            "K1,1,make,cure_recipe,,,,,,core_recipe.toml,,",
            "K1,1,make,cure_cycle,,,,,,cycle.toml,,",
            "K1,1,measure,diameter_mm,mm,38,,,,,38.1,38.0",
            "K1,1,measure,shore_c@0mm,Shore C,70,,,,,69,",
            "K1,1,measure,shore_c@15mm,Shore C,80,,,,,81.5,",
        ]
    )
    (core,) = read(folder, text)
    assert core.name == "K1, piece 1"
    assert core.position_mm.tolist() == [0.0, 15.0]
    assert core.shore_c.tolist() == [69.0, 81.5]
    bad = text.replace("K1,1,make,cure_cycle,,,,,,cycle.toml,,\n", "").replace("81.5", "hard")
    with pytest.raises(InputError, match=r"row 5.*no row cure_cycle.*piece_1 is 'hard'"):
        read(folder, bad)
    with pytest.raises(InputError, match="no value is filled in"):
        read(folder, text.replace("69,", ",").replace("81.5,", ","))


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (["5,96"], "row 2, shore_c is 96, but must be from 30 to 95 Shore C"),
        (["60,5"], r"position_mm is 60.*swapped with"),
        (["19.5,80"], r"position_mm is 19.5, but the core of 38.6 mm ends at 19.3"),
        (["5,80", "5,80"], "row 3 repeats 5 mm of core A of row 2"),
        (["5,x", "y,70"], "row 2, shore_c is 'x'.*row 3, position_mm is 'y'"),
        (["5"], "row 2 has 5 cells, but must have 6"),
    ],
)
def test_faults_are_named_by_row_and_column(folder, rows, said):
    with pytest.raises(InputError, match=said):
        read(folder, "\n".join([HEAD, *(ROW + row for row in rows)]))


def test_faults_of_a_core(folder):
    other = "A,core_recipe.toml,two.toml,38.6,9,75"
    with pytest.raises(InputError, match=r"row 3, cycle of core A is two.toml.*one cure"):
        read(folder, f"{HEAD}\n{ROW}5,80\n{other}")
    with pytest.raises(InputError, match=r"9\.0 points from its replicate in row 2"):
        read(folder, f"{HEAD},replicate\n{ROW}5,80,1\n{ROW}5,71,2")
    with pytest.raises(InputError, match="has 2 steps, but must have one"):
        read(folder, f"{HEAD},cure_minutes\nA,core_recipe.toml,two.toml,38.6,9,75,12")
    with pytest.raises(InputError, match=r"row 2, core A: .*none.toml"):
        read(folder, f"{HEAD}\n{ROW.replace('core_recipe', 'none')}5,80")
    with pytest.raises(InputError, match="recipe is empty"):
        read(folder, f"{HEAD}\nA,,cycle.toml,38.6,5,80")
    with pytest.raises(InputError, match="lacks the column cycle"):
        read(folder, "core,recipe,diameter_mm,position_mm,shore_c\nA,b,38.6,5,80")


def test_a_core_is_of_one_file(folder):
    for name in ("a.csv", "b.csv"):
        (folder / name).write_text(f"{HEAD}\n{ROW}5,80\n")
    with pytest.raises(InputError, match="core 'A' is in two files"):
        read_cut_cores([folder / "a.csv", folder / "b.csv"], default_chemistry())


def test_golden_the_invented_cores_are_what_their_helper_writes():
    """``python -m tests.helpers.cut_cores`` regenerates them."""
    scenario = FOLDER.parent / "cure"
    for name, cores, seed in (("round_one", ROUND_ONE, 1), ("round_two", ROUND_TWO, 2)):
        assert (scenario / f"{name}.csv").read_text() == readings(cores, seed)
    found = read_cut_cores([scenario / f"{n}.csv" for n in ("round_one", "round_two")], CARDS)
    assert [core.name for core in found] == [*ROUND_ONE, *ROUND_TWO]
