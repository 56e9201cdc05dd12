"""A prototype sheet in the chosen units."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

from optimize.lab.sheet import Sheet, StageSheet, Target
from optimize.lab.tooling import Quantity
from optimize.report.units import (
    CONVERSIONS,
    chosen,
    conversion_of,
    converted_text,
    number_in_trade,
)


def sheet_in_chosen_units(sheet: Sheet) -> Sheet:
    """Return the sheet with its sizes, masses, windows and texts in the chosen units.

    Parameters
    ----------
    sheet : Sheet
        In metric units. Names of figures stay; mill charges are as weighed, see `weighed`.
    """
    if chosen() == "metric":
        return sheet
    sizes = [quantity for stage in sheet.stage for quantity in stage.tooling]
    same = {_as_said(q): _as_said(_tooling(q), 4) for q in sizes}
    return replace(
        sheet,
        stage=tuple(_stage(stage, same) for stage in sheet.stage),
        note=tuple(map(converted_text, sheet.note)),
    )


def weighed(row: Sequence[str]) -> tuple[str, ...]:
    """Return a row of weighings, grams in its third cell, in the chosen units."""
    return (*row[:2], number_in_trade(row[2], "g"), *row[3:]) if chosen() == "trade" else tuple(row)


def _as_said(quantity: Quantity, decimals: int = 2) -> str:
    """Write a size as `optimize.lab.operations` writes it, with its unit."""
    return f"{quantity.value:.{decimals}f} {quantity.unit}"


def _text(text: str, same: Mapping[str, str]) -> str:
    """Convert a step's text; a size of the tooling reads as in its table."""
    for metric, trade in same.items():
        text = re.sub(rf"(?<![\d.]){re.escape(metric)}(?!\w)", trade, text)
    return converted_text(text)


def _stage(stage: StageSheet, same: Mapping[str, str]) -> StageSheet:
    return replace(
        stage,
        tooling=tuple(map(_tooling, stage.tooling)),
        step=tuple(replace(step, text=_text(step.text, same)) for step in stage.step),
        target=tuple(map(_target, stage.target)),
        missing=tuple(map(converted_text, stage.missing)),
    )


def _tooling(quantity: Quantity) -> Quantity:
    row = CONVERSIONS.get(quantity.unit)
    how = converted_text(quantity.how)
    if row is None:
        return replace(quantity, how=how)
    return replace(quantity, value=quantity.value * row.factor, unit=row.trade, how=how)


def _target(target: Target) -> Target:
    label, basis = converted_text(target.label), converted_text(target.basis)
    row = conversion_of(target.unit, target.name)
    if row is None:
        return replace(target, label=label, basis=basis)
    ends = (target.low, target.high, target.model_error)
    low, high, error = (None if end is None else end * row.factor for end in ends)
    return replace(
        target,
        label=label,
        basis=basis,
        unit=row.trade,
        value=target.value * row.factor,
        low=low,
        high=high,
        model_error=error,
    )
