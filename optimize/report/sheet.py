"""A prototype sheet as Markdown, as CSV and as a printable HTML page."""

from collections.abc import Iterable, Sequence
from html import escape
from importlib import resources
from string import Template

from layers.compound.batch import Batch
from layers.files.escaping import csv_text, md_text
from optimize.lab.sheet import CureSheet, Sheet, StageSheet, Target
from optimize.lab.tooling import Quantity
from optimize.report.sheet_units import sheet_in_chosen_units, weighed
from optimize.report.trade_columns import head_in_chosen_units
from optimize.report.units import heading_in_chosen_units

# Blank columns on a portrait page; more pieces make a second table.
_COLUMNS = 6

_CSV_HEADS = (
    "build",
    "stage",
    "kind",
    "figure",
    "unit",
    "target",
    "low",
    "high",
    "model_error",
    "basis",
)

_LINE = "____________"


_DECIMALS = {"g/cm3": 4, "1": 4, "s/m": 5, "us": 1, "Hz": 0, "N": 0, "Shore C": 1}
_DECIMALS |= {"in": 4, "oz": 4, "oz in2": 4, "lbf": 1}


def _decimals(unit: str) -> int:
    return _DECIMALS.get(unit, 2)


def _value(value: float, unit: str) -> str:
    return f"{value:.{_decimals(unit)}f}"


def _unit(unit: str) -> str:
    return "" if unit == "1" else unit


def _window(target: Target) -> str:
    if target.low is None or target.high is None:
        return "no window"
    return f"{_value(target.low, target.unit)} to {_value(target.high, target.unit)}"


def _trust(target: Target) -> str:
    if target.model_error is None:
        return ""
    return f"+/- {_value(target.model_error, target.unit)} ({target.basis})"


def _blocks(pieces: int) -> list[range]:
    return [
        range(first, min(first + _COLUMNS, pieces + 1)) for first in range(1, pieces + 1, _COLUMNS)
    ]


_MAKE_HEADS = ("charge and mould", "value", "unit", "from", "as made")
_CURE_HEADS = ("press cycle", "platen, C", "min", "as run, C", "as run, min")
_BATCH_HEADS = ("mill charge", "phr", "weigh, g", "weighed", "note")


def _weighings(batch: Batch) -> list[tuple[str, ...]]:
    rows = [
        (line.ingredient, f"{line.phr:.4g}", f"{line.weighed_g:.6g}", "", line.flag)
        for line in batch.line
    ]
    total = (f"{batch.recipe}: total", "", f"{batch.total_g:.6g}", "", "")
    return [weighed(row) for row in (*rows, total)]


def _batch_heads() -> list[str]:
    return [heading_in_chosen_units(head) for head in _BATCH_HEADS]


def _cure_rows(cure: CureSheet) -> list[tuple[str, ...]]:
    """Rows of the press cycle, blank where the lab writes down what was run."""
    cycle, blank = cure.cycle, ("", "")
    rows = [(f"stock before: {h.celsius:g} C", "", f"{h.minutes:g}", "", "") for h in cycle.before]
    rows.append(("preform", f"{cycle.preform_celsius:g}", "", "", ""))
    rows.append(("mould closed after", "", f"{cycle.open_minutes:g}", "", ""))
    rows += [
        (
            f"step {n}{', ramp' if s.ramp else ''}",
            f"{s.platen_celsius:.1f}",
            f"{s.minutes:.1f}",
            *blank,
        )
        for n, s in enumerate(cycle.step, start=1)
    ]
    cold = (f"{cycle.cooling_celsius:g}", f"{cycle.cooling_minutes:g}")
    return [*rows, ("cool in air or water", *cold, "", "")]


def to_markdown(sheet: Sheet) -> str:
    """Return the sheet as Markdown with pipe tables."""
    sheet = sheet_in_chosen_units(sheet)
    out = [f"# Prototype sheet: {md_text(sheet.name)}", ""]
    out += [f"Made by {_LINE}  Date {_LINE}  Lot {_LINE}", ""]
    out += [f"Allowances and tolerances: {md_text(sheet.source)}.", ""]
    if sheet.note:
        out += ["## Notes", "", *(f"- {md_text(note)}" for note in sheet.note), ""]
    out += ["## Safety", ""]
    out += [f"- **{md_text(title)}.** {md_text(text)}" for title, text in sheet.caution.values()]
    for stage in sheet.stage:
        out += ["", *_stage_markdown(stage, sheet)]
    return "\n".join(out) + "\n"


