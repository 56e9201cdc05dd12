"""The profile of a layer: how its modulus and loss vary from its inner to its outer surface.

Everything in it is relative. The card's Young's modulus stays the layer's one number: it is the
modulus of the profile's mean by volume, so that whatever changes a card (search, scatter,
calibration) scales the whole profile.
"""

import itertools
import math
from collections.abc import Sequence
from typing import Annotated, Any

from pydantic import AfterValidator, Field, model_validator

from layers.arrays import FloatArray
from layers.errors import exact
from layers.files.fields import Table, numeric
from layers.files.text import Text
from layers.graded.curve import RadialCurve

MOST_KNOTS = 60
# Range of a modulus over another of the same layer.
STEEPEST = 50.0


Number = Annotated[float, numeric("1", "a number of a knot", 0.0, 1e4)]
Knots = tuple[tuple[Number, ...], ...]


def _checked(knots: Knots) -> Knots:
    """Refuse knots that do not make a curve."""
    if len(knots) == 1:
        raise ValueError("has one knot, but a profile needs two or more")
    if len({len(knot) for knot in knots}) > 1 or any(len(knot) not in (2, 3) for knot in knots):
        raise ValueError(
            "must have two numbers a knot, [place, modulus], or three in each, with the loss"
        )
    for number, (place, *values) in enumerate(knots, start=1):
        if not 0.0 <= place <= 1.0:
            raise ValueError(
                f"knot {number} is at {exact(place)}, but must be from 0 (the layer's inner "
                "surface, or its centre) to 1 (its outer surface)"
            )
        if min(values) <= 0.0:
            raise ValueError(f"knot {number} has {exact(min(values))}, but must be positive")
    for number, (one, other) in enumerate(itertools.pairwise(knots), start=2):
        if not other[0] > one[0]:
            raise ValueError(
                f"knot {number} is at {exact(other[0])}, but must be further out than knot "
                f"{number - 1} at {exact(one[0])}"
            )
    for column in list(zip(*knots, strict=True))[1:]:
        if max(column) > STEEPEST * min(column):
            raise ValueError(
                f"goes from {exact(min(column))} to {exact(max(column))}, but the highest must be "
                f"at most {STEEPEST:g} times the lowest"
            )
    return knots


class Profile(Table):
    """Modulus and loss inside a layer, relative; see `layers.graded.reading` for MPa and hardness.

    Either ``surface_over_centre`` and ``shape``, ``E(x) / E(0) = 1 + (s - 1) x^shape``, or
    ``relative_knots`` with straight lines between; x is 0 at the layer's inner surface (the centre
    of an innermost layer) and 1 at its outer surface.
    """

    surface_over_centre: float = numeric(
        "1", "modulus at the outer surface over that at the inner", 1 / STEEPEST, STEEPEST, 1.0
    )
    shape: float = numeric(
        "1", "exponent: 1 is straight, more keeps the change near the outer surface", 0.1, 20.0, 1.0
    )
    loss_surface_over_centre: float = numeric(
        "1", "loss at the outer surface over that at the inner", 1 / STEEPEST, STEEPEST, 1.0
    )
    relative_knots: Annotated[Knots, Field(max_length=MOST_KNOTS), AfterValidator(_checked)] = (
        Field(
            (),
            description="in place of the above: [place, modulus] or [place, modulus, loss] from "
            "the inner surface, 0, to the outer, 1; any unit, as only ratios count",
            json_schema_extra={"unit": "1"},
        )
    )
    ratio_scatter_percent: float = numeric(
        "%", "standard error of the surface's modulus over the centre's; 0 if not known", 0, 200, 0
    )
    source: Text = Field("not stated", max_length=300, description="where the profile comes from")

    @model_validator(mode="after")
    def _one_way_only(self) -> "Profile":
        own = {"surface_over_centre", "shape", "loss_surface_over_centre"}
        if self.relative_knots and any(
            getattr(self, key) != type(self).model_fields[key].default for key in own
        ):
            raise ValueError("give relative_knots or surface_over_centre and shape, not both")
        return self

    @property
    def contrast(self) -> float:
        """Modulus at the outer surface over that at the inner one or the centre."""
        if self.relative_knots:
            return self.relative_knots[-1][1] / self.relative_knots[0][1]
        return self.surface_over_centre

    def content(self) -> dict[str, Any]:
        """Return the numbers that determine figures, as keys of a profile: all but the defaults."""
        told = {"ratio_scatter_percent", "source"}
        return self.model_dump(mode="json", exclude_defaults=True, exclude=told) or {
            "surface_over_centre": 1.0
        }

    def modulus_curve(self, inner: float, outer: float) -> RadialCurve:
        """Return the modulus over its mean by volume.

        Parameters
        ----------
        inner, outer : float
            Radii of the layer, m.
        """
        return self._curve(1, self.surface_over_centre, inner, outer)

    def loss_curve(self, inner: float, outer: float) -> RadialCurve | None:
        """Return the loss over its mean by volume; None where it is even.

        Parameters
        ----------
        inner, outer : float
            Radii of the layer, m.
        """
        has_knots = bool(self.relative_knots) and len(self.relative_knots[0]) == 3
        if not has_knots and self.loss_surface_over_centre == 1.0:
            return None
        return self._curve(2, self.loss_surface_over_centre, inner, outer)

    def _curve(self, column: int, surface: float, inner: float, outer: float) -> RadialCurve:
        knots = [(k[0], k[column]) for k in self.relative_knots] or [(0.0, 1.0), (1.0, surface)]
        radius = tuple(inner + place * (outer - inner) for place, _ in knots)
        exponent = 1.0 if self.relative_knots else self.shape
        curve = RadialCurve(radius, tuple(value for _, value in knots), exponent)
        return curve.over(curve.mean(inner, outer))

    def steepened(self, by: float) -> "Profile":
        """Return the profile with its contrast multiplied by exp(by).

        A knot's modulus is multiplied by exp(by * p), p being its part of the way from the first
        knot to the last.

        Parameters
        ----------
        by : float
            Change of the natural logarithm of the surface's modulus over the centre's.
        """
        if not self.relative_knots:
            changed = self.surface_over_centre * math.exp(by)
            return Profile.model_validate({**dict(self), "surface_over_centre": changed})
        first, last = self.relative_knots[0][0], self.relative_knots[-1][0]
        knots = tuple(
            (k[0], k[1] * math.exp(by * (k[0] - first) / (last - first)), *k[2:])
            for k in self.relative_knots
        )
        return Profile.model_validate({**dict(self), "relative_knots": knots})


def curves_of(
    profiles: Sequence[Profile | None], outer_radius: FloatArray
) -> dict[str, tuple[RadialCurve | None, ...]]:
    """Return the curves of a body by the names that it has for them; none where all is even.

    Parameters
    ----------
    profiles : sequence of n Profile or None
        One a layer, centre outward.
    outer_radius : (n,) array
        m.
    """
    if not any(profiles):
        return {}
    radii = list(itertools.pairwise((0.0, *outer_radius.tolist())))
    both = list(zip(profiles, radii, strict=True))
    return {
        "modulus_curve": tuple(p.modulus_curve(*shell) if p else None for p, shell in both),
        "loss_curve": tuple(p.loss_curve(*shell) if p else None for p, shell in both),
    }
