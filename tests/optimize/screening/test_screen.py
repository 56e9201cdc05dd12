"""A screened table: its figures are those of `estimate`, a fault stays in its row, it resumes."""

import csv
import tracemalloc
from pathlib import Path

import pytest

from layers.errors import InputError
from layers.estimation import estimate
from layers.materials import default_catalogue
from optimize.ledger.ledger import Ledger
from optimize.report.screening import cells_of, heads_of, lines_of
from optimize.report.screening_files import write_screening
from optimize.report.units import used
from optimize.scenario.brief import read_scenario, scenario_from_toml
from optimize.scenario.windows import windows_from_toml
from optimize.screening import screen as module
from optimize.screening.builds import build_of
from optimize.screening.columns import sheet_of
from optimize.screening.screen import Question, screen_builds
from optimize.screening.spool import Spool
from optimize.search.result import Interrupted
from tests.helpers.briefs import TWO_LAYERS
from tests.helpers.tables import HEADER, mixed, row, written

PATTERNS = Path(__file__).parents[3] / "scenarios" / "three_layer_pattern_choice.toml"
FIGURES = ("mass_g", "moi_g_cm2")


def screened(path, folder, question=None, **options):
    with Ledger(folder / "ledger.sqlite") as ledger, Spool() as spool:
        question = question or Question.of(FIGURES)
        found = screen_builds(path, question, ledger, spool, **options)
        return found, list(lines_of(found)), [cells_of(line, found) for line in lines_of(found)]


def test_figures_are_those_of_an_estimate_to_the_last_bit(tmp_path):
    _, lines, _ = screened(mixed(tmp_path / "b.csv", 5), tmp_path)
    sheet = sheet_of(HEADER, "b.csv")
    for line in lines:
        ball = build_of(sheet, line.row.line, line.row.cells, default_catalogue()).ball
        assert line.row.figures == estimate(ball, FIGURES).figures
        assert line.row.density is not None


def test_a_fault_stands_in_its_row_and_stops_no_other(tmp_path):
    rows = [row("K1"), row("K2", cover_thickness_mm="0.05"), row("K1"), [*row("K4"), "one more"]]
    _, lines, _ = screened(written(tmp_path / "b.csv", [*rows, row("K5")]), tmp_path)
    assert [line.status for line in lines] == [
        "screened",
        "not screened",
        "not screened",
        "not screened",
        "screened",
    ]
    assert "row 3, cover_thickness_mm is 0.05" in lines[1].row.reason
    assert "row 4, build is 'K1', as in row 2; give each build a name" in lines[2].row.reason
    assert "row 5 has 13 cells, but must have 12" in lines[3].row.reason


def test_a_radius_for_a_diameter_is_doubted_in_its_row_alone(tmp_path):
    half = row("K2", core_outer_diameter_mm="20.45", cover_outer_diameter_mm="", mass_g="")
    half[HEADER.index("core_density_g_cm3")] = "1.1"
    found, lines, cells = screened(written(tmp_path / "b.csv", [row("K1"), half]), tmp_path)
    assert [line.status for line in lines] == ["screened", "screened"]
    assert [bool(line.row.doubts) for line in lines] == [False, True]
    said = "outer_diameter_mm is 22.25: a radius?"
    assert said in str(cells[1][heads_of(found).index("result.warnings")])


def test_a_figure_of_a_stage_that_a_build_lacks_fails_in_that_row_alone(tmp_path):
    rows = [row("K1", mantle_material="ionomer, firm", mantle_thickness_mm="1"), row("K2")]
    path = written(tmp_path / "b.csv", rows)
    found, lines, _ = screened(path, tmp_path, Question.of(["mass_g", "stage3.mass_g"]))
    assert [line.status for line in lines] == ["screened", "partly screened"]
    assert lines[1].row.why == "stage3.mass_g: the build has 2 layers"
    assert found.incomplete == 1


def test_goals_rank_and_limits_are_constraints(tmp_path):
    limit = '\n[[limit]]\nfigure = "moi_g_cm2"\nat_most = 85.0\n'
    scenario = scenario_from_toml(TWO_LAYERS + limit)
    rows = [row("heavy", mass_g="46"), row("near", mass_g="45.1"), row("on", mass_g="45")]
    rows += [row("far", mantle_material="ionomer, firm", mantle_thickness_mm="3",
                 mantle_density_g_cm3="1.5", mass_g="45")]  # fmt: skip
    path = written(tmp_path / "b.csv", rows)
    found, lines, cells = screened(path, tmp_path, Question.of((), scenario))
    rank = {line.row.name: line.rank for line in lines}
    assert rank == {"on": 1, "near": 2, "heavy": 3, "far": 4}
    over = lines[3].row.figures["moi_g_cm2"].value - 85.0
    bound = "moment of inertia (MOI) at most 85 g cm²"
    assert lines[3].violated == (f"{bound}, by {over:.3g} g cm²",)
    with used("trade"):
        said = cells_of(lines[3], found)[heads_of(found).index("result.constraints")]
    assert said.startswith("moment of inertia (MOI) at most 0.465 oz in², by 0.")
    assert said.endswith(" oz in²")
    assert found.ranks.front.tolist() == [3, 2, 1, 0]
    assert cells[2][heads_of(found).index("result.constraints")] == "met"


