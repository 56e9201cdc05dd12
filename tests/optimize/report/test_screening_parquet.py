"""A screened table as Parquet: the CSV's columns with types, units and row groups.

Kinds: comparison with the CSV of the same screening, to the last bit; refusal.
"""

import csv

import pytest

from layers.errors import InputError
from layers.figures import canonical
from optimize.ledger.ledger import Ledger
from optimize.report import screening_parquet
from optimize.report.screening_files import check_output, write_screening
from optimize.report.units import used
from optimize.screening.question import Question
from optimize.screening.screen import screen_builds
from optimize.screening.spool import Spool
from tests.helpers.tables import mixed, row

pq = pytest.importorskip("pyarrow.parquet")
NAMES = tuple(canonical(("mass_g", "moi_ratio", "stage1.mass_g")))


@pytest.fixture
def files(tmp_path, monkeypatch):
    """Write one screening as CSV and as Parquet in groups of 8 rows, metric and in trade units."""
    monkeypatch.setattr(screening_parquet, "_ROWS", 8)
    table = mixed(tmp_path / "b.csv", 17)
    with table.open("a", newline="") as file:
        bad = row("bad", mass_g="heavy")
        csv.writer(file).writerows([bad, row("inch", core_density_g_cm3="1.15", mass_g="",
                                             cover_thickness_mm="0.04 in")])  # fmt: skip
    with Ledger(tmp_path / "l.sqlite") as ledger, Spool() as spool:
        found = screen_builds(table, Question.of(NAMES, rules="present"), ledger, spool)
        for units in ("metric", "trade"):
            with used(units):
                write_screening(found, tmp_path / f"{units}.csv")
                write_screening(found, tmp_path / f"{units}.parquet")
    return tmp_path


@pytest.mark.parametrize("units", ["metric", "trade"])
def test_columns_and_values_are_those_of_the_csv(files, units):
    head, *lines = csv.reader((files / f"{units}.csv").open())
    table = pq.read_table(files / f"{units}.parquet")
    assert table.column_names == head
    assert table.num_rows == len(lines) == 19
    columns = table.to_pydict()
    for place, name in enumerate(head):
        number = table.schema.field(name).type in ("double", "int64")
        for line, value in zip(lines, columns[name], strict=True):
            text = line[place]
            if value is None:
                assert text in ("", "open", "heavy")
            elif number and not text.endswith(" in"):
                assert float(text) == value
            elif not number:
                assert text == value


def test_numbers_are_typed_and_say_their_units(files):
    schema = pq.read_schema(files / "metric.parquet")
    told = {f.name: (str(f.type), (f.metadata or {}).get(b"unit")) for f in schema}
    assert told["build"] == ("string", None)
    assert told["core_outer_diameter_mm"] == ("double", b"mm")
    assert told["result.mass_g"] == ("double", b"g")
    assert told["result.stage1.mass_g_absolute_error"] == ("double", b"g")
    assert told["result.moi_ratio"] == ("double", None)
    assert told["result.same_count"] == ("int64", None)
    assert told["result.open_density_g_cm3"] == ("double", b"g/cm3")
    assert schema.field("result.mass_g").metadata[b"description"] == b"mass"
    trade = pq.read_schema(files / "trade.parquet")
    assert trade.field("result.mass_oz").metadata[b"unit"] == b"oz"
    assert trade.field("core_outer_diameter_in").metadata[b"unit"] == b"in"


def test_what_is_no_number_is_null_and_another_unit_is_read(files):
    columns = pq.read_table(files / "metric.parquet").to_pydict()
    assert columns["core_density_g_cm3"][0] is None  # open
    assert columns["result.open_density_g_cm3"][0] == pytest.approx(1.1, abs=0.2)
    assert columns["mass_g"][17] is None
    assert columns["result.status"][17] == "not screened"
    assert columns["cover_thickness_mm"][18] == pytest.approx(1.016)


def test_rows_are_written_in_groups(files):
    assert pq.ParquetFile(files / "metric.parquet").num_row_groups == 3


def test_a_missing_library_or_another_ending_is_one_sentence(tmp_path, monkeypatch):
    with pytest.raises(InputError, match=r"must end in .csv, .xlsx or .parquet"):
        check_output(tmp_path / "s.ods")
    monkeypatch.setattr(screening_parquet, "find_spec", lambda _: None)
    with pytest.raises(InputError, match=r"pip install 'orbwright\[parquet\]'"):
        check_output(tmp_path / "s.parquet")
