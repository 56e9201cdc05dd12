"""A ledger as one table: every value to the last bit, whole or not at all."""

import csv
import math
import sys

import pandas as pd
import pytest

from layers.errors import InputError
from layers.estimates import Estimate, Figure
from layers.graded.profile import Profile
from optimize.ledger import check, export
from optimize.ledger.export import export_ledger, part_of
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Entry, Known
from optimize.scenario.space import content_of, key_of
from tests.helpers.builds import random_balls
from tests.helpers.ledgers import BALL, CONTENT, KEY, first_format, found, numbered
from tests.helpers.staircase import graded_ball
from tests.optimize.commands.test_app import refused, run
from tests.optimize.ledger.test_together import QUICK

BALLS = random_balls(12, seed=2)


def figures(i: int) -> Estimate:
    """Return figures with as many bits as there are, some with a flag, some failed."""
    flag, caution = ("beyond the range", "") if i % 3 == 0 else ("", "near the range" * (i % 2))
    value = math.pi**i / 3e5
    mass = Figure("mass_g", value, "g", "closed form", value / 7.0, value / 11.0)
    ratio = Figure("driver fast.carry_m", -value, "m", "finite element", 0.0, 0.1, flag, caution)
    failed = {"frequency_hz": "no answer,\nor two"} if i % 4 == 0 else {}
    return Estimate(BALLS[i], {"mass_g": mass, "driver fast.carry_m": ratio}, failed)


@pytest.fixture
def ledger(tmp_path):
    """Write real builds of one to six layers, one of them in two rows, one under two models."""
    path = tmp_path / "l.sqlite"
    with Ledger(path) as book:
        for i, ball in enumerate(BALLS):
            book.add(key_of(content_of(ball)), content_of(ball), "1", figures(i))
        again = content_of(BALLS[2])
        book.add(key_of(again), again, "1", found(mass_g=1.0, moi_g_cm2=80.0 / 3.0))
        book.add(key_of(again), again, "other", found(mass_g=2.0))
    return path


def read(path) -> pd.DataFrame:
    if path.suffix == ".parquet":
        return pd.read_parquet(path)
    with path.open(newline="") as file:
        head, *lines = csv.reader(file)
    rows = [[number(text) for text in line] for line in lines]
    table = pd.DataFrame(rows, columns=head)
    return table.assign(
        build=[line[0] for line in lines], model_version=[line[1] for line in lines]
    )


def number(text: str) -> float | str | None:
    try:
        return float(text)
    except ValueError:
        return text or None


def known(path) -> list[Known]:
    with Ledger(path, reading=True) as book:
        keys = [key_of(content_of(ball)) for ball in BALLS]
        today, other = book.known(keys, "1"), book.known(keys, "other")
    return [*(today[key] for key in keys), other[keys[2]]]


def same(cell, value) -> bool:
    """Whether a cell holds a value to the last bit; None is an empty one."""
    return bool(pd.isna(cell)) if value in (None, "") else cell == value


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_every_value_is_read_back_to_the_last_bit(ledger, tmp_path, ending):
    out = tmp_path / f"table.{ending}"
    code, printed, err = run("ledger", "export", ledger, "--out", out)
    assert (code, printed, err) == (0, "", f"{out}: 13 rows.\n")
    table = read(out)
    assert list(table["model_version"]) == ["1"] * 12 + ["other"]
    balls = [*BALLS, BALLS[2]]
    for (_, row), ball, there in zip(table.iterrows(), balls, known(ledger), strict=True):
        assert row["build"] == key_of(content_of(ball))
        assert row["dimple_depth_mm"] == ball.dimple_depth_mm
        for i in range(6):
            layer = ball.layer[i] if i < len(ball.layer) else None
            of_layer = f"layer{i + 1}_"
            if f"{of_layer}outer_diameter_mm" not in table:
                assert layer is None
                continue
            assert same(row[f"{of_layer}outer_diameter_mm"], layer and layer.outer_diameter_mm)
            for name in ("youngs_modulus_mpa", "poisson_ratio", "density_g_cm3", "friction"):
                assert same(row[of_layer + name], layer and getattr(layer.material, name).value)
            pair = layer and layer.material.relaxation[0]
            assert same(row[f"{of_layer}relaxation1_time_us"], pair and pair.time_us)
        for name in ("mass_g", "driver fast.carry_m", "moi_g_cm2"):
            figure = there.figures.get(name)
            assert same(row[name], figure and figure.value)
            for field in ("difference_error", "absolute_error", "unit", "basis", "flag", "caution"):
                column, value = f"{name}_{field}", figure and getattr(figure, field)
                assert same(row[column] if column in table else None, value)
        assert same(row["frequency_hz_failed"], there.failed.get("frequency_hz"))
    assert "mass_g_flag" not in table  # no build has one


