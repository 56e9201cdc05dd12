"""Tables for spreadsheets in the chosen units, the unit in the name of each column."""

import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

from layers.files.other_units import OTHER_UNITS, TRADE_ENDINGS, unit_of_key
from optimize.report.units import (
    CONVERSIONS,
    chosen,
    conversion_of,
    converted_text,
    number_in_trade,
)

_TRADE = {metric: (end, unit) for end, (metric, unit) in TRADE_ENDINGS.items()}
# A column's unit, then what else its name may say: a condition, or what of the figure it is.
_NAME = re.compile(
    rf"(?P<name>.*?)(?P<end>{'|'.join(sorted(_TRADE, key=len, reverse=True))})"
    r"(?P<rest>(?:@[-\w.]*?)?(?:_(?:difference|absolute)_error)?)"
)
# In a table of a row a figure, what is in the unit that the row says.
_OF_ROW = (
    *("value", "difference_error", "absolute_error", "difference_from_first"),
    *("nominal", "mean", "deviation", "q05", "q50", "q95", "surrogate_error"),
    *("change", "change_error", "slope", "slope_error"),
)
# What is per the unit of another column, and that column.
_PER = {"slope": "slope_per", "slope_error": "slope_per"}
# Cells of numbers with their unit, in words.
_WORDS = ("step",)
# A bound in words, in the unit of its row.
_BOUND = "limit"


def head_in_chosen_units(head: str) -> tuple[str, float]:
    """Return a column's name in the chosen units, and how many of these its unit has.

    Parameters
    ----------
    head : str
        The metric name; one without a unit that the trade has otherwise stays.
    """
    found = _NAME.fullmatch(head) if chosen() == "trade" else None
    if not found:
        return head, 1.0
    end, unit = _TRADE[found["end"]]
    row = conversion_of(unit_of_key(found["end"]), head)
    if row and row.trade == "ft/s":
        end, unit = "_ft_s", "ft/s"
    factor = 1.0 / OTHER_UNITS[unit_of_key(found["end"])][unit]
    return f"{found['name']}{end}{found['rest']}", factor


def rows_in_chosen_units(
    heads: Sequence[str], rows: Iterable[Sequence[Any]]
) -> tuple[list[str], Iterator[list[Any]]]:
    """Return a table's heads and rows in the chosen units.

    Parameters
    ----------
    heads : sequence of str
        Metric names of the columns.
    rows : iterable of sequences
        Cells; what is no number stays as it is.
    """
    named = [head_in_chosen_units(head) for head in heads]
    by_row = _by_row(heads)

    def converted() -> Iterator[list[Any]]:
        for row in rows:
            cells = [_times(cell, f) for cell, (_, f) in zip(row, named, strict=True)]
            yield by_row(cells)

    return [head for head, _ in named], converted()


def csv_in_chosen_units(text: str) -> str:
    """Return CSV text in the chosen units.

    Parameters
    ----------
    text : str
        As `layers.files.escaping.csv_text` writes it.
    """
    if chosen() == "metric":
        return text
    first, *others = csv.reader(io.StringIO(text))
    heads, rows = rows_in_chosen_units(first, others)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(heads)
    writer.writerows(rows)
    return out.getvalue()


def _by_row(heads: Sequence[str]) -> Callable[[list[Any]], list[Any]]:
    """Return what converts the cells of a row that says its own unit."""
    if chosen() == "metric" or "unit" not in heads:
        return list
    unit, values = list(heads).index("unit"), [i for i, h in enumerate(heads) if h in _OF_ROW]
    place = {head: i for i, head in enumerate(heads)}
    named = [head for head in ("figure", "name") if head in place]

    def converted(cells: list[Any]) -> list[Any]:
        row = conversion_of(cells[unit], " ".join(str(cells[place[h]]) for h in named))
        for i in values:
            per = CONVERSIONS.get(cells[place[_PER[heads[i]]]]) if heads[i] in _PER else None
            factor = (row.factor if row else 1.0) / (per.factor if per else 1.0)
            cells[i] = _times(cells[i], factor)
        for head in set(_PER.values()) & set(heads):
            per = CONVERSIONS.get(cells[place[head]])
            cells[place[head]] = per.trade if per else cells[place[head]]
        for head in set(_WORDS) & set(heads):
            cells[place[head]] = converted_text(cells[place[head]])
        if row is None:
            return cells
        cells[unit] = row.trade
        if _BOUND in place:
            cells[place[_BOUND]] = number_in_trade(cells[place[_BOUND]], row.metric)
        for head in named:
            cells[place[head]] = head_in_chosen_units(cells[place[head]])[0]
        return cells

    return converted


def _times(cell: Any, factor: float) -> Any:
    """Convert a number, or a text that is one; twelve digits, as when it is read back."""
    if factor == 1.0 or isinstance(cell, bool) or not isinstance(cell, str | float | int):
        return cell
    try:
        return float(f"{float(cell) * factor:.12g}")
    except ValueError:
        return cell