def test_rules_are_screened_and_equal_builds_are_named(tmp_path):
    rows = [row("K1"), row("K2", mass_g="47"), row("K3")]
    question = Question.of((), rules="mass and diameter")
    found, lines, cells = screened(written(tmp_path / "b.csv", rows), tmp_path, question)
    assert [line.verdict for line in lines] == ["within", "outside", "within"]
    assert [line.same_as for line in lines] == ["", "", "K1"]
    assert "mass_g outside" in cells[1][heads_of(found).index("result.rules_limits")]
    assert (found.computed, found.reused) == (2, 0)  # K1 and K3 are one build


WINDOWS = """
name = "invented"
[[limit]]
figure = "mass_g"
at_most = 45.93
[[fence]]
name = "thin cover"
[[fence.range]]
figure = "cover.thickness_mm"
at_most = 0.95
[[fence.range]]
figure = "core.density_g_cm3"
at_least = 1.2
"""


def test_limits_and_fences_of_windows_are_screened(tmp_path):
    rows = [
        row("inside", core_density_g_cm3="1.25", mass_g=""),
        row("outside", cover_thickness_mm="1.2"),
        row("heavy", cover_thickness_mm="1.2", mass_g="46.5"),
    ]
    question = Question.of((), windows=windows_from_toml(WINDOWS))
    found, lines, cells = screened(written(tmp_path / "b.csv", rows), tmp_path, question)
    assert [line.windows[0] for line in lines] == ["violated", "met", "violated"]
    assert "thin cover inside, clearance -" in lines[0].windows[1]
    assert lines[1].windows[1] == ""
    assert lines[2].windows[1] == "mass_g at most 45.93 violated"
    assert cells[2][heads_of(found).index("result.windows")] == "violated"


def test_a_build_flies_by_the_dimple_pattern_that_its_row_names(tmp_path):
    conditions = read_scenario(PATTERNS).estimate_conditions()
    names = [*conditions.patterns, "", "unheard of"]
    rows = [[*row(f"K{i}"), name] for i, name in enumerate(names)]
    path = written(tmp_path / "b.csv", rows, [*HEADER, "dimple_pattern"])
    carry = "driver slow.carry_m"
    found, lines, cells = screened(path, tmp_path, Question.of([carry], conditions=conditions))
    wide, small, none, unheard = (line.row.figures[carry] for line in lines)
    assert wide.value == none.value == unheard.value  # the first is the law of all
    assert abs(wide.value - small.value) > 1.0
    assert "no drag and lift are given for dimple pattern 'unheard of'" in unheard.caution
    assert "unheard of" in cells[3][heads_of(found).index("result.warnings")]
    ball = build_of(
        sheet_of((*HEADER, "dimple_pattern"), "b"), 3, rows[1], default_catalogue()
    ).ball
    assert small == estimate(ball, carry, conditions).figures[carry]
    assert [line.same_as for line in lines] == ["", "", "K0", "K0"]


def test_a_limit_on_a_layer_that_a_build_lacks_leaves_it_without_a_rank(tmp_path):
    limit = '\n[[limit]]\nfigure = "layer 2.thickness_mm"\nat_most = 1.0\n'
    scenario = scenario_from_toml(TWO_LAYERS + limit)
    rows = [row("two"), row("one", cover_material="", cover_thickness_mm="",
                            cover_outer_diameter_mm="", core_outer_diameter_mm="42.7")]  # fmt: skip
    path = written(tmp_path / "b.csv", rows)
    _, lines, _ = screened(path, tmp_path, Question.of((), scenario))
    assert [line.rank for line in lines] == [1, 0]
    assert lines[1].violated == ("thickness of layer 2 at most 1 mm, not known",)


def test_csv_to_excel_and_back_gives_identical_figures(tmp_path):
    pytest.importorskip("openpyxl")
    rows = [
        row("=1+1", core_density_g_cm3="open", mass_g="45.123456789012345"),
        row("007", cover_thickness_mm="0.1", core_outer_diameter_mm="x"),
        row("K3", cover_thickness_mm="0.30000000000000004", cover_shore_d="55"),
    ]
    path = written(tmp_path / "b.csv", rows)
    question = Question.of((*FIGURES, "stage1.moi_ratio"))
    (tmp_path / "other").mkdir()
    results = {}
    for name, folder in (("b.csv", tmp_path), ("s.xlsx", tmp_path / "other")):
        with Ledger(folder / "ledger.sqlite") as ledger, Spool() as spool:
            found = screen_builds(tmp_path / name, question, ledger, spool)
            assert found.computed == 2  # nothing is handed on by a ledger
            results[name] = [(x.row.figures, x.row.density, x.row.name) for x in lines_of(found)]
            write_screening(found, tmp_path / ("s.xlsx" if name == "b.csv" else "t.csv"))
            write_screening(found, tmp_path / f"{name}.csv")
    assert results["b.csv"] == results["s.xlsx"]
    assert path.name == "b.csv"
    first, second = (list(csv.reader((tmp_path / f"{n}.csv").open())) for n in results)
    own = first[0].index("result.status")
    assert [r[own:] for r in first] == [r[own:] for r in second]
    assert first[1][0] == "'=1+1"
    workbook = pytest.importorskip("openpyxl").load_workbook(tmp_path / "s.xlsx")
    assert workbook["builds"]["A2"].data_type == "s"
    assert workbook["builds"]["A3"].value == "007"


