"""Readings of the lab: repeats in groups, their pooled scatter, and those that stand apart."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from pydantic import ValidationError

from layers.arrays import FloatArray
from layers.ball import Ball
from layers.errors import InputError
from layers.figures import parse_figure
from optimize.lab.uncertainty import lab_data

# A reading is flagged when it lies further from the median of its repeats than this many robust
# standard deviations.
OUTLIER = 4.0
# Of normal readings: median absolute deviation over standard deviation, and the share of the
# repeats that a median absolute deviation makes use of.
_MAD, _MAD_EFFICIENCY = 0.6745, 0.37

# The scatter assumed beforehand counts like that of so many repeats.
_PRIOR_FREEDOM = 4.0


@dataclass(frozen=True)
class Reading:
    """One reading.

    Attributes
    ----------
    build : str
        Name of its ball.
    figure : str
        As `layers.figures` names it, in that unit; a stage below the finished ball stands in it.
    repeat : str
        What tells it from its repeats, empty where there are none.
    value : float
        In the figure's unit.
    place : str
        File, row and column, for messages.
    """

    build: str
    figure: str
    repeat: str
    value: float
    place: str


@dataclass(frozen=True)
class Group:
    """The repeats of one figure of one build."""

    build: str
    figure: str
    reading: tuple[Reading, ...]

    @property
    def values(self) -> FloatArray:
        """The readings' values, (n,)."""
        return np.array([r.value for r in self.reading])


@dataclass(frozen=True)
class Measurements:
    """Everything that was read; `note` tells what was left aside or is missing."""

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
        """Return the measurements less some readings, and a note of each."""
        kept = tuple(r for r in self.reading if r not in left_out)
        notes = tuple(f"left out on request: {r.place}, {r.value:g}" for r in left_out)
        return replace(self, reading=kept, note=self.note + notes)


@dataclass(frozen=True)
class Outlier:
    """A reading that stands apart from its repeats, by how many robust standard deviations."""

    reading: Reading
    deviations: float
    sentence: str


def _quantity(group: Group) -> str:
    return parse_figure(group.figure).quantity


def pooled_noise(groups: Sequence[Group]) -> dict[str, float]:
    """Return the relative standard deviation of a single reading, by quantity.

    s^2 = (nu0 s0^2 + sum_g (n_g - 1) s_g^2) / (nu0 + sum_g (n_g - 1)) over the groups g of a
    quantity, with logarithms for relative deviations: repeats of all builds tell one scatter, and
    the prior s0 of `lab.toml` weighs like nu0 = 4 repeats, so that two lucky readings are not
    taken for a perfect lab.

    Parameters
    ----------
    groups : sequence of Group
        Of all builds.
    """
    square: dict[str, float] = {}
    freedom: dict[str, float] = {}
    for group in groups:
        quantity = _quantity(group)
        prior = lab_data().figure[quantity].noise_percent / 100.0
        square.setdefault(quantity, _PRIOR_FREEDOM * prior**2)
        freedom.setdefault(quantity, _PRIOR_FREEDOM)
        logs = np.log(group.values)
        square[quantity] += float(np.sum((logs - logs.mean()) ** 2))
        freedom[quantity] += len(logs) - 1
    return {quantity: float(np.sqrt(square[quantity] / freedom[quantity])) for quantity in square}


def outliers(found: Measurements) -> tuple[Outlier, ...]:
    """Find the readings that stand apart from their repeats.

    The rule is robust: the centre is the group's median, the scale the median absolute deviation of
    all groups of the quantity together, joined with the scatter assumed beforehand as in
    `pooled_noise`. Nothing is left out: that is for who measured to decide
    (`Measurements.without`). Of two repeats neither is known to be wrong, so both are named.

    Parameters
    ----------
    found : Measurements
        What was read.

    References
    ----------
    Iglewicz and Hoaglin 1993, How to Detect and Handle Outliers, for the score with the median
    absolute deviation (from memory).
    """
    groups = [group for group in found.groups() if len(group.reading) > 1]
    away = [np.log(g.values) - np.median(np.log(g.values)) for g in groups]
    flagged = []
    for group, deviation in zip(groups, away, strict=True):
        quantity = _quantity(group)
        scale = _robust_scale(
            [d for g, d in zip(groups, away, strict=True) if _quantity(g) == quantity],
            lab_data().figure[quantity].noise_percent / 100.0,
        )
        for reading, z in zip(group.reading, np.abs(deviation) / scale, strict=True):
            if z > OUTLIER:
                middle = float(np.exp(np.median(np.log(group.values))))
                sentence = (
                    f"{reading.place}: {reading.value:g} stands {z:.1f} deviations from the middle "
                    f"{middle:.4g} of {len(group.reading)} repeats of {group.figure} of "
                    f"{group.build}"
                )
                flagged.append(Outlier(reading, float(z), sentence))
    return tuple(flagged)


def _robust_scale(away: Sequence[FloatArray], prior: float) -> float:
    """Estimate a reading's standard deviation from deviations about the medians of groups.

    Each median takes up one deviation of its group, so the smallest is left out (for pairs, which
    lie half their difference from it, what is left is stretched): so scaled, normal groups of 2 to
    8 come out within 6 % of their standard deviation.
    """
    left = [np.sort(np.abs(d))[1:] * (np.sqrt(2.0) if len(d) == 2 else 1.0) for d in away]
    pooled = np.concatenate(left)
    square = (float(np.median(pooled)) / _MAD) ** 2
    freedom = _MAD_EFFICIENCY * len(pooled)
    return float(
        np.sqrt((_PRIOR_FREEDOM * prior**2 + freedom * square) / (_PRIOR_FREEDOM + freedom))
    )


def as_made(ball: Ball, found: Measurements) -> Ball:
    """Return a build with the mean of its measured diameters in place of the nominal ones.

    Parameters
    ----------
    ball : Ball
        The build as drawn.
    found : Measurements
        Diameters of stages that were not measured stay nominal.

    Raises
    ------
    InputError
        If a measured diameter leaves a layer too thin.
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
            f"{'; '.join(places)}: the diameters measured of {ball.name} make no ball: {why}. "
            "Nothing was taken from the file."
        ) from error
