"""The cure on the prototype sheet, out to the lab and back."""

import csv
import io
from pathlib import Path

import pytest

from layers.ball_file import read_ball
from layers.compound.recipe import read_recipe
from layers.cure.chemistry import default_chemistry
from layers.cure.cycle import one_step
from layers.cure.hardening import Hardening
from layers.errors import InputError
from layers.estimates import Estimate
from optimize.lab.cure_sheet import Cure
from optimize.lab.cut_cores import cut_cores_from_csv
from optimize.lab.measurements import measurements_from_csv
from optimize.lab.process import Process
from optimize.lab.prototype import prototype_sheet
from optimize.report.sheet import to_csv, to_html, to_markdown

FOLDER = Path(__file__).parents[3] / "scenarios" / "prototype"
BALL = read_ball(FOLDER / "ball.toml")
CURE = Cure(
    read_recipe(FOLDER / "core_recipe.toml"),
    "core_recipe.toml",
    one_step(160.0, 20.0),
    "cycle.toml",
    default_chemistry(),
    Hardening(),
)
STAGES = [Estimate(BALL.stage(n), {}) for n in (1, 2, 3)]


@pytest.fixture(scope="module")
def sheet():
    return prototype_sheet(BALL, STAGES, Process(), cures={1: CURE})


def test_the_sheet_carries_cycle_places_and_cautions(sheet):
    stage = sheet.stage[0]
    names = [t.name for t in stage.target if t.name.startswith("shore_c@")]
    assert names == [
        "shore_c@0mm",
        "shore_c@3.6mm",
        "shore_c@7.1mm",
        "shore_c@10.6mm",
        "shore_c@14.2mm",
        "shore_c@17.8mm",
    ]
    assert stage.step[-1].title == "Cut and read hardness"
    assert "knife" in sheet.caution
    notes = " ".join(stage.cure.note)
    for told in ("store below 30 C", "1 min at 173 C", "licensed practice", "hottest 200 C"):
        assert told in notes
    for text in (to_markdown(sheet), to_html(sheet)):
        for told in ("160.0", "store below 30 C", "press cycle", "as run", "from memory"):
            assert told in text
    assert all(s.cure is None for s in sheet.stage[1:])


def test_the_filled_in_sheet_comes_back_as_cut_cores(sheet, tmp_path):
    (tmp_path / "core_recipe.toml").write_text((FOLDER / "core_recipe.toml").read_text())
    (tmp_path / "cycle.toml").write_text("[[step]]\nplaten_celsius = 160\nminutes = 20\n")
    rows = list(csv.DictReader(io.StringIO(to_csv(sheet))))
    reads = iter((66.0, 68.5, 72.0, 75.0, 78.5, 80.0))
    for row in rows:
        if row["figure"].startswith("shore_c@"):
            row["piece_2"] = str(next(reads))
    out = io.StringIO()
    writer = csv.DictWriter(out, rows[0])
    writer.writeheader()
    writer.writerows(rows)
    (core,) = cut_cores_from_csv(out.getvalue(), "k1.csv", tmp_path, CURE.chemistry)
    assert core.name == "K1 prototype, piece 2"
    assert core.diameter_mm == 38.5
    assert core.position_mm.tolist() == [0.0, 3.6, 7.1, 10.6, 14.2, 17.8]
    assert core.shore_c.tolist() == [66.0, 68.5, 72.0, 75.0, 78.5, 80.0]
    # The other reader leaves them alone and says so.
    mass = next(row for row in rows if row["kind"] == "measure")
    more = {**mass, "figure": "mass_g", "unit": "g", "piece_2": "33.3"}
    writer.writerow(more)
    found = measurements_from_csv([("k1.csv", out.getvalue())], [BALL])
    assert [r.figure for r in found.reading] == ["stage1.mass_g"]
    assert "6 hardness readings of cut pieces are left to" in " ".join(found.note)


def test_only_the_core_has_a_cure():
    with pytest.raises(InputError, match="cure is of layer 2"):
        prototype_sheet(BALL, STAGES, Process(), cures={2: CURE})
