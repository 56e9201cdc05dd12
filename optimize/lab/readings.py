"""Readings of the lab: groups of replicates, their pooled scatter, and outliers."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from pydantic import ValidationError

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError
from layers.figures import parse_figure
from optimize.lab.uncertainty import lab_data

# The prior scatter has the weight of so many degrees of freedom.
PRIOR_DEGREES = 4.0


@dataclass(frozen=True)
class Reading:
    """One reading.

    Attributes
    ----------
    build : str
        Name of its ball.
    figure : str
        As `layers.figures` names it, with its stage unless it is of the finished ball.
    replicate : str
        Number or name among its replicates; empty where there are none.
    value : float
        In the figure's unit.
    place : str
        File, row and column, for messages.
    """

    build: str
    figure: str
    replicate: str
    value: float
    place: str


@dataclass(frozen=True)
class Group:
    """The replicates of one figure of one build."""

    build: str
    figure: str
    reading: tuple[Reading, ...]

    @property
    def quantity(self) -> str:
        """The figure's quantity."""
        return parse_figure(self.figure).quantity

    @property
    def values(self) -> FloatArray:
        """The readings' values, (n,)."""
        return np.array([r.value for r in self.reading])


@dataclass(frozen=True)
class Measurements:
    """Everything that was read; `note` lists what is not used or missing."""

    reading: tuple[Reading, ...]
    source: tuple[str, ...]
    note: tuple[str, ...] = ()

    def groups(self) -> tuple[Group, ...]:
        """Return the readings by build and figure, in the order of the files."""
        found: dict[tuple[str, str], list[Reading]] = {}
        for reading in self.reading:
            found.setdefault((reading.build, reading.figure), []).append(reading)
        return tuple(Group(*key, tuple(readings)) for key, readings in found.items())

    def without(self, left_out: Sequence[Reading]) -> "Measurements":
        """Return the measurements without some readings, and a note of each."""
        kept = tuple(r for r in self.reading if r not in left_out)
        notes = tuple(f"excluded on request: {r.place}, {r.value:g}" for r in left_out)
        return replace(self, reading=kept, note=self.note + notes)


def pooled_noise(groups: Sequence[Group]) -> dict[str, float]:
    """Return the relative standard deviation of a single reading, by quantity.

    s^2 = (nu0 s0^2 + sum_g (n_g - 1) s_g^2) / (nu0 + sum_g (n_g - 1)) over the groups g of a
    quantity, with logarithms for relative deviations: all builds share one scatter, and the prior
    s0 of `uncertainty.toml` has nu0 = 4 degrees of freedom, so that two equal readings do not pass
    for a perfect lab.

    Parameters
    ----------
    groups : sequence of Group
        Of all builds.
    """
    square: dict[str, float] = {}
    degrees: dict[str, float] = {}
    for group in groups:
        quantity = group.quantity
        prior = lab_data().figure[quantity].noise_percent / 100.0
        square.setdefault(quantity, PRIOR_DEGREES * prior**2)
        degrees.setdefault(quantity, PRIOR_DEGREES)
        logs = np.log(group.values)
        square[quantity] += float(np.sum((logs - logs.mean()) ** 2))
        degrees[quantity] += len(logs) - 1
    return {quantity: float(np.sqrt(square[quantity] / degrees[quantity])) for quantity in square}


def as_made(ball: Ball, found: Measurements) -> Ball:
    """Return a build with its mean measured diameters in place of the nominal ones.

    Parameters
    ----------
    ball : Ball
        The build as designed.
    found : Measurements
        Diameters of stages that were not measured stay nominal.

    Raises
    ------
    InputError
        If the measured diameters make a layer too thin.
    """
    layers = list(ball.layer)
    places = []
    for number in range(len(layers)):
        name = "diameter_mm" if number + 1 == len(layers) else f"stage{number + 1}.diameter_mm"
        readings = [r for r in found.reading if r.build == ball.name and r.figure == name]
        if readings:
            mean = float(np.mean([r.value for r in readings]))
            layers[number] = layers[number].model_copy(update={"outer_diameter_mm": mean})
            places.append(readings[0].place)
    try:
        return Ball.model_validate({**dict(ball), "layer": tuple(layers)})
    except ValidationError as error:
        why = error.errors()[0]["ctx"]["error"]
        raise InputError(
            f"{'; '.join(places)}: the measured diameters of {ball.name} are not possible: {why}. "
            "Nothing was taken from the file."
        ) from error