def _stage_markdown(stage: StageSheet, sheet: Sheet) -> list[str]:
    out = [
        f"## Stage {stage.number}: {md_text(stage.title)}",
        "",
        f"Layer: {md_text(stage.material)}",
        "",
    ]
    out += _md_table(_MAKE_HEADS, _tooling_rows(stage.tooling))
    if stage.batch is not None:
        out += ["", *_md_table(_batch_heads(), _weighings(stage.batch))]
    if stage.cure:
        out += ["", *_md_table(_CURE_HEADS, _cure_rows(stage.cure)), ""]
        out += [
            f"Recipe {md_text(stage.cure.recipe_file)}, cycle {md_text(stage.cure.cycle_file)}."
        ]
        out += ["", *(f"- {md_text(note)}" for note in stage.cure.note)]
    out += ["", "### Order of operations", ""]
    for number, step in enumerate(stage.step, start=1):
        hazards = "; ".join(sheet.caution[key][0] for key in step.caution)
        out += [
            f"{number}. [ ] **{md_text(step.title)}.** {md_text(step.text)} *{md_text(hazards)}.*"
        ]
    out += ["", "### Measurements", ""]
    for block in _blocks(sheet.pieces):
        head = ("figure", "unit", "target", "window", "model error", *(str(n) for n in block))
        rows = [
            (
                t.label,
                _unit(t.unit),
                _value(t.value, t.unit),
                _window(t),
                _trust(t),
                *("" for _ in block),
            )
            for t in stage.target
        ]
        out += [*_md_table(head, rows), ""]
    out += [f"Not computed: {md_text(why)}" for why in stage.missing]
    return out


def _tooling_rows(tooling: Iterable[Quantity]) -> list[tuple[str, ...]]:
    return [(q.label, _value(q.value, q.unit), _unit(q.unit), q.how, "") for q in tooling]


def _md_table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    lines = [head, ["---"] * len(head), *([md_text(cell) for cell in row] for row in rows)]
    return ["| " + " | ".join(line) + " |" for line in lines]


def to_csv(sheet: Sheet) -> str:
    """Return the sheet's numbers as CSV: a row for each figure, blank columns for the pieces.

    ``kind`` is ``make`` for charge and mould, ``measure`` for figures to measure. Text that a
    spreadsheet would run as a formula gets an apostrophe in front.
    """
    sheet = sheet_in_chosen_units(sheet)
    rows: list[list[object]] = []
    pieces = [f"piece_{n}" for n in range(1, sheet.pieces + 1)]
    blank = [""] * sheet.pieces
    for stage in sheet.stage:
        start = [sheet.name, stage.number]
        for q in stage.tooling:
            name, _ = head_in_chosen_units(q.name)
            row = ["make", name, q.unit, f"{q.value:.6g}", "", "", "", q.how]
            rows.append([*start, *row, *blank])
        if stage.cure:
            rows += [[*start, *row, *blank] for row in _cure_cells(stage.cure)]
        for t in stage.target:
            ends = ["" if v is None else f"{v:.6g}" for v in (t.low, t.high, t.model_error)]
            name, _ = head_in_chosen_units(t.name)
            row = ["measure", name, t.unit, f"{t.value:.6g}", *ends, t.basis]
            rows.append([*start, *row, *blank])
    return csv_text([*_CSV_HEADS, *pieces], rows)


def _cure_cells(cure: CureSheet) -> list[list[object]]:
    """Rows by which the readings of cut pieces find their recipe and their cycle."""
    files = {"cure_recipe": cure.recipe_file, "cure_cycle": cure.cycle_file}
    rows: list[list[object]] = [["make", k, "", "", "", "", "", v] for k, v in files.items()]
    for n, step in enumerate(cure.cycle.step, start=1):
        for key, unit, value in (
            ("platen_celsius", "deg C", step.platen_celsius),
            ("minutes", "min", step.minutes),
        ):
            row = ["make", f"step{n}_{key}", unit, f"{value:.6g}", "", "", "", cure.cycle_file]
            rows.append(list(row))
    return rows