def test_a_run_or_a_version_of_the_model_alone(tmp_path):
    path, out = tmp_path / "l.sqlite", tmp_path / "t.csv"
    code, _, err = run("search", QUICK, "--ledger", path, "--workers", 1, "--evaluations", 12)
    assert code == 0, err
    with Ledger(path) as book:
        today = book.runs()[0].versions["model"]
        own = {p.key for p in book.proposals(book.runs()[0].id) if p.computed}
        book.add(KEY, CONTENT, today, found(mass_g=1.0))
        every = {entry.build.hex() for entry in book.entries()}
        book.add(KEY, CONTENT, "0 other", found(mass_g=1.0))
    for name in ("Quick: mass outward, cheaply", book_id(path)):
        run("ledger", "export", path, "--out", out, "--run", name)
        assert set(read(out)["build"]) == own
    run("ledger", "export", path, "--out", out, "--model", today[:5])
    assert set(read(out)["build"]) == every > own
    run("ledger", "export", path, "--out", out, "--model", "0 o")
    assert list(read(out)["build"]) == [KEY]
    before = out.read_bytes()
    for options, words in [
        (("--run", "Quick"), "known: 'Quick: mass outward, cheaply'"),
        (("--model", "x"), f"it has: 0 other, {today}"),
        (("--model", ""), "names 2 of those"),
    ]:
        assert words in refused("ledger", "export", path, "--out", out, *options)
    assert out.read_bytes() == before


def book_id(path) -> str:
    with Ledger(path, reading=True) as book:
        return book.runs()[0].id


def test_an_older_format_and_an_empty_ledger_have_tables_too(tmp_path):
    rows = [Entry.of(KEY, CONTENT, "1", found(mass_g=1.0 / 3.0))]
    old, out = first_format(tmp_path / "old.sqlite", rows), tmp_path / "t.csv"
    assert run("ledger", "export", old, "--out", out)[0] == 0
    [row] = csv.DictReader(out.open())
    assert float(row["mass_g"]) == 1.0 / 3.0
    with Ledger(tmp_path / "empty.sqlite"):
        pass
    for ending in ("csv", "parquet"):
        out = tmp_path / f"t.{ending}"
        assert run("ledger", "export", tmp_path / "empty.sqlite", "--out", out)[0] == 0


def test_a_table_is_written_whole_or_not_at_all(ledger, tmp_path, monkeypatch):
    out = tmp_path / "t.csv"
    out.write_text("what was there\n")
    raw = ledger.read_bytes()
    damaged = tmp_path / "damaged.sqlite"
    assert raw.count(b"beyond the range") == 4
    damaged.write_bytes(raw.replace(b"beyond the range", b"beyond the ranch"))
    assert "is damaged" in refused("ledger", "export", damaged, "--out", out)
    assert "cannot be written" in refused("ledger", "export", ledger, "--out", "/proc/none/t.csv")
    assert "cannot be written" in refused("ledger", "export", ledger, "--out", out / "t.csv")
    assert "must end in .csv or .parquet" in refused("ledger", "export", ledger, "--out", "t.txt")
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    message = refused("ledger", "export", ledger, "--out", tmp_path / "t.parquet")
    assert "pip install 'orbwright[parquet]'" in message
    assert out.read_text() == "what was there\n"
    assert {p.name for p in tmp_path.iterdir()} == {"l.sqlite", "damaged.sqlite", "t.csv"}


