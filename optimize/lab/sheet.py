"""The content of a prototype sheet."""

from dataclasses import dataclass

from layers.compound.batch import Batch
from layers.cure.cycle import Cycle
from optimize.lab.operations import Step
from optimize.lab.tooling import Quantity


@dataclass(frozen=True)
class Target:
    """One figure to measure.

    Attributes
    ----------
    name, label, unit : str
        The figure.
    value : float
        Target, in the unit.
    low, high : float or None
        Window; None where every value is accepted.
    model_error : float or None
        Half width of the target's own uncertainty (95 %); None for plain geometry.
    basis : str
        How the target was computed.
    """

    name: str
    label: str
    unit: str
    value: float
    low: float | None
    high: float | None
    model_error: float | None
    basis: str


@dataclass(frozen=True)
class CureSheet:
    """How a stage is cured: files of recipe and cycle, the cycle, and what to take care of."""

    recipe_file: str
    cycle_file: str
    cycle: Cycle
    note: tuple[str, ...]


@dataclass(frozen=True)
class StageSheet:
    """One stage; `missing` lists figures that were not computed, with reasons."""

    number: int
    title: str
    material: str
    tooling: tuple[Quantity, ...]
    batch: Batch | None
    step: tuple[Step, ...]
    target: tuple[Target, ...]
    missing: tuple[str, ...]
    cure: CureSheet | None = None


@dataclass(frozen=True)
class Sheet:
    """A build's prototype sheet; `caution` maps keys to title and text, in order of use."""

    name: str
    pieces: int
    source: str
    stage: tuple[StageSheet, ...]
    caution: dict[str, tuple[str, str]]
    note: tuple[str, ...]
