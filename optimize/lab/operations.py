"""Order of operations and cautions of a stage, from `operations.toml`."""

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from layers.ball import Layer
from optimize.lab.process import LayerProcess
from optimize.lab.tooling import Quantity


@dataclass(frozen=True)
class Step:
    """One operation; `caution` are the keys of its cautions on the sheet."""

    title: str
    text: str
    caution: tuple[str, ...]


@cache
def operation_texts() -> dict[str, Any]:
    """Return the parsed `operations.toml`."""
    text = resources.files("optimize.lab").joinpath("operations.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def steps_of(
    layer: Layer,
    tooling: Sequence[Quantity],
    own: LayerProcess,
    inner_mm: float,
    last: bool,
    cycle: str = "",
) -> tuple[Step, ...]:
    """List the operations of a stage, in order, with its sizes filled in.

    Parameters
    ----------
    layer : Layer
        The layer that is added.
    tooling : sequence of Quantity
        Of `optimize.lab.tooling.tooling_of`.
    own : LayerProcess
        The layer's process.
    inner_mm : float
        Diameter of the body inside, mm; 0 for a core.
    last : bool
        Whether the stage is the finished ball.
    cycle : str
        Press cycle in words, in place of the process's time and temperature.
    """
    known = operation_texts()
    place = "over" if inner_mm else "core"
    rows = [row for row in known["step"] if row["family"] == layer.material.family]
    rows += known["grind"] if own.grinding_stock_mm > 0.0 else []
    rows += known["finish"] if last else []
    rows += known["measure"]
    rows = [row for row in rows if row.get("place", place) == place]
    values = {"moulded_mm": f"{layer.outer_diameter_mm:.2f}"}
    values |= {q.name: f"{q.value:.2f}" for q in tooling} | {
        "inner_mm": f"{inner_mm:.2f}",
        "cure": cycle or _cure(own),
    }
    return tuple(
        Step(row["title"], row["text"].format(**values), tuple(row["caution"])) for row in rows
    )


def _cure(own: LayerProcess) -> str:
    minutes = "____" if own.cure_minutes is None else f"{own.cure_minutes:g}"
    celsius = "____" if own.cure_celsius is None else f"{own.cure_celsius:g}"
    return f"Mould at {celsius} C for {minutes} min"
