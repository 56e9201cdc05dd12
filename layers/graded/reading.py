"""A profile as a lab states it: MPa at the ends, MPa at places, or a cut core's hardness readings.

Each ends as a relative `Profile` and the mean modulus by volume that belongs to it.
"""

import itertools
import math
from collections.abc import Mapping
from typing import Any

from pydantic import Field, model_validator

from layers.errors import exact
from layers.files.fields import numeric
from layers.graded.profile import MOST_KNOTS, Knots, Number, Profile
from layers.hardness import HARDNESS_SCATTER, find_scale, modulus_from_hardness

_ABSOLUTE = ("centre_mpa", "surface_mpa", "knots", "readings", "scale")
_EDGE_MM = 1e-6


class StatedProfile(Profile):
    """The profile of a layer in a ball file, in one of five ways.

    ``surface_over_centre`` and ``shape`` or ``relative_knots`` leave the modulus to the card. The
    others set it: ``centre_mpa``, ``surface_mpa`` and ``shape``; ``knots``; or ``readings`` of a
    cut core on a ``scale``.
    """

    centre_mpa: float | None = numeric(
        "MPa", "Young's modulus at the centre or the layer's inner surface", 0.5, 3000.0, None
    )
    surface_mpa: float | None = numeric(
        "MPa", "Young's modulus at the layer's outer surface", 0.5, 3000.0, None
    )
    knots: Knots = Field(
        (),
        max_length=MOST_KNOTS,
        description="[mm from the ball's centre, MPa] or [mm, MPa, relative loss], going outward",
        json_schema_extra={"unit": "mm, MPa"},
    )
    readings: tuple[tuple[Number, Number], ...] = Field(
        (),
        max_length=MOST_KNOTS,
        description="[mm from the ball's centre, hardness] of a cut core, going outward",
        json_schema_extra={"unit": "mm, points"},
    )
    scale: str = Field("", max_length=12, description="scale of the readings, such as shore_c")

    @model_validator(mode="after")
    def _ways_do_not_mix(self) -> "StatedProfile":
        ways = {
            "centre_mpa and surface_mpa": self.centre_mpa is not None
            or self.surface_mpa is not None,
            "knots": bool(self.knots),
            "readings": bool(self.readings),
            "relative_knots": bool(self.relative_knots),
            "surface_over_centre": "surface_over_centre" in self.model_fields_set,
        }
        given = [name for name, is_given in ways.items() if is_given]
        if len(given) != 1:
            raise ValueError(
                f"give one of {', '.join(ways)}" + (f", not {' and '.join(given)}" * bool(given))
            )
        if (self.centre_mpa is None) != (self.surface_mpa is None):
            raise ValueError("centre_mpa and surface_mpa go together")
        if bool(self.readings) != bool(self.scale):
            raise ValueError("readings and scale go together; add both, such as scale = 'shore_c'")
        if self.readings:
            find_scale(self.scale)
        if self.knots or self.readings:
            ends = {"shape", "loss_surface_over_centre"} & self.model_fields_set
            if ends:
                raise ValueError(
                    f"{ends.pop()} goes with the ends of a profile, not with {given[0]}"
                )
        return self

    def resolved(self, inner_mm: float, outer_mm: float) -> tuple[Profile, dict[str, Any] | None]:
        """Return the relative profile, and the modulus that it sets as a number of a card.

        Parameters
        ----------
        inner_mm, outer_mm : float
            Radii of the layer, mm.

        Returns
        -------
        Profile
        dict or None
            ``value`` in MPa, the mean by volume, with ``source`` and ``grade``; None where the
            profile leaves the modulus to the card.

        Raises
        ------
        ValueError
            If a place is outside the layer, places do not grow or a number is out of range.
        """
        plain = {k: v for k, v in dict(self).items() if k not in _ABSOLUTE}
        if self.centre_mpa is not None and self.surface_mpa is not None:
            plain["surface_over_centre"] = self.surface_mpa / self.centre_mpa
            profile, at_centre = Profile.model_validate(plain), self.centre_mpa
            told = f"{exact(self.centre_mpa)} MPa at the centre, {exact(self.surface_mpa)} at the "
            told, grade = told + f"surface, exponent {exact(self.shape)}", "unstated"
        elif self.knots:
            plain["relative_knots"] = _placed(self.knots, "knots", inner_mm, outer_mm)
            profile, at_centre = Profile.model_validate(plain), self.knots[0][1]
            told, grade = f"{len(self.knots)} moduli at places", "unstated"
        elif self.readings:
            scale = find_scale(self.scale)
            moduli = tuple((x, modulus_from_hardness(scale.name, s)) for x, s in self.readings)
            plain["relative_knots"] = _placed(moduli, "readings", inner_mm, outer_mm)
            told = f"{len(moduli)} {scale.label} readings of a cut piece by {scale.source}"
            told += f"; scatter +-{HARDNESS_SCATTER:.0%}".replace("%", " %")
            grade = "published example"
            if not self.ratio_scatter_percent:  # both ends of one relation, as independent
                plain["ratio_scatter_percent"] = 100.0 * math.hypot(*[HARDNESS_SCATTER] * 2)
            profile, at_centre = Profile.model_validate(plain), moduli[0][1]
        else:
            return Profile.model_validate(plain), None
        if self.source == "not stated":
            profile = Profile.model_validate({**dict(profile), "source": told})
        else:
            told += f" ({self.source})"
        # The curve is over its mean, so its first value is the first modulus over the mean.
        mean = at_centre / profile.modulus_curve(1e-3 * inner_mm, 1e-3 * outer_mm).value[0]
        return profile, {"value": mean, "source": f"mean by volume of {told}", "grade": grade}


def resolved(stated: Mapping[str, Any], inner_mm: float, outer_mm: float) -> dict[str, Any]:
    """Read a profile's table for a layer.

    Parameters
    ----------
    stated : mapping
        Keys of `StatedProfile`.
    inner_mm, outer_mm : float
        Diameters of the layer, mm.

    Returns
    -------
    dict
        ``profile`` and, where the profile sets it, ``youngs_modulus_mpa`` as a number of a card.

    Raises
    ------
    ValueError
        If it is no profile of this layer.
    """
    table = StatedProfile.model_validate(stated)
    profile, modulus = table.resolved(0.5 * inner_mm, 0.5 * outer_mm)
    return {"profile": profile} | ({"youngs_modulus_mpa": modulus} if modulus else {})


def _placed(knots: Knots, key: str, inner_mm: float, outer_mm: float) -> Knots:
    """Turn positions, mm from the ball's centre, into places from 0 to 1 in the layer."""
    for number, (position, *_) in enumerate(knots, start=1):
        if not inner_mm - _EDGE_MM <= position <= outer_mm + _EDGE_MM:
            raise ValueError(
                f"{key}: number {number} is at {exact(position)} mm, but must be inside the layer, "
                f"from {exact(inner_mm)} to {exact(outer_mm)} mm from the ball's centre"
            )
    for number, (one, other) in enumerate(itertools.pairwise(knots), start=2):
        if not other[0] > one[0]:
            raise ValueError(
                f"{key}: number {number} is at {exact(other[0])} mm, but must be further out than "
                f"number {number - 1} at {exact(one[0])} mm"
            )
    depth = outer_mm - inner_mm
    return tuple(
        (min(max((position - inner_mm) / depth, 0.0), 1.0), *values) for position, *values in knots
    )
