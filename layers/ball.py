"""The ball: concentric layers, and every stage of it as a body of its own.

`Ball`, `Layer` are the typed edge (millimetres, g/cm3, MPa); `Body` is the SI core that the
mechanics take.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BeforeValidator, Field, ValidationError, model_validator

from layers.arrays import FloatArray
from layers.errors import InputError, PlacedError, exact
from layers.files.explain import explain
from layers.files.fields import Table, numeric
from layers.files.html import html_table
from layers.files.text import Name
from layers.graded.curve import RadialCurve
from layers.graded.profile import Profile, curves_of
from layers.graded.reading import resolved
from layers.materials import Material, default_catalogue, numeric_fields

Role = Literal[
    "core",
    "centre",
    "inner core",
    "outer core",
    "envelope",
    "casing",
    "inner mantle",
    "mantle",
    "outer mantle",
    "intermediate layer",
    "inner cover",
    "outer cover",
    "cover",
]

# Layers of other names that are made, and scatter, as these are.
_MADE_AS: dict[Role, Role] = {
    "centre": "inner core",
    "envelope": "mantle",
    "casing": "mantle",
    "inner mantle": "mantle",
    "outer mantle": "mantle",
    "intermediate layer": "mantle",
    "inner cover": "mantle",
    "outer cover": "cover",
}


def made_as(role: Role) -> Role:
    """Return the plain role whose process a layer shares: core, inner or outer core, mantle, cover.

    Examples
    --------
    >>> made_as("casing"), made_as("outer core")
    ('mantle', 'outer core')
    """
    return _MADE_AS.get(role, role)


def spelt(role: Any) -> Any:
    """Read a role in any case, and by its other spelling."""
    if not isinstance(role, str):
        return role
    plain = " ".join(role.lower().split())
    return {"center": "centre", "intermediate": "intermediate layer"}.get(plain, plain)


MOST_LAYERS = 6
MOST_NAME = 120  # characters
THINNEST_LAYER_MM = 0.2


def _card(value: Any) -> Any:
    """Find a shipped card by its name, where a layer is made in Python."""
    return default_catalogue().find(value) if isinstance(value, str) else value


class Layer(Table):
    """One shell of the ball, named by its outer diameter."""

    role: Annotated[Role, BeforeValidator(spelt)] = Field(
        description="what the layer is called in the build"
    )
    outer_diameter_mm: float = numeric("mm", "outer diameter", 5.0, 60.0)
    material: Annotated[Material, BeforeValidator(_card)] = Field(
        description="the card of its material, or the name of a shipped one"
    )
    profile: Profile | None = Field(
        None,
        description="how modulus and loss vary inside the layer; the card's modulus is the mean "
        "by volume",
    )

    def __repr__(self) -> str:
        """Return the layer in a line."""
        graded = f", graded 1 : {self.profile.contrast:.3g}" if self.profile else ""
        return f"Layer({self.role!r}, {self.outer_diameter_mm:g} mm, {self.material!r}{graded})"

    __str__ = __repr__


class Ball(Table):
    """Layers from the centre outward, 1 to 6, with strictly growing diameters."""

    name: Name = Field(
        "unnamed ball", min_length=1, max_length=MOST_NAME, description="the build's name"
    )
    layer: tuple[Layer, ...] = Field(
        min_length=1, max_length=MOST_LAYERS, description="layers, centre outward"
    )
    dimple_volume_percent: float = numeric(
        "%", "volume of all dimples, percent of the sphere's volume", 0.0, 2.0, 0.7
    )
    dimple_depth_mm: float = Field(
        0.15,
        gt=0.0,
        le=0.5,
        description="depth over which the dimples' volume is spread",
        json_schema_extra={"unit": "mm"},
    )
    dimple_pattern: str = Field(
        "",
        max_length=MOST_NAME,
        description="name of the dimple pattern whose drag and lift it flies by, where the "
        "conditions have them",
    )

    @model_validator(mode="after")
    def _diameters_grow(self) -> "Ball":
        inner = 0.0
        for number, layer in enumerate(self.layer, start=1):
            least = inner + 2 * THINNEST_LAYER_MM
            if layer.outer_diameter_mm < least - 1e-9:  # 25.4 less 25.0 is 0.4, but for rounding
                raise PlacedError(
                    f"layer {number} ({layer.role}), outer_diameter_mm is "
                    f"{exact(layer.outer_diameter_mm)}, but must be at least "
                    f"{exact(round(least, 9))}: diameters grow outward and a layer is at "
                    f"least {THINNEST_LAYER_MM:g} mm thick",
                    *("layer", number - 1, "outer_diameter_mm"),
                )
            inner = layer.outer_diameter_mm
        return self

    @model_validator(mode="after")
    def _profiles_stay_in_range(self) -> "Ball":
        low, high = numeric_fields()["youngs_modulus_mpa"]
        for number, layer in enumerate(self.layer, start=1):
            curve, mean = self.modulus_curve(number), layer.material.youngs_modulus_mpa.value
            if curve and not low <= mean * min(curve.value) <= mean * max(curve.value) <= high:
                raise ValueError(
                    f"layer {number} ({layer.role}): by its profile the modulus goes from "
                    f"{mean * min(curve.value):.4g} to {mean * max(curve.value):.4g} MPa, but must "
                    f"stay from {low:g} to {high:g}; change it or its mean by volume"
                )
        return self

    def __repr__(self) -> str:
        """Return the build in a line."""
        layers = " | ".join(f"{x.role} {x.outer_diameter_mm:g} mm" for x in self.layer)
        return f"Ball({self.name!r}: {layers})"

    __str__ = __repr__

    def _repr_html_(self) -> str:
        """Return the layers as a table, for notebooks."""
        heads = ("layer", "outer dia., mm", "E, MPa", "g/cm³", "material")
        rows = [
            (
                layer.role,
                f"{layer.outer_diameter_mm:.2f}",
                f"{layer.material.youngs_modulus_mpa.value:g}",
                f"{layer.material.density_g_cm3.value:.4g}",
                layer.material.name,
            )
            for layer in self.layer
        ]
        return html_table(self.name, heads, rows)

    @property
    def diameter_mm(self) -> float:
        """Outer diameter, mm."""
        return self.layer[-1].outer_diameter_mm

    def modulus_curve(self, number: int) -> RadialCurve | None:
        """Return modulus over its mean by volume of layer `number`, from 1; None if it is even."""
        profile = self.layer[number - 1].profile
        radii = 0.5e-3 * self.diameter_of(number - 1), 0.5e-3 * self.diameter_of(number)
        return profile.modulus_curve(*radii) if profile else None

    def ends_mpa(self, number: int) -> tuple[float, float]:
        """Return Young's modulus at the inner surface, or the centre, and the outer, MPa."""
        mean = self.layer[number - 1].material.youngs_modulus_mpa.value
        curve = self.modulus_curve(number)
        return (mean * curve.value[0], mean * curve.value[-1]) if curve else (mean, mean)

    def diameter_of(self, number: int) -> float:
        """Return the outer diameter of a layer, mm, 1 for the innermost; 0 for the centre, 0."""
        return self.layer[number - 1].outer_diameter_mm if number else 0.0

    def replace(self, layer: str | int | None = None, /, **changes: Any) -> "Ball":
        """Return the build with some values changed, validated.

        Parameters
        ----------
        layer : str or int, optional
            Which layer: its role, or its number from the centre, 1 for the innermost. Without it
            the changes are of the ball itself, such as ``name``.
        **changes
            New values by key: of the layer (``outer_diameter_mm`` in mm, ``role``, ``material`` as
            a card or a shipped card's name, ``profile`` as one or as a ball file's table of it) or
            numbers of its card, in the unit each key says (``youngs_modulus_mpa``,
            ``density_g_cm3``, ...).

        Raises
        ------
        InputError
            If there is no such layer or key, or the result is not a ball.

        Examples
        --------
        >>> core = Layer(role="core", outer_diameter_mm=39.0, material="core rubber, soft")
        >>> cover = Layer(role="cover", outer_diameter_mm=42.7, material="ionomer, firm")
        >>> Ball(layer=(core, cover)).replace("cover", outer_diameter_mm=43.0).diameter_mm
        43.0
        """
        table: dict[str, Any] = {name: getattr(self, name) for name in Ball.model_fields}
        try:
            if layer is None:
                table |= changes
            else:
                place = self._place(layer)
                layers = list(self.layer)
                if isinstance(changes.get("profile"), Mapping):
                    outer = changes.get("outer_diameter_mm", self.diameter_of(place + 1))
                    changes |= resolved(changes["profile"], self.diameter_of(place), outer)
                layers[place] = _changed(layers[place], changes)
                table["layer"] = layers
            return Ball.model_validate(table)
        except ValidationError as error:
            known = [*Ball.model_fields, *Layer.model_fields, *numeric_fields()]
            raise explain(error, self.name, tuple(known)) from error

    def _place(self, layer: str | int) -> int:
        """Return the index of a layer that is named by its role or its number."""
        count = len(self.layer)
        if isinstance(layer, int):
            if not 1 <= layer <= count:
                raise InputError(f"layer is {layer}, but must be from 1 to {count}.")
            return layer - 1
        places = [i for i, found in enumerate(self.layer) if found.role == layer]
        if len(places) != 1:
            roles = ", ".join(f"{i} {x.role}" for i, x in enumerate(self.layer, start=1))
            what = "has no" if not places else f"has {len(places)} layers of role"
            raise InputError(
                f"{self.name} {what} {layer!r}; name one of its layers by number: {roles}."
            )
        return places[0]

    def checked(self) -> "Ball":
        """Return the ball if it is valid: pydantic's own `model_copy` makes some that are not.

        Raises
        ------
        InputError
            If it is not; the message names the field.
        """
        try:
            Ball.model_validate(self.model_dump(warnings=False))
        except ValidationError as error:
            raise explain(error, f"ball {self.name!r}", tuple(Ball.model_fields)) from error
        return self

    def stage(self, count: int) -> "Ball":
        """Return the innermost `count` layers as a body the lab can weigh and compress.

        Only the finished ball has dimples.
        """
        if not 1 <= count <= len(self.layer):
            raise InputError(f"stage is {count}, but must be from 1 to {len(self.layer)}.")
        if count == len(self.layer):
            return self
        return Ball(
            name=self.named(f"stage {count}").name,
            layer=self.layer[:count],
            dimple_volume_percent=0.0,
        )

    def named(self, part: str) -> "Ball":
        """Return the build with a short addition to its name, which is cut to leave it room.

        Parameters
        ----------
        part : str
            Such as ``"stage 1"`` or a member's letter.
        """
        addition = f", {part}"
        kept = self.name[: MOST_NAME - len(addition)]
        return self.model_copy(update={"name": kept + addition})

    def body(self) -> "Body":
        """Return the SI arrays that the mechanics take."""
        cards = [layer.material for layer in self.layer]
        pairs = max(len(card.relaxation) for card in cards)
        strength, time = np.zeros((len(cards), pairs)), np.ones((len(cards), pairs))
        for i, card in enumerate(cards):
            for j, pair in enumerate(card.relaxation):
                strength[i, j], time[i, j] = pair.strength, pair.time_us * 1e-6
        radius = np.array([x.outer_diameter_mm for x in self.layer]) * 0.5e-3
        return Body(
            outer_radius=radius,
            density=np.array([card.density_g_cm3.value for card in cards]) * 1e3,
            shear_modulus=np.array([card.shear_modulus_pa for card in cards]),
            bulk_modulus=np.array([card.bulk_modulus_pa for card in cards]),
            dynamic_modulus_ratio=np.array([card.dynamic_modulus_ratio.value for card in cards]),
            relaxation_strength=strength,
            relaxation_time=time,
            friction=cards[-1].friction.value,
            friction_wet=cards[-1].friction_wet.value,
            friction_half_speed=cards[-1].friction_half_speed_m_s.value,
            dimple_volume_fraction=self.dimple_volume_percent / 100.0,
            dimple_depth=self.dimple_depth_mm * 1e-3,
            **curves_of([layer.profile for layer in self.layer], radius),
        )


