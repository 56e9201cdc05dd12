"""Tables in the trade's units: inches, ounces, miles an hour, yards, ksi.

Figures are computed, kept and written for scripts in metric units. A table says the unit of its
numbers in the heading of the column, in a column of units, at the end of a row's name, or right
after the number; the same places are read here, so that no report knows of units.
"""

import math
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from typing import Any

from layers.errors import InputError
from layers.files.other_units import OTHER_UNITS

SYSTEMS = ("metric", "trade")
_system: ContextVar[str] = ContextVar("system of units", default="metric")
_firm: ContextVar[bool] = ContextVar("units of the command line", default=False)


@dataclass(frozen=True)
class Conversion:
    """A metric unit as printed, the trade's, and how many of these it has."""

    metric: str
    trade: str
    factor: float


def _row(metric: str, unit: str, trade: str, printed: str) -> Conversion:
    return Conversion(metric, printed, 1.0 / OTHER_UNITS[unit][trade])


# Units that are not here are the trade's own too: rpm, degrees, g/cm3, Hz, microseconds, percent.
CONVERSIONS = {
    row.metric: row
    for row in (
        _row("mm", "mm", "in", "in"),
        _row("g", "g", "oz", "oz"),
        _row("g cm²", "g cm2", "oz in2", "oz in²"),
        _row("g cm2", "g cm2", "oz in2", "oz in²"),
        _row("m/s", "m/s", "mph", "mph"),
        _row("m", "m", "yd", "yd"),
        _row("MPa", "MPa", "ksi", "ksi"),
        _row("N", "N", "lbf", "lbf"),
        _row("kN/mm", "kN/mm", "lbf/in", "lbf/in"),
        Conversion("mm²", "in²", OTHER_UNITS["mm"]["in"] ** -2),
    )
}
# The speed at which a ball meets a barrier is told in ft/s.
_IMPACT = _row("m/s", "m/s", "ft/s", "ft/s")

_NUMBER = r"(?<![\w.,])[-+±≈]?\d+(?:\.\d+)?(?![\w]|[.,]\d)"
_UNIT = "|".join(re.escape(unit) for unit in sorted(CONVERSIONS, key=len, reverse=True))
# '38.1 m/s', '98.07 to 1275 N'; 'per', '/' or a power after the unit make it another.
_SAID = re.compile(
    rf"(?P<impact>\bat )?(?P<numbers>{_NUMBER}(?:(?: to | and |, | or |-| ± ){_NUMBER})*)"
    rf" (?P<unit>{_UNIT})(?![\w/²³]| cm)"
)
_HEAD = re.compile(rf"(?P<before>(?:^|.*(?:, |± )))(?P<unit>{_UNIT})(?P<after>(?: .*)?)")


def use(system: str, firm: bool = False) -> None:
    """Choose the units of all tables from here on.

    Parameters
    ----------
    system : str
        ``metric`` or ``trade``.
    firm : bool
        Whether a scenario's own setting leaves it as it is.

    Raises
    ------
    InputError
        If it is neither.
    """
    if system not in SYSTEMS:
        raise InputError(f"units are {system!r}, but must be {' or '.join(SYSTEMS)}.")
    _system.set(system)
    _firm.set(firm)


def use_scenario(system: str | None) -> None:
    """Choose a scenario's units, unless the command line chose.

    Parameters
    ----------
    system : str or None
        What the scenario says.
    """
    if system is not None and not _firm.get():
        use(system)


def chosen() -> str:
    """Return the units of tables: ``metric`` or ``trade``."""
    return _system.get()


@contextmanager
def used(system: str) -> Iterator[None]:
    """Choose the units within a block; see `use`."""
    before, firm = _system.get(), _firm.get()
    use(system)
    try:
        yield
    finally:
        use(before, firm)


def in_chosen_units(sections: Iterable[Any]) -> list[Any]:
    """Return the sections in the chosen units.

    Parameters
    ----------
    sections : iterable of Section
        In metric units. (`optimize.report.tables`, where sections are, imports this module.)
    """
    return [_converted(s) for s in sections] if _system.get() == "trade" else list(sections)


def converted_text(text: str) -> str:
    """Convert the numbers of a sentence that have their unit after them.

    Examples
    --------
    >>> converted_text("between 3.10 and 3.30 mm, COR at 38.1 m/s, 45.9 g")
    'between 0.1220 and 0.1299 in, COR at 125.0 ft/s, 1.619 oz'
    """

    def put(said: re.Match[str]) -> str:
        unit = said["unit"]
        row = _IMPACT if said["impact"] and unit == "m/s" else CONVERSIONS[unit]
        numbers = re.sub(_NUMBER, lambda m: _number(m[0], row), said["numbers"])
        return f"{said['impact'] or ''}{numbers} {row.trade}"

    return _SAID.sub(put, text)


def _number(text: str, row: Conversion) -> str:
    """Convert a number, its last digit worth no more than before."""
    mark = text[0] if text[0] in "+±≈" else ""
    bare = text.removeprefix(mark)
    decimals = len(bare.partition(".")[2])
    decimals = min(9, max(0, math.ceil(decimals - math.log10(row.factor))))
    return f"{mark}{float(bare) * row.factor:.{decimals}f}"


def number_in_trade(text: str, unit: str) -> str:
    """Convert the numbers of a cell whose unit stands elsewhere.

    Parameters
    ----------
    text : str
        Numbers, in the metric unit.
    unit : str
        As printed; one that the trade shares changes nothing.
    """
    return _cell(text, CONVERSIONS[unit]) if unit in CONVERSIONS else text


def _cell(text: str, row: Conversion) -> str:
    return re.sub(_NUMBER, lambda m: _number(m[0], row), text)


def _converted(section: Any) -> Any:
    heads, columns = [], []
    for column in section.columns:
        found = _HEAD.fullmatch(column.title)
        row = CONVERSIONS[found["unit"]] if found else None
        heads.append(row)
        title = f"{found['before']}{row.trade}{found['after']}" if found and row else column.title
        columns.append(replace(column, title=converted_text(title)))
    rows = tuple(_converted_row(row, section.columns, heads) for row in section.rows)
    notes = tuple(map(converted_text, section.notes))
    return replace(
        section,
        title=converted_text(section.title),
        columns=tuple(columns),
        rows=rows,
        notes=notes,
    )


def _converted_row(
    cells: tuple[str, ...], columns: tuple[Any, ...], heads: list[Conversion | None]
) -> tuple[str, ...]:
    """Convert a row: by the heads, a cell that is a unit, or the unit that its name ends in."""
    own = next((CONVERSIONS[c] for c in cells if c in CONVERSIONS), None)
    named = None
    if own is None and cells and not columns[0].right:
        named = _HEAD.fullmatch(cells[0])
        own = CONVERSIONS[named["unit"]] if named and not named["after"] else None
    out = []
    for place, (cell, column, head) in enumerate(zip(cells, columns, heads, strict=True)):
        if head:
            out.append(_cell(cell, head))
        elif own and cell == own.metric:
            out.append(own.trade)
        elif own and named and place == 0:
            out.append(converted_text(named["before"]) + own.trade)
        elif own and column.right and "%" not in column.title + cell:
            out.append(_cell(cell, own))
        else:
            out.append(converted_text(cell))
    return tuple(out)