def test_a_table_in_the_trades_units_reads_back_to_the_same_figures(tmp_path):
    names = [mixed(tmp_path / "b.csv", 3), tmp_path / "t.csv", tmp_path / "t.xlsx"]
    pytest.importorskip("openpyxl")
    results = []
    for place, path in enumerate(names):
        with Ledger(tmp_path / f"{place}.sqlite") as ledger, Spool() as spool:
            found = screen_builds(path, Question.of(FIGURES), ledger, spool)
            results.append([x.row.figures for x in lines_of(found)])
            with used("trade"):
                if place == 0:
                    write_screening(found, names[1])
                    write_screening(found, names[2])
    heads, first, *_ = csv.reader(names[1].open())
    assert {"core_outer_diameter_in", "cover_thickness_in", "result.mass_oz"} <= set(heads)
    mass = float(first[heads.index("result.mass_oz")])
    assert mass == pytest.approx(results[0][0]["mass_g"].value / 28.349523, rel=1e-9)
    for other in results[1:]:
        for mine, theirs in zip(results[0], other, strict=True):
            for name, figure in mine.items():
                assert theirs[name].value == pytest.approx(figure.value, rel=1e-9)


def test_ctrl_c_keeps_what_is_done_and_the_same_call_goes_on(tmp_path, monkeypatch):
    path = mixed(tmp_path / "b.csv", 12)
    monkeypatch.setattr(module, "_BATCH", 5)

    def stop(done, total, failed):
        if done == 7:
            raise KeyboardInterrupt

    with pytest.raises(Interrupted, match="after 7 of 12 rows"):
        screened(path, tmp_path, progress=stop)
    found, lines, _ = screened(path, tmp_path)
    assert (found.reused, found.computed) == (7, 5)
    (tmp_path / "new").mkdir()
    _, fresh, _ = screened(path, tmp_path / "new")
    assert lines == fresh


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_tables_of_other_countries_are_the_same_builds(tmp_path, encoding):
    _, plain, _ = screened(mixed(tmp_path / "b.csv", 3), tmp_path)
    text = (tmp_path / "b.csv").read_text()
    rows = [[c.replace(".", ",") if c[:1].isdigit() else c for c in r]
            for r in csv.reader(text.splitlines())]  # fmt: skip
    lines = [";".join(row) for row in rows]
    lines[0] = lines[0].upper().replace("_", " ")
    (tmp_path / "c.csv").write_text("\n".join(lines), encoding=encoding)
    found, other, _ = screened(tmp_path / "c.csv", tmp_path)
    assert [x.row.figures for x in other] == [x.row.figures for x in plain]
    assert found.computed == 0


@pytest.mark.slow
def test_memory_does_not_grow_with_the_rows(tmp_path):
    peaks = []
    for count in (500, 5000):
        path = mixed(tmp_path / f"{count}.csv", count)
        screened_to(path, tmp_path / "warm.sqlite", tmp_path / "out.csv")  # the ledger is filled
        tracemalloc.start()
        screened_to(path, tmp_path / "warm.sqlite", tmp_path / "out.csv")
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # 4,500 more rows have 1.3 MB of names and numbers to rank; whole rows would have 30 MB.
    assert peaks[1] - peaks[0] < 4e6, peaks


def screened_to(path, ledger_file, out):
    with Ledger(ledger_file) as ledger, Spool() as spool:
        write_screening(screen_builds(path, Question.of(FIGURES), ledger, spool), out)


def test_nothing_asked_and_damaged_files_are_refused(tmp_path):
    with pytest.raises(InputError, match="nothing is asked"):
        Question.of()
    with pytest.raises(InputError, match="driver quick"):
        Question.of(["driver quick.spin_rpm"])
    for name, content, said in (
        ("a.csv", b"", "is empty"),
        ("b.csv", b"core_outer_diameter_mm\n", "no rows"),
        ("c.csv", b"core_material\n\xe9", "not UTF-8"),
        ("d.xlsx", b"PK nothing", "not an Excel workbook"),
        ("e.ods", b"", "must end in .csv or .xlsx"),
    ):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(InputError, match=said):
            screened(tmp_path / name, tmp_path)
    with pytest.raises(InputError, match="cannot be read: No such file"):
        screened(tmp_path / "none.csv", tmp_path)