def _changed(layer: Layer, changes: dict[str, Any]) -> Layer:
    """Return a layer with some of its own values or of its card's numbers replaced."""
    own = {name: changes.pop(name) for name in Layer.model_fields if name in changes}
    table = {name: getattr(layer, name) for name in Layer.model_fields} | own
    found = Layer.model_validate(table)
    numbers = {name: changes.pop(name) for name in numeric_fields() if name in changes}
    if changes:
        # An unknown key is refused with the nearest known one.
        Layer.model_validate(table | changes)
    if not numbers:
        return found
    return found.model_copy(
        update={"material": found.material.with_values("set in Python", **numbers)}
    )


@dataclass(frozen=True)
class Body:
    """Concentric spherical layers in SI, centre outward; n layers, p relaxation pairs each.

    Attributes
    ----------
    outer_radius : (n,) array
        Outer radius of each layer, m, strictly growing.
    density : (n,) array
        kg/m3.
    shear_modulus, bulk_modulus : (n,) array
        Quasi-static moduli, Pa.
    dynamic_modulus_ratio : (n,) array
        Shear modulus on the time scale of an impact over the quasi-static one.
    relaxation_strength, relaxation_time : (n, p) array
        G(t) = dynamic_modulus_ratio * shear_modulus * (1 + sum_j strength_j exp(-t / time_j)), s.
        A layer with fewer pairs carries zero strengths.
    friction, friction_wet : float
        Coulomb friction of the outermost layer's slow sliding on a club face, dry and wet.
    friction_half_speed : float
        Speed of sliding at which either is halved, m/s.
    modulus_curve, loss_curve : tuple of n RadialCurve or None
        Both moduli, and the relaxation strengths, of a layer over those above, which are the means
        by volume; None where a layer is even, empty where all are.
    dimple_volume_fraction : float
        Volume of all dimples over the volume of the sphere.
    dimple_depth : float
        Depth over which that volume is spread, m.
    """

    outer_radius: FloatArray
    density: FloatArray
    shear_modulus: FloatArray
    bulk_modulus: FloatArray
    dynamic_modulus_ratio: FloatArray
    relaxation_strength: FloatArray
    relaxation_time: FloatArray
    friction: float
    dimple_volume_fraction: float = 0.0
    dimple_depth: float = 0.15e-3
    friction_wet: float = 0.2
    friction_half_speed: float = math.inf
    modulus_curve: tuple[RadialCurve | None, ...] = ()
    loss_curve: tuple[RadialCurve | None, ...] = ()

    @property
    def graded(self) -> bool:
        """Whether some layer has a profile."""
        return any(self.modulus_curve)
