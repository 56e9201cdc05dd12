"""Amounts and lists in the verdicts' sentences."""

import math
from collections.abc import Sequence

from optimize.search.shortlist import plain

_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def amount(value: float, error: float, unit: str) -> str:
    """Write a value to the digit that its error allows, with its unit.

    Parameters
    ----------
    value, error : float
        In the unit; 0 for an error that is unknown or none.
    unit : str
        As a figure has it; ``"1"`` for a ratio.

    Examples
    --------
    >>> amount(248.993, 3.1, "m"), amount(0.6, 0.0, "mm"), amount(1.614, 0.0, "1")
    ('249.0 m', '0.6 mm', '1.614')
    """
    return f"{_number(value, error)}{in_unit(unit)}"


def amount_with_error(value: float, error: float, unit: str) -> str:
    """Write a value, its error and their unit.

    Parameters
    ----------
    value, error : float
        In the unit; 0 for an error that is unknown or none.
    unit : str
        As a figure has it; ``"1"`` for a ratio.

    Examples
    --------
    >>> amount_with_error(11.43, 3.12, "m"), amount_with_error(0.5, 0.0, "g")
    ('11.4 ± 3.1 m', '0.5 g')
    """
    if not error > 0.0:
        return amount(value, error, unit)
    return f"{_number(value, error)} ± {plain(error, 2)}{in_unit(unit)}"


def in_unit(unit: str) -> str:
    """Return a unit as it follows a number; empty for a ratio."""
    return "" if unit == "1" else f" {unit}"


def _number(value: float, error: float) -> str:
    if not (error > 0.0 and math.isfinite(error)):
        return plain(value, 5)
    return f"{value:.{max(0, 1 - math.floor(math.log10(error)))}f}"


def counted(count: int) -> str:
    """Write a small number as a word."""
    return _COUNTS[count] if count < len(_COUNTS) else str(count)


def listed(names: Sequence[str]) -> str:
    """Join names with commas and 'and'.

    Examples
    --------
    >>> listed(""), listed("A"), listed("AB"), listed("ABC")
    ('', 'A', 'A and B', 'A, B and C')
    """
    return " and ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))
