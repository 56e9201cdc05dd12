"""Maps of figures over the whole space, for the page."""

import math
from typing import Any

from optimize.report.maps import marks, space_map, unit_of_variable
from optimize.report.shares import variable_name
from optimize.report.words import label_of, unit_of
from optimize.sensitivity.result import Shares

# Digits of a cell's mean, of which only a colour is shown.
_DIGITS = 5


def maps_record(shares: Shares) -> list[dict[str, Any]]:
    """Return a map of each figure of goals and limits; none without computed builds.

    Parameters
    ----------
    shares : Shares
        From `optimize.sensitivity.direct.direct_shares`.

    Returns
    -------
    list of dict
        ``figure``, ``label``, ``unit``; ``share`` of the variance that the map explains;
        ``sides``, each with ``label``, ``unit`` and ``marks`` (cell, value); ``cells``, rows along
        the first side, None where there is no build.
    """
    direct = shares.direct
    if direct is None:
        return []
    needed = shares.scenario.figures()
    return [_record(shares, name) for name in needed if name in _figures(shares)]


def _figures(shares: Shares) -> dict[str, Any]:
    return {one.figure: one for one in shares.figures}


def _record(shares: Shares, name: str) -> dict[str, Any]:
    assert shares.direct is not None  # by the caller
    found = space_map(shares, shares.direct, _figures(shares)[name])
    sides = []
    for i, cells in zip(found.variables, found.mean.shape, strict=False):
        gene = shares.genes[i]
        side = {"label": variable_name(shares, gene), "unit": unit_of_variable(gene)}
        sides.append(side | {"marks": marks(gene, cells)})
    cells = [
        [None if math.isnan(v) else float(f"{v:.{_DIGITS}g}") for v in row]
        for row in found.mean.tolist()
    ]
    return {
        "figure": name,
        "label": label_of(name),
        "unit": unit_of(name),
        "share": round(found.share, 3),
        "sides": sides,
        "cells": cells,
    }
