"""The Python face: public names, their loading, and what they give.

Kind: structure; and frames against what they are made of.
"""

import ast
import csv
import subprocess
import sys
from pathlib import Path

import orbwright as ob
import pytest

import layers
import optimize
from optimize.ledger.export import export_ledger, part_of
from tests.helpers import tables

ROOT = Path(__file__).parents[1]
BALL = ROOT / "scenarios/balls/three_layer_soft_feel.toml"
QUICK = ROOT / "tests/helpers/closed_form.toml"


def python(code: str, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", code]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=cwd)


@pytest.mark.parametrize("package", [layers, optimize])
def test_names_for_type_checkers_are_those_that_are_loaded(package):
    tree = ast.parse(Path(package.__file__).read_text("utf-8"))
    block = next(n for n in tree.body if isinstance(n, ast.If))
    told = {a.asname: i.module for i in block.body for a in i.names if a.asname}
    assert told == package._HOMES
    assert dir(package) == sorted(told)


def test_every_public_name_is_there_and_has_no_modules_name():
    for name in dir(ob):
        assert getattr(ob, name) is not None
        home = {**layers._HOMES, **optimize._HOMES}[name]
        assert not (ROOT / home.split(".")[0] / f"{name}.py").exists()
    with pytest.raises(AttributeError, match="no attribute 'read_bal'"):
        _ = ob.read_bal


def test_importing_loads_nothing_heavy():
    done = python("import sys, orbwright; print(*sys.modules)")
    loaded = set(done.stdout.split())
    assert {"layers", "optimize"} <= loaded
    assert not loaded & {"numpy", "pydantic", "pandas", "layers.ball", "optimize.search"}


@pytest.mark.parametrize("layout", ["layers.py", "layers/__init__.py"])
def test_another_package_of_that_name_is_pointed_out(tmp_path, layout):
    stranger = tmp_path / layout
    stranger.parent.mkdir(exist_ok=True)
    stranger.write_text("")
    done = python("import orbwright", cwd=tmp_path)
    assert done.returncode == 1
    last = done.stderr.splitlines()[-1]
    assert last.startswith("ImportError: orbwright needs its own package 'layers'")
    assert str(stranger) in last


def test_another_package_optimize_is_pointed_out(tmp_path):
    (tmp_path / "optimize.py").write_text("")
    done = python("import orbwright", cwd=tmp_path)
    assert "needs its own package 'optimize'" in done.stderr.splitlines()[-1]


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    """Search the quick scenario by names of files."""
    ledger = tmp_path_factory.mktemp("face") / "ledger.sqlite"
    return ob.run_search(str(QUICK), str(ledger)), ledger


def test_a_run_is_a_frame_of_a_row_a_build(found):
    run, _ = found
    frame = run.to_frame()
    assert list(frame.index) == [build.key for build in run.builds]
    assert set(frame.index[frame["on_front"]]) == {key for key, _ in run.front}
    assert {label: key for key, label in frame["label"].items() if label} == {
        member.label: member.key for member in run.short_list
    }
    assert int(frame["feasible"].sum()) == run.feasible
    first = run.builds[0]
    assert frame.iloc[0]["layer3_outer_diameter_mm"] == first.ball.layer[2].outer_diameter_mm
    assert frame.iloc[0]["moi_ratio"] == first.figures["moi_ratio"].value


def test_a_run_is_read_back_and_shown(found):
    run, ledger = found
    assert ob.load_run(str(ledger), run.id) == run
    assert repr(run).count("\n") == len(run.short_list)
    assert "<table>" in run._repr_html_()


def test_a_ledger_is_the_frame_that_its_export_writes(found, tmp_path):
    _, path = found
    with ob.Ledger(path) as ledger:
        frame = ledger.to_frame()
        export_ledger(ledger, part_of(ledger, None, None), tmp_path / "all.csv")
        assert f"{len(ledger)} evaluations" in repr(ledger)
    with open(tmp_path / "all.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(frame)
    assert set(rows[0]) <= set(frame.columns)
    for row, (_, cells) in zip(rows, frame.iterrows(), strict=True):
        for name, text in row.items():
            assert text == ("" if cells[name] != cells[name] else str(cells[name]))


def test_pictures_stand_in_a_notebook_and_are_saved(found, tmp_path):
    run, _ = found
    ball = ob.read_ball(BALL)
    for what in (
        ball,
        [ball, ball.replace("cover", youngs_modulus_mpa=60)],
        run,
        ob.estimate(ball, "mass_g"),
    ):
        assert ob.draw(what)._repr_png_()[:8] == b"\x89PNG\r\n\x1a\n"
    ob.draw(ball).save(str(tmp_path / "ball.svg"))
    assert (tmp_path / "ball.svg").read_bytes()[:5] == b"<?xml"
    for wrong in ("ball.toml", [], 3, [ball, "x"]):
        with pytest.raises(ob.InputError, match="draw takes"):
            ob.draw(wrong)


def test_one_name_stands_for_a_tuple_of_one():
    ball = ob.read_ball(BALL)
    assert list(ob.estimate(ball, "mass_g").figures) == ["mass_g"]
    [many] = ob.estimate_many([ball], "mass_g")
    assert list(many.figures) == ["mass_g"]


def test_a_table_is_screened_in_one_call_and_written(tmp_path):
    rows = [tables.row("K1"), tables.row("K2", mass_g="45.8"), tables.row("K3", mass_g="x")]
    table = tables.written(tmp_path / "b.csv", rows)
    out, ledger = tmp_path / "s.csv", tmp_path / "l.sqlite"
    found = ob.screen_table(table, "mass", rules="mass and diameter", ledger=ledger, out=out)
    frame = found.to_frame()
    assert list(frame["build"]) == ["K1", "K2", "K3"]
    assert list(frame["status"]) == ["screened", "screened", "not screened"]
    assert list(frame["result.mass_g"][:2]) == pytest.approx([45.6, 45.8])
    assert frame["rules"][0] == "within"
    with open(out, newline="") as file:
        assert [line["build"] for line in csv.DictReader(file)] == list(frame["build"])
    again = ob.screen_table(str(out), "mass", rules="mass and diameter", ledger=str(ledger))
    assert again.rows[0][: len(tables.HEADER)] == found.rows[0][: len(tables.HEADER)]
    with pytest.raises(ob.InputError, match=r"must end in \.csv, \.xlsx or \.parquet"):
        ob.screen_table(table, "mass", ledger=ledger, out=tmp_path / "s.ods")
    with pytest.raises(ob.InputError, match="nothing is asked of the builds"):
        ob.screen_table(table, ledger=ledger)