# Columns and progress, without the command.


def cells_of(path):
    with path.open(newline="") as file:
        return list(csv.reader(file))


def test_columns_are_of_the_build_then_of_layers_outward_then_of_figures_as_met(tmp_path):
    two, four = BALLS[0], BALLS[2]
    assert (len(two.layer), len(four.layer)) == (2, 4)
    moi = Figure("moi_g_cm2", 80.0, "g cm2", "closed form", 0.1, 0.2)
    mass = Figure("mass_g", 45.0, "g", "closed form", 0.1, 0.2)
    with Ledger(tmp_path / "l.sqlite") as book:
        content = content_of(two)
        first = Estimate(two, {"moi_g_cm2": moi}, {"cor": "none"})
        book.add(key_of(content), content, "1", first)
        content = content_of(four)
        book.add(key_of(content), content, "1", Estimate(four, {"mass_g": mass, "moi_g_cm2": moi}))
        out = tmp_path / "t.csv"
        assert export_ledger(book, part_of(book, None, None), out) == 2
    head, first, second = cells_of(out)
    sizes = ("outer_diameter_mm", "youngs_modulus_mpa", "poisson_ratio", "density_g_cm3")
    rubbing = ("friction", "friction_wet", "friction_half_speed_m_s")
    of_layer = (*sizes, "dynamic_modulus_ratio", *rubbing)
    of_pair = ("strength", "time_us")
    layers = [
        f"layer{n}{part}"
        for n in range(1, 5)
        for part in [*(f"_{f}" for f in of_layer), *(f"_relaxation1_{f}" for f in of_pair)]
    ]
    of_figure = ("", "_difference_error", "_absolute_error", "_unit", "_basis")
    assert head == [
        *("build", "model_version", "written", "dimple_volume_percent", "dimple_depth_mm"),
        *layers,
        *(f"moi_g_cm2{f}" for f in of_figure),
        "cor_failed",
        *(f"mass_g{f}" for f in of_figure),
    ]
    row, other = (dict(zip(head, line, strict=True)) for line in (first, second))
    assert (row["layer3_density_g_cm3"], row["mass_g"], row["cor_failed"]) == ("", "", "none")
    assert float(row["moi_g_cm2_absolute_error"]) == 0.2
    assert (other["mass_g_unit"], other["mass_g_basis"], other["cor_failed"]) == (
        "g", "closed form", ""
    )  # fmt: skip
    assert float(other["layer4_outer_diameter_mm"]) == four.layer[3].outer_diameter_mm


def test_a_flag_has_its_column_where_a_later_build_has_one(tmp_path):
    plain = Figure("mass_g", 45.0, "g", "closed form", 0.1, 0.2)
    flagged = Figure("mass_g", 45.0, "g", "closed form", 0.1, 0.2, "off", "near")
    with Ledger(tmp_path / "l.sqlite") as book:
        for ball, figure in ((BALLS[0], plain), (BALLS[4], flagged), (BALLS[8], plain)):
            content = content_of(ball)
            book.add(key_of(content), content, "1", Estimate(ball, {"mass_g": figure}))
        export_ledger(book, part_of(book, None, None), tmp_path / "t.csv")
        frame = book.to_frame()
    head, *lines = cells_of(tmp_path / "t.csv")
    assert head[-2:] == ["mass_g_flag", "mass_g_caution"]
    assert [line[-2:] for line in lines] == [["", ""], ["off", "near"], ["", ""]]
    assert list(frame["mass_g_flag"]) == ["", "off", ""]
    assert list(frame["build"]) == [line[0] for line in lines]


