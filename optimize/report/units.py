"""Tables in the trade's units: inches, ounces, miles an hour, yards, ksi.

Figures are computed, kept and written for scripts in metric units. A table says the unit of its
numbers in the heading of the column, in a column of units, at the end of a row's name, or right
after the number; the same places are read here, so that no report knows of units.
"""

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, replace
from functools import cache
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


def _row(metric: str, unit: str, trade: str, printed: str, many: float = 1.0) -> Conversion:
    return Conversion(metric, printed, many / OTHER_UNITS[unit][trade])


# Units that are not here are the trade's own too: rpm, degrees, g/cm3, Hz, microseconds, percent.
CONVERSIONS = {
    row.metric: row
    for row in (
        _row("mm", "mm", "in", "in"),
        _row("g", "g", "oz", "oz"),
        _row("g cm²", "g cm2", "oz in2", "oz in²"),
        _row("g cm2", "g cm2", "oz in2", "oz in2"),
        _row("m/s", "m/s", "mph", "mph"),
        _row("m", "m", "yd", "yd"),
        _row("MPa", "MPa", "ksi", "ksi"),
        _row("N", "N", "lbf", "lbf"),
        _row("kN/mm", "kN/mm", "lbf/in", "lbf/in"),
        _row("kN", "N", "lbf", "lbf", 1e3),
        Conversion("mm²", "in²", OTHER_UNITS["mm"]["in"] ** -2),
        _row("g mm", "g mm", "oz in", "oz in"),
        _row("s/m", "s/m", "s/ft", "s/ft"),
    )
}
# The speed at which a ball meets a barrier, and the initial velocity of the rules, are in ft/s.
_IMPACT = _row("m/s", "m/s", "ft/s", "ft/s")
_INITIAL = re.compile(r"initial[ _]velocity\b|initial_velocity_m_s", re.IGNORECASE)

_NUMBER = r"(?<![\w.,])[-+±≈]?\d+(?:\.\d+)?(?![\w]|[.,]\d)"
_UNIT = "|".join(re.escape(unit) for unit in sorted(CONVERSIONS, key=len, reverse=True))
# '38.1 m/s', '98.07 to 1275 N'; speeds of a barrier test are in ft/s. 'per', '/' or a power after
# the unit make it another.
_SAID = re.compile(
    r"(?P<impact>(?<!head )(?<!leaves )\bat |\bCOR slope from )?"
    rf"(?P<numbers>{_NUMBER}(?:(?: to | and |, | or |-| ± ){_NUMBER})*)"
    rf" (?P<unit>{_UNIT})(?![\w/²³]| cm)"
)
# What a speed in a sentence may be of.
_SPEEDS = re.compile(r"initial velocity|speed|wind", re.IGNORECASE)
# A heading whose numbers are percent, in any row; '95 %' alone is a quantile.
_PERCENT = re.compile(r"^(?!\d+ %$).*%")
_HEAD = re.compile(rf"(?P<before>(?:^|.*(?:, |± )))(?P<unit>{_UNIT})(?P<after>(?: .*)?)")


def conversion_of(unit: str, whose: str = "") -> Conversion | None:
    """Return the conversion of a unit; None for one that the trade shares.

    Parameters
    ----------
    unit : str
        As printed, metric.
    whose : str
        Name or label of the figure that has it, or words with it.

    Examples
    --------
    >>> conversion_of("m/s").trade, conversion_of("m/s", "initial velocity").trade
    ('mph', 'ft/s')
    """
    return _IMPACT if unit == "m/s" and _INITIAL.search(whose) else CONVERSIONS.get(unit)


def by_metric_unit(figures: Mapping[str, str]) -> dict[str, tuple[str, float]]:
    """Return the trade's unit, and how many of these a metric one has, by metric unit.

    Parameters
    ----------
    figures : mapping
        Printed units by names of figures; one with another unit in the trade has its own entry.
    """
    record = {row.metric: (row.trade, row.factor) for row in CONVERSIONS.values()}
    for name, unit in figures.items():
        row = conversion_of(unit, name)
        if row and row.trade != record[unit][0]:
            record[name] = (row.trade, row.factor)
    return record


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


def converted_text(text: str, whose: str = "") -> str:
    """Convert the numbers of a sentence that have their unit after them.

    Parameters
    ----------
    text : str
        In metric units.
    whose : str
        Label of the figure that it says something of, where the sentence does not name it.

    Examples
    --------
    >>> converted_text("between 3.10 and 3.30 mm, COR at 38.1 m/s, 45.9 g")
    'between 0.1220 and 0.1299 in, COR at 125.0 ft/s, 1.619 oz'
    """

    def owner(said: re.Match[str]) -> str:
        """Return whose the number is: 'of' after it, else the last speed that is named before."""
        of = re.match(r" of (\w+ \w+)", text[said.end() :])
        named = _SPEEDS.findall(re.split(r"[.;] ", text[: said.start()])[-1])
        return of[1] if of else named[-1] if named else whose

    def put(said: re.Match[str]) -> str:
        unit = said["unit"]
        row = _IMPACT if said["impact"] and unit == "m/s" else conversion_of(unit, owner(said))
        assert row is not None  # the pattern has known units only
        numbers = re.sub(_NUMBER, lambda m: _number(m[0], row, _least_digits(m)), said["numbers"])
        return f"{said['impact'] or ''}{numbers} {row.trade}"

    return _SAID.sub(put, text)


