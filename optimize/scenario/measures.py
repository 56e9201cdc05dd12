"""What a limit or a fence bounds: a figure, a property of a layer, their difference or ratio."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Literal, get_args

from pydantic import AfterValidator

from layers.ball import Ball, Role
from layers.errors import InputError
from layers.estimates import Figure
from layers.figures import QUANTITIES, Basis, parse_figure
from layers.hardness import SCALES, reading_of
from optimize.scenario.variables import FILL_DENSITY

# Properties of a layer: name to label and unit.
PROPERTIES = {
    "outer_diameter_mm": ("outer diameter", "mm"),
    "thickness_mm": ("thickness", "mm"),
    "youngs_modulus_mpa": ("Young's modulus", "MPa"),
    "density_g_cm3": ("density", "g/cm3"),
    "surface_over_centre": ("modulus at the surface over the centre's", "1"),
    "inner_mpa": ("Young's modulus at the inner surface or centre", "MPa"),
    "outer_mpa": ("Young's modulus at the outer surface", "MPa"),
}
_SCALES = {scale.key: scale for scale in SCALES}
PROPERTIES |= {key: ("hardness", scale.label) for key, scale in _SCALES.items()}
_ROLES = "|".join(sorted(get_args(Role), key=len, reverse=True))
_OWNER = re.compile(
    rf"(?:layer ?(?P<number>[1-9])|(?P<role>{_ROLES})"
    r"(?: (?P<count>[1-9]))?)\.(?P<what>[a-z_0-9]+)",
    re.IGNORECASE,
)
_CLEARANCE = re.compile(r"clearance of fence '(?P<name>.+)'")


@dataclass(frozen=True)
class Term:
    """A figure, or a property of one layer.

    Attributes
    ----------
    name, label, unit : str
        Canonical name, the words for it, and its unit.
    figure : str
        Name of the figure; empty for a property of a layer.
    number : int
        The layer from the centre, or which layer of its role; 0 for the only one of its role.
    role, what : str
        The role, empty where the layer is numbered; the property.
    """

    name: str
    label: str
    unit: str
    figure: str = ""
    number: int = 0
    role: str = ""
    what: str = ""

    def layer_of(self, ball: Ball) -> int | None:
        """Return the index of the layer in a ball; None where there is no such layer.

        Raises
        ------
        InputError
            If a role names two layers.
        """
        if not self.role:
            return self.number - 1 if self.number <= len(ball.layer) else None
        places = [i for i, layer in enumerate(ball.layer) if layer.role == self.role]
        if len(places) > 1 and not self.number:
            raise InputError(
                f"{self.name}: {ball.name} has {len(places)} layers of role {self.role!r}; "
                f"name one by number, such as {self.role} 1.{self.what}."
            )
        place = max(1, self.number)
        return places[place - 1] if place <= len(places) else None

    def value_of(self, ball: Ball, figures: Mapping[str, float]) -> float | None:
        """Return the term's value of a ball, in its unit; None where the layer is absent."""
        if self.figure:
            return figures.get(self.figure)
        place = self.layer_of(ball)
        return None if place is None else _property(ball, place, self.what)


@dataclass(frozen=True)
class Measure:
    """A term, the difference of two or their ratio: ``name`` in the canonical spelling."""

    name: str
    terms: tuple[Term, ...]
    sign: Literal["", "-", "/"]

    @property
    def unit(self) -> str:
        """The unit in ASCII; "1" for a ratio."""
        return "1" if self.sign == "/" else self.terms[0].unit

    @property
    def label(self) -> str:
        """The measure in words."""
        words = {"": "", "-": " less ", "/": " over "}[self.sign]
        return words.join(term.label for term in self.terms)

    @property
    def figures(self) -> tuple[str, ...]:
        """Names of the figures that it needs."""
        return tuple(term.figure for term in self.terms if term.figure)

    @property
    def is_closed_form(self) -> bool:
        """Whether no finite elements are needed."""
        return all(
            QUANTITIES[parse_figure(name).quantity].basis == "closed form" for name in self.figures
        )

    def value_of(self, ball: Ball, figures: Mapping[str, float]) -> float | None:
        """Return the value of a ball; None where a layer or figure is absent.

        Parameters
        ----------
        ball : Ball
            The build.
        figures : mapping of str to float
            Its figures, in their units.
        """
        return self._joined([term.value_of(ball, figures) for term in self.terms])

    def scale_of(self, ball: Ball, figures: Mapping[str, float]) -> float:
        """Return what a relative change is relative to: the larger term, or the ratio itself."""
        if self.sign == "/":
            return abs(self.value_of(ball, figures) or 0.0) or 1.0
        values = [term.value_of(ball, figures) for term in self.terms]
        return max((abs(v) for v in values if v is not None), default=0.0) or 1.0

    def figure_of(self, ball: Ball, figures: Mapping[str, Figure]) -> Figure | None:
        """Return the value with its errors, those of two terms as independent; None where absent.

        Parameters
        ----------
        ball : Ball
            The build.
        figures : mapping of str to Figure
            Its figures.
        """
        values = {name: figure.value for name, figure in figures.items()}
        value = self.value_of(ball, values)
        if value is None:
            return None
        slopes = [1.0] * len(self.terms)
        if self.sign == "/":
            below = self.terms[1].value_of(ball, values) or math.inf
            slopes = [1.0 / below, value / below]
        known = [figures[term.figure] if term.figure else None for term in self.terms]
        between, absolute = (
            math.hypot(
                *(s * getattr(f, error) if f else 0.0 for s, f in zip(slopes, known, strict=True))
            )
            for error in ("difference_error", "absolute_error")
        )
        flag = "; ".join(f.flag for f in known if f and f.flag)
        basis: Basis = "closed form" if self.is_closed_form else "finite element"
        return Figure(self.name, value, self.unit, basis, between, absolute, flag)

    def _joined(self, values: list[float | None]) -> float | None:
        known = [v for v in values if v is not None]
        if len(known) < len(self.terms):
            return None
        if self.sign == "-":
            return known[0] - known[1]
        if self.sign == "/":
            return known[0] / known[1] if known[1] else None
        return known[0]