def test_progress_counts_checked_read_and_written_rows(tmp_path, monkeypatch):
    monkeypatch.setattr(export, "_BATCH", 2)
    monkeypatch.setattr(check, "_STEP", 2)
    told: list[tuple[int, int]] = []
    with Ledger(tmp_path / "l.sqlite") as book:
        for i in range(5):
            content = content_of(BALLS[i])
            book.add(key_of(content), content, "12"[i == 4], found(mass_g=1.0))
        part = part_of(book, None, "1")
        assert part.count(book) == 4
        assert export_ledger(book, part, tmp_path / "t.csv", lambda *n: told.append(n)) == 4
        assert export_ledger(book, part, tmp_path / "t.csv") == 4
    # Five are checked, four read for their columns, four written.
    assert told == [(2, 13), (4, 13), (7, 13), (9, 13), (11, 13), (13, 13)]
    assert len(cells_of(tmp_path / "t.csv")) == 5


def test_progress_of_a_long_table_is_told_every_five_thousand_rows(tmp_path):
    told: list[tuple[int, int]] = []
    with Ledger(tmp_path / "l.sqlite") as book:
        with book.transaction():
            figures = Estimate(BALL, {})
            book.insert(Entry.of(numbered(i)[0], CONTENT, "1", figures) for i in range(5001))
        part = part_of(book, None, None)
        assert export_ledger(book, part, tmp_path / "t.csv", lambda *n: told.append(n)) == 5001
    assert told == [(n, 15003) for n in (5000, 10001, 15002, 15003)]


def test_a_version_is_found_by_its_beginning_and_whole_before_longer_ones(tmp_path):
    with Ledger(tmp_path / "l.sqlite") as book:
        for version in ("ab", "abc", "xyz"):
            book.add(KEY, CONTENT, version, found(mass_g=1.0))
        assert part_of(book, None, None).count(book) == 3
        for name, parameters in (("ab", ("ab",)), ("abc", ("abc",)), ("x", ("xyz",))):
            part = part_of(book, None, name)
            assert (part.parameters, part.count(book)) == (parameters, 1)
        with pytest.raises(InputError, match=r"names 2 of those .*; it has: ab, abc, xyz"):
            part_of(book, None, "a")
        with pytest.raises(InputError, match="names none of those"):
            part_of(book, None, "q")
    with (
        Ledger(tmp_path / "none.sqlite") as book,
        pytest.raises(InputError, match=r"names none of those .*; it has: none"),
    ):
        part_of(book, None, "1")


def test_graded_builds_and_patterns_are_written_too(tmp_path):
    ball = graded_ball(Profile(surface_over_centre=4.0, shape=2.0))
    ball = ball.model_copy(update={"dimple_pattern": "p1"})
    content = content_of(ball)
    with Ledger(tmp_path / "l.sqlite") as book:
        book.add(key_of(content), content, "1", Estimate(ball, {}))
        plain = content_of(BALLS[0])
        book.add(key_of(plain), plain, "1", Estimate(BALLS[0], {}))
        export_ledger(book, part_of(book, None, None), tmp_path / "t.csv")
        frame = book.to_frame()
    head, first, second = cells_of(tmp_path / "t.csv")
    row, other = (dict(zip(head, line, strict=True)) for line in (first, second))
    wanted = {"dimple_pattern": "p1", "layer1_surface_over_centre": "4.0", "layer1_shape": "2.0",
              "layer1_loss_surface_over_centre": "1.0"}  # fmt: skip
    assert {name: row[name] for name in wanted} == wanted
    assert {other[name] for name in wanted} == {""}
    assert head.index("dimple_pattern") == 5
    assert frame["layer1_surface_over_centre"][0] == 4.0