# Besides those that have another in the trade.
_SHARED = ("%", "rpm", "Hz", "µs", "ft/s", "g/cm³")
_PRINTED = {*_SHARED, *(u for row in CONVERSIONS.values() for u in (row.metric, row.trade))}
_WITH_UNIT = re.compile(
    rf"(?<=\d) (?:{'|'.join(map(re.escape, sorted(_PRINTED, key=len, reverse=True)))})(?![\w/])"
)


def unbroken(text: str) -> str:
    """Join each number of a text with its unit by blanks that do not break a line.

    Parameters
    ----------
    text : str
        In either system of units.
    """
    return _WITH_UNIT.sub(lambda said: said[0].replace(" ", "\u00a0"), text)


def text_in_chosen_units(text: str) -> str:
    """Return a sentence in the chosen units; see `converted_text`."""
    return converted_text(text) if chosen() == "trade" else text


def heading_in_chosen_units(title: str) -> str:
    """Return a heading that ends in its unit in the chosen units; see `head_in_trade`."""
    return head_in_trade(title)[0] if chosen() == "trade" else title


def _least_digits(number: re.Match[str]) -> int:
    """Return how many digits a number has at least: '4 mm' is 0.157 in; an error has its own."""
    return 0 if number.string[: number.start()].endswith("± ") or number[0][0] in "±≈" else 3


@cache
def _stated() -> dict[tuple[str, float], str]:
    """Return what the shipped rules state in the trade's units, by that unit and the metric."""
    from layers.rules.screen import rule_sets

    found = {}
    for limit in (one for rules in rule_sets().cards for one in rules.limit if one.stated):
        number, _, unit = limit.stated.partition(" ")
        metric = limit.at_most if limit.at_least is None else limit.at_least
        assert metric is not None  # by validation: exactly one bound stands
        found[unit, metric] = number
    return found


def stated_in_trade(value: float, unit: str, whose: str = "") -> str:
    """Return a rule's own number in the trade's unit for its metric one; empty for other numbers.

    Parameters
    ----------
    value : float
        In the metric unit.
    unit : str
        As printed.
    whose : str
        Name or label of the figure.

    Examples
    --------
    >>> stated_in_trade(42.67, "mm"), stated_in_trade(42.7, "mm")
    ('1.680', '')
    """
    row = conversion_of(unit, whose)
    return _stated().get((row.trade, value), "") if row else ""


def _number(text: str, row: Conversion, least: int = 0) -> str:
    """Convert a number, its last digit worth no more than before; with so many digits at least.

    A rule's metric figure comes out as the rule states it: 42.67 mm is 1.680 in.
    """
    mark = text[0] if text[0] in "+±≈" else ""
    bare = text.removeprefix(mark)
    if stated := _stated().get((row.trade, float(bare))):
        return f"{mark}{stated}"
    decimals = len(bare.partition(".")[2])
    value = float(bare) * row.factor
    decimals = math.ceil(decimals - math.log10(row.factor))
    if value and least:
        decimals = max(decimals, least - 1 - math.floor(math.log10(abs(value))))
    return f"{mark}{value:.{min(9, max(0, decimals))}f}"


def number_in_trade(text: str, unit: str, whose: str = "") -> str:
    """Convert the numbers of a cell whose unit stands elsewhere.

    Parameters
    ----------
    text : str
        Numbers, in the metric unit; a converted one keeps the worth of its last digit.
    unit : str
        As printed; one that the trade shares changes nothing.
    whose : str
        Name or label of the figure.
    """
    row = conversion_of(unit, whose)
    return _cell(text, row) if row else text


def _cell(text: str, row: Conversion) -> str:
    return re.sub(_NUMBER, lambda m: _number(m[0], row), text)


def head_in_trade(title: str) -> tuple[str, Conversion | None]:
    """Return a heading in the trade's units, and the conversion of the numbers under it.

    Parameters
    ----------
    title : str
        As in metric tables; one that ends in no unit has no conversion.

    Examples
    --------
    >>> head_in_trade("driver (fast): ball speed, m/s")[0], head_in_trade("spin, rpm")
    ('driver (fast): ball speed, mph', ('spin, rpm', None))
    """
    found = _HEAD.fullmatch(title)
    row = conversion_of(found["unit"], found["before"]) if found else None
    if found and row:
        title = f"{found['before']}{row.trade}{found['after']}"
    return converted_text(title), row


def _converted(section: Any) -> Any:
    heads, columns = [], []
    for column in section.columns:
        title, row = head_in_trade(column.title)
        heads.append(row)
        columns.append(replace(column, title=title))
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
    own = next((conversion_of(c, cells[0]) for c in cells if c in CONVERSIONS), None)
    named = None
    if own is None and cells and not columns[0].right:
        named = _HEAD.fullmatch(cells[0])
        own = conversion_of(named["unit"], cells[0]) if named and not named["after"] else None
    out = []
    for place, (cell, column, head) in enumerate(zip(cells, columns, heads, strict=True)):
        if head:
            out.append(_cell(cell, head))
        elif own and cell == own.metric:
            out.append(own.trade)
        elif own and named and place == 0:
            out.append(converted_text(named["before"]) + own.trade)
        elif own and column.right and "%" not in cell and not _PERCENT.search(column.title):
            out.append(_cell(cell, own))
        else:
            out.append(converted_text(cell, cells[0]))
    return tuple(out)
