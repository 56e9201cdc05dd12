"""Screening from the command line: tables in, tables and page out, empty tables, one sentence."""

import csv
import json

import pytest

from tests.helpers.docs import ROOT
from tests.helpers.tables import mixed, row, written
from tests.optimize.commands.test_app import refused, run

ASKED = ("-f", "mass_g", "-f", "moi_g_cm2", "--workers", 1)


def test_a_table_is_screened_and_written_and_read_again(tmp_path):
    pytest.importorskip("openpyxl")
    table = written(tmp_path / "b.csv", [row("K1"), row("K2", mass_g="x")])
    book = ("--ledger", tmp_path / "l.sqlite")
    outs = [tmp_path / f"s.{ending}" for ending in ("csv", "xlsx", "html")]
    options = [part for path in outs for part in ("--out", path)]
    code, out, err = run("screen", table, *ASKED, *book, *options)
    assert code == 0, err
    assert "2 rows: 1 computed, 0 in the ledger, 1 without all figures." in out
    assert "row 3, mass_g is 'x', but must be a number in g" in out
    first = list(csv.DictReader(outs[0].open()))
    assert [r["result.status"] for r in first] == ["screened", "not screened"]
    code, out, err = run("screen", outs[1], *ASKED, *book, "--out", tmp_path / "t.csv")
    assert "0 computed, 1 in the ledger" in out
    assert (tmp_path / "t.csv").read_text() == outs[0].read_text()
    assert "K1" in outs[2].read_text()


def test_the_head_of_a_cost_names_the_currency(tmp_path):
    def out_of(*options):
        table, book = mixed(tmp_path / "b.csv", 1), tmp_path / "l.sqlite"
        _, out, _ = run("screen", table, *ASKED, "-f", "cost", "--ledger", book, *options)
        return out

    priced = ROOT / "scenarios/prototype/process_with_costs.toml"
    in_pounds = tmp_path / "pounds.toml"
    in_pounds.write_text(priced.read_text().replace('"EUR"', '"GBP"'))
    assert "cost per ball, EUR" in out_of("--process", priced)
    assert "cost per ball, GBP" in out_of("--process", in_pounds)


def test_json_has_every_row(tmp_path):
    code, out, _ = run("screen", mixed(tmp_path / "b.csv", 3), *ASKED, "--json",
                       "--ledger", tmp_path / "l.sqlite")  # fmt: skip
    record = json.loads(out)
    assert code == 0
    assert [r["build"] for r in record["rows"]] == ["K0", "K1", "K2"]
    assert record["rows"][0]["figures"]["moi_g_cm2"]["unit"] == "g cm2"


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_an_empty_table_takes_builds(tmp_path, ending):
    pytest.importorskip("openpyxl")
    path = tmp_path / f"b.{ending}"
    code, _, err = run("new", "builds", path, "--layers", 4)
    assert (code, "orbwright screen" in err) == (0, True)
    assert "is there already" in refused("new", "builds", path)
    book = tmp_path / "l.sqlite"
    _, _, err = run("screen", path, *ASKED, "--ledger", book)
    assert "has column names but no rows" in err
    if ending == "xlsx":
        import openpyxl

        workbook = openpyxl.load_workbook(path)
        assert workbook.sheetnames == ["builds", "materials", "columns"]
        listed = workbook["builds"].data_validations.dataValidation
        assert "materials!" in listed[0].formula1
        sheet = workbook["builds"]
        heads = [cell.value for cell in sheet[1]]
        for head, value in {
            "build": "K1",
            "inner_core_material": workbook["materials"]["A3"].value,
            "inner_core_outer_diameter_mm": 25,
            "outer_core_material": workbook["materials"]["A4"].value,
            "outer_core_thickness_mm": 6.85,
            "mantle_material": "ionomer, firm",
            "mantle_thickness_mm": 1.1,
            "cover_material": "urethane, soft",
            "cover_thickness_mm": 0.9,
        }.items():
            sheet.cell(2, heads.index(head) + 1, value)
        workbook.save(path)
        code, out, _ = run("screen", path, *ASKED, "--ledger", book)
        assert "1 row: 1 computed" in out


def test_bad_options_are_told_before_anything_is_computed(tmp_path):
    table = mixed(tmp_path / "b.csv", 1)
    book = ("--ledger", tmp_path / "l.sqlite")
    assert "must end in .csv, .xlsx, .parquet or .html" in refused(
        "screen", table, "--out", "s.ods", *book
    )
    assert "leave it out with --cluster" in refused(
        "screen", table, "--workers", 2, "--cluster", "tcp://127.0.0.1:1", *book
    )
    said = refused("new", "builds", tmp_path / "t.csv", "--layers", 7)
    assert "--layers" in said
    assert "6" in said
    assert "rule set 'presnt'" in refused("screen", table, "--rules", "presnt", *book)
    assert not (tmp_path / "l.sqlite").exists()