def to_html(sheet: Sheet) -> str:
    """Return the sheet as one HTML page without scripts or links, laid out for A4 portrait."""
    sheet = sheet_in_chosen_units(sheet)
    page = resources.files("optimize.report").joinpath("sheet.html").read_text(encoding="utf-8")
    cautions = "".join(
        f"<li><b>{escape(title)}.</b> {escape(text)}</li>" for title, text in sheet.caution.values()
    )
    notes = "".join(f"<li>{escape(note)}</li>" for note in sheet.note)
    return Template(page).substitute(
        name=escape(sheet.name),
        source=escape(sheet.source),
        summary=_summary_html(sheet),
        notes=f"<h2>Notes</h2><ul>{notes}</ul>" if notes else "",
        cautions=cautions,
        stages="".join(_stage_html(stage, sheet) for stage in sheet.stage),
    )


def _summary_html(sheet: Sheet) -> str:
    rows = [
        (
            str(stage.number),
            stage.title,
            stage.material,
            *(f"{_value(q.value, q.unit)}" for q in stage.tooling if q.name in _SUMMARY),
        )
        for stage in sheet.stage
    ]
    heads = ("", "stage", "layer", *map(heading_in_chosen_units, _SUMMARY.values()))
    return _html_table(heads, rows, "summary")


_SUMMARY = {
    "finished_mm": "finished, mm",
    "cavity_mm": "cavity, mm",
    "layer_g": "layer, g",
    "charge_g": "charge, g",
}


def _html_table(head: Sequence[str], rows: Iterable[Sequence[str]], name: str) -> str:
    top = "".join(f"<th>{escape(cell)}</th>" for cell in head)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return f'<table class="{name}"><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>'


def _stage_html(stage: StageSheet, sheet: Sheet) -> str:
    steps = "".join(
        f'<li><span class="box"></span><b>{escape(step.title)}.</b> {escape(step.text)}'
        f'<span class="hazard">{escape("; ".join(sheet.caution[k][0] for k in step.caution))}'
        "</span></li>"
        for step in stage.step
    )
    charge = (
        _html_table(_batch_heads(), _weighings(stage.batch), "batch")
        if stage.batch is not None
        else ""
    )
    cure = ""
    if stage.cure:
        notes = "".join(f"<li>{escape(note)}</li>" for note in stage.cure.note)
        files = f"Recipe {escape(stage.cure.recipe_file)}, cycle {escape(stage.cure.cycle_file)}."
        cure = _html_table(_CURE_HEADS, _cure_rows(stage.cure), "batch")
        cure += f"<p>{files}</p><ul>{notes}</ul>"
    missing = "".join(f"<p>Not computed: {escape(why)}</p>" for why in stage.missing)
    return (
        f'<section class="stage"><h2>Stage {stage.number}: {escape(stage.title)}</h2>'
        f"<p>Layer: {escape(stage.material)}</p>"
        + _html_table(_MAKE_HEADS, _tooling_rows(stage.tooling), "make")
        + charge
        + cure
        + f"<h3>Order of operations</h3><ol>{steps}</ol><h3>Measurements</h3>"
        + "".join(_measure_html(stage.target, block) for block in _blocks(sheet.pieces))
        + missing
        + '<p class="sign">Measured by <span></span> Date <span></span> Room, &deg;C <span></span>'
        "</p></section>"
    )


def _measure_html(targets: Iterable[Target], block: range) -> str:
    top = "".join(f"<th>{n}</th>" for n in block)
    body = "".join(
        f"<tr><td>{escape(t.label)}{', ' + escape(t.unit) if _unit(t.unit) else ''}</td>"
        f"<td><b>{_value(t.value, t.unit)}</b> <span>({escape(_window(t))})</span>"
        + (f"<br><small>{escape(_trust(t))}</small>" if _trust(t) else "")
        + "</td>"
        + '<td class="blank"></td>' * len(block)
        + "</tr>"
        for t in targets
    )
    return (
        '<table class="measure"><thead><tr><th>figure</th><th>target and window</th>'
        f"{top}</tr></thead><tbody>{body}</tbody></table>"
    )