@lru_cache(maxsize=4096)
def parse_measure(text: str) -> Measure:
    """Parse a figure, a layer's property, ``A - B`` or ``A / B``.

    Parameters
    ----------
    text : str
        Figures in any spelling; ``layer2.thickness_mm`` by number from the centre, or
        ``cover.density_g_cm3`` by role (``mantle 2`` for the second mantle from the centre).

    Raises
    ------
    InputError
        If a term is unknown, or the two have different units.

    Examples
    --------
    >>> parse_measure("stage2.deflection - stage1.deflection").name
    'stage2.deflection_mm - stage1.deflection_mm'
    """
    for sign in ("-", "/"):
        left, found, right = text.partition(f" {sign} ")
        if found:
            one, other = _term(left.strip()), _term(right.strip())
            if one.unit != other.unit:
                raise InputError(
                    f"{text!r}: {one.name} is in {one.unit} and {other.name} in {other.unit}, but "
                    "both must have one unit."
                )
            return Measure(f"{one.name} {sign} {other.name}", (one, other), sign)
    term = _term(text.strip())
    return Measure(term.name, (term,), "")


MeasureField = Annotated[str, AfterValidator(lambda text: parse_measure(text).name)]


def clearance_name(fence: str) -> str:
    """Return the name under which the clearance of a fence is bounded."""
    return f"clearance of fence '{fence}'"


def is_clearance(name: str) -> bool:
    """Whether a bounded name is the clearance of a fence."""
    return _CLEARANCE.fullmatch(name) is not None


def is_figure(name: str) -> bool:
    """Whether a bounded name is a figure that `layers.estimation.estimate` gives."""
    if name == FILL_DENSITY or is_clearance(name):
        return False
    measure = parse_measure(name)
    return not measure.sign and bool(measure.figures)


def words_of(name: str) -> tuple[str, str]:
    """Return label and unit (ASCII) of what a bound is on, other than a figure."""
    if is_clearance(name):
        return name, "%"
    measure = parse_measure(name)
    return measure.label, measure.unit


def _term(text: str) -> Term:
    match = _OWNER.fullmatch(text)
    if match is None:
        figure = parse_figure(text)
        known = QUANTITIES[figure.quantity]
        of = f" of stage {figure.stage}" if figure.stage else ""
        owner = f"{figure.swing} " if figure.swing else ""
        at = "@" + figure.name.partition("@")[2] if "@" in figure.name else ""
        label = f"{owner}{known.label}{at}{of}"
        return Term(figure.name, label, known.unit, figure=figure.name)
    what = match["what"].lower()
    if what not in PROPERTIES:
        raise InputError(
            f"{text!r}: {what} is not a property of a layer; known: {', '.join(PROPERTIES)}."
        )
    label, unit = PROPERTIES[what]
    if match["number"]:
        owner = f"layer{match['number']}"
        return Term(
            f"{owner}.{what}", f"{label} of layer {match['number']}", unit,
            number=int(match["number"]), what=what,
        )  # fmt: skip
    role = match["role"].lower()
    owner = f"{role} {match['count']}" if match["count"] else role
    count = int(match["count"] or 0)
    return Term(f"{owner}.{what}", f"{label} of {owner}", unit, "", count, role, what)


def _property(ball: Ball, place: int, what: str) -> float:
    """Return a property of a layer; the innermost layer's thickness is its radius."""
    layer = ball.layer[place]
    if what == "outer_diameter_mm":
        return layer.outer_diameter_mm
    if what == "thickness_mm":
        return (layer.outer_diameter_mm - ball.diameter_of(place)) / 2.0
    if what == "density_g_cm3":
        return layer.material.density_g_cm3.value
    if what in ("inner_mpa", "outer_mpa"):
        return ball.ends_mpa(place + 1)[what == "outer_mpa"]
    if what == "surface_over_centre":
        return layer.profile.contrast if layer.profile else 1.0
    modulus = layer.material.youngs_modulus_mpa.value
    return reading_of(_SCALES[what], modulus) if what in _SCALES else modulus
