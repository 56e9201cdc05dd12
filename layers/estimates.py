"""Estimates: the figures of a ball with their errors, and the difference of two of them."""

from dataclasses import asdict, dataclass, field
from typing import Any

from layers.ball import Ball
from layers.errors import InputError, SolverError
from layers.figures import Basis


@dataclass(frozen=True)
class Figure:
    """One estimated number.

    Attributes
    ----------
    name, value, unit : str, float, str
        What it is; the value is in the unit.
    basis : str
        What it rests on: closed form, finite element, emulator or calibrated.
    difference_error : float
        Half width, in the unit, within which the difference of this figure between two builds of
        the same materials is trusted: the numerical error of the model.
    absolute_error : float
        Half width within which the number itself is trusted: it adds what is not known of the
        materials, and only calibration on the lab's own measurements narrows it.
    flag : str
        Empty, or a sentence that says why the figure should not be relied on: the computation went
        wrong.
    caution : str
        Empty, or a sentence that says where the computation, sound in itself, leaves what its
        models were measured for: levels are doubtful there, rankings less so.
    """

    name: str
    value: float
    unit: str
    basis: Basis
    difference_error: float
    absolute_error: float
    flag: str = ""
    caution: str = ""

    def __sub__(self, other: "Figure") -> "Difference":
        """Subtract the same figure of another ball."""
        if not isinstance(other, Figure):
            return NotImplemented
        if self.name != other.name:
            raise InputError(f"{self.name} less {other.name} means nothing; take one figure.")
        error = max(self.difference_error, other.difference_error)
        return Difference(self.name, self.value - other.value, self.unit, error)


@dataclass(frozen=True)
class Difference:
    """A figure of one ball less the same figure of another.

    Attributes
    ----------
    name, value, unit : str, float, str
        Which figure; the difference is in its unit.
    error : float
        Half width, in the unit, within which the difference is trusted for builds of the same
        materials: the larger of the two figures' `difference_error`.
    """

    name: str
    value: float
    unit: str
    error: float

    @property
    def beyond_error(self) -> bool:
        """Whether the model resolves the difference."""
        return abs(self.value) > self.error


@dataclass(frozen=True)
class Estimate:
    """The figures of one ball; a figure that could not be computed stands in `failed` with why."""

    ball: Ball
    figures: dict[str, Figure]
    failed: dict[str, str] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Figure:
        """Return a figure by the name it was asked for."""
        if name in self.failed:
            raise SolverError(f"{name} of {self.ball.name} was not computed: {self.failed[name]}")
        return self.figures[name]

    def as_record(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {
            "ball": self.ball.model_dump(mode="json"),
            "figures": {name: asdict(figure) for name, figure in self.figures.items()},
            "failed": dict(self.failed),
        }


def differences(reference: Estimate, other: Estimate) -> dict[str, Difference]:
    """Subtract the figures of a reference ball from those of another.

    Parameters
    ----------
    reference, other : Estimate
        The reference, and the ball compared with it.

    Returns
    -------
    dict of str to Difference
        By name, of the figures that both have.
    """
    return {
        name: figure - reference.figures[name]
        for name, figure in other.figures.items()
        if name in reference.figures
    }
