"""The brief of a search: what may vary, what is wanted, what must hold. Read from TOML."""

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from layers.ball import MOST_LAYERS, THINNEST_LAYER_MM, Role
from layers.errors import InputError, explain
from layers.estimate import Conditions
from layers.figures import parse_figure
from layers.materials import Material, catalogue_from_toml, default_catalogue
from layers.rules import rule_set
from layers.swings import check_owner, default_swings
from layers.textfile import Name, Text, parse_toml, read_text
from optimize.conditions import ConditionsTable, with_files_read

Method = Literal["direct", "emulator"]
METHODS: tuple[str, ...] = get_args(Method)
SMALLEST_CENTRE_MM = 5.0
FILL_DENSITY = "fill_density_g_cm3"
CENTRE_DIAMETER = "stage1.diameter_mm"


def _as_span(value: Any) -> Any:
    """Read a bare number as a range of one value."""
    if isinstance(value, bool) or not isinstance(value, int | float | list | tuple):
        raise ValueError(f"is {value!r}, but must be a number or [lowest, highest]")
    if isinstance(value, int | float):
        return (value, value)
    if len(value) != 2:
        raise ValueError(f"has {len(value)} numbers, but must be a number or [lowest, highest]")
    if all(isinstance(v, int | float) for v in value) and value[0] > value[1]:
        raise ValueError(f"goes from {value[0]:g} to {value[1]:g}; the lowest stands first")
    return value


def _as_names(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


def _number(unit: str, help_text: str, low: float | None = None, high: float | None = None) -> Any:
    return Field(description=help_text, json_schema_extra={"unit": unit}, ge=low, le=high)


_Diameter = Annotated[float, _number("mm", "a diameter", SMALLEST_CENTRE_MM, 60.0)]
_Thickness = Annotated[float, _number("mm", "a thickness", THINNEST_LAYER_MM, 25.0)]
_Modulus = Annotated[float, _number("MPa", "a Young's modulus", 0.5, 3000.0)]
_Density = Annotated[float, _number("g/cm3", "a density", 0.4, 12.0)]
_Span = BeforeValidator(_as_span)


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Envelope(_Table):
    """What all builds of the scenario share."""

    outer_diameter_mm: float = _number("mm", "outer diameter of the ball", 30.0, 60.0)
    dimple_volume_percent: float = Field(
        0.7,
        ge=0.0,
        le=2.0,
        description="volume of all dimples, percent of the sphere's volume",
        json_schema_extra={"unit": "%"},
    )


class Fill(_Table):
    """The density of one layer is set so that the ball has a wanted mass."""

    mass_g: float = _number("g", "mass that every build shall have", 10.0, 100.0)
    layer: int = _number("1", "which layer is filled, from the centre", 1, MOST_LAYERS)
    density_g_cm3: Annotated[tuple[_Density, _Density], _Span] = _number(
        "g/cm3", "lowest and highest density that filler can reach"
    )


class LayerFreedom(_Table):
    """One layer and what may vary in it. A bare number in place of a range is fixed."""

    role: Role = Field(description="what the layer is called in the build")
    diameter_mm: Annotated[tuple[_Diameter, _Diameter], _Span] | None = Field(
        None,
        description="innermost layer only: what the layers outside it may leave",
        json_schema_extra={"unit": "mm"},
    )
    thickness_mm: Annotated[tuple[_Thickness, _Thickness], _Span] | None = Field(
        None, description="every other layer: its thickness", json_schema_extra={"unit": "mm"}
    )
    increment_mm: float = Field(
        0.1,
        ge=0.001,
        le=5.0,
        description="step in which the thickness can be made",
        json_schema_extra={"unit": "mm"},
    )
    material: Annotated[tuple[str, ...], BeforeValidator(_as_names), Field(min_length=1)] = Field(
        description="names of the material cards to choose from"
    )
    youngs_modulus_mpa: Annotated[tuple[_Modulus, _Modulus], _Span] | None = Field(
        None,
        description="replaces the card's Young's modulus",
        json_schema_extra={"unit": "MPa"},
    )
    youngs_modulus_increment_mpa: float = Field(
        1.0,
        ge=0.01,
        le=500.0,
        description="step of the Young's modulus",
        json_schema_extra={"unit": "MPa"},
    )
    density_g_cm3: Annotated[tuple[_Density, _Density], _Span] | None = Field(
        None, description="replaces the card's density", json_schema_extra={"unit": "g/cm3"}
    )
    density_increment_g_cm3: float = Field(
        0.01,
        ge=0.0001,
        le=1.0,
        description="step of the density",
        json_schema_extra={"unit": "g/cm3"},
    )
    optional: bool = Field(False, description="the search may leave this layer out")

    @model_validator(mode="after")
    def _materials_stand_once(self) -> "LayerFreedom":
        twice = [name for name, count in Counter(self.material).items() if count > 1]
        if twice:
            raise ValueError(f"material {twice[0]!r} stands twice; every choice may stand once")
        return self


class Goal(_Table):
    """A figure to push: the search trades goals against one another."""

    figure: str = Field(description="name of the figure, as `orbwright estimate` prints it")
    aim: Literal["maximize", "minimize", "target"] = Field(description="which way is better")
    target: float | None = Field(
        None,
        ge=-1e6,
        le=1e6,
        description="value to come near to, in the figure's unit",
        json_schema_extra={"unit": "the figure's"},
    )
    band: float = Field(
        0.0,
        ge=0.0,
        le=1e6,
        description="distance from the target that counts as on it",
        json_schema_extra={"unit": "the figure's"},
    )

    @model_validator(mode="after")
    def _target_goes_with_its_aim(self) -> "Goal":
        if (self.aim == "target") != (self.target is not None):
            raise ValueError(f'{self.figure}: target and aim = "target" go together')
        return self

    def loss(self, value: float) -> float:
        """Return what the search makes small: the less the better, in the figure's unit."""
        if self.target is not None:
            return max(0.0, abs(value - self.target) - self.band)
        return -value if self.aim == "maximize" else value


class Limit(_Table):
    """Bounds on a figure that every member of the answer keeps."""

    figure: str = Field(description="name of the figure")
    at_least: float | None = Field(
        None,
        ge=-1e6,
        le=1e6,
        description="lower bound",
        json_schema_extra={"unit": "the figure's"},
    )
    at_most: float | None = Field(
        None,
        ge=-1e6,
        le=1e6,
        description="upper bound",
        json_schema_extra={"unit": "the figure's"},
    )
    margin: float = Field(
        0.0,
        ge=0.0,
        le=1e6,
        description="distance to keep from the bounds",
        json_schema_extra={"unit": "the figure's"},
    )

    @model_validator(mode="after")
    def _bounds_leave_room(self) -> "Limit":
        low, high = self.at_least, self.at_most
        if low is None and high is None:
            raise ValueError(f"{self.figure} needs at_least, at_most or both")
        if low is not None and high is not None and high - low < 2.0 * self.margin:
            raise ValueError(
                f"{self.figure}: at_least {low:g} and at_most {high:g} leave no room "
                f"with a margin of {self.margin:g}"
            )
        return self


@dataclass(frozen=True)
class Bound:
    """One side of one limit.

    Attributes
    ----------
    figure, side, value : str, str, float
        ``figure`` shall be ``at least`` or ``at most`` the value, in the figure's unit.
    margin : float
        Distance to keep from the value.
    source : str
        Where the bound stands: the scenario's limit, a rule set, a layer's range.
    """

    figure: str
    side: Literal["at least", "at most"]
    value: float
    margin: float
    source: str

    def excess(self, value: float) -> float:
        """Return by how much a value breaks the bound, in the figure's unit; 0 if it keeps it.

        A mass that is set to a limit on purpose may miss it by rounding: 1e-9 of the bound is let
        pass.
        """
        inward = self.value - value if self.side == "at least" else value - self.value
        over = inward + self.margin
        return over if over > 1e-9 * max(1.0, abs(self.value)) else 0.0

    def relative(self, excess: float) -> float:
        """Return an excess as a fraction of the bound, so that limits can be ranked together."""
        return excess / (abs(self.value) or 1.0)


class Scenario(_Table):
    """A search brief, its cards and conditions resolved: it needs no other file."""

    name: Name = Field(min_length=1, max_length=120, description="what the scenario is called")
    question: Text = Field("", max_length=500, description="what the search shall answer")
    rules: str | None = Field(None, description="rule set whose limits are added")
    seed: int = Field(
        1,
        ge=0,
        le=2**32 - 1,
        description="start of the random numbers",
        json_schema_extra={"unit": "1"},
    )
    method: Method = Field(
        "direct",
        description="what proposes builds: evolution alone, or Gaussian processes of their figures",
    )
    evaluations: int = Field(
        500, ge=1, le=1_000_000, description="builds to compute", json_schema_extra={"unit": "1"}
    )
    population: int = Field(
        40, ge=4, le=1000, description="builds in a generation", json_schema_extra={"unit": "1"}
    )
    ball: Envelope
    fill: Fill | None = None
    layer: tuple[LayerFreedom, ...] = Field(
        min_length=1, max_length=MOST_LAYERS, description="layers, centre outward"
    )
    goal: tuple[Goal, ...] = Field(min_length=1, max_length=4, description="what to push")
    limit: tuple[Limit, ...] = Field((), max_length=40, description="what must hold")
    conditions: ConditionsTable | None = Field(
        None, description="swings, aerodynamics, air and wind; the shipped ones if not given"
    )
    material: tuple[Material, ...] = Field(
        min_length=1, description="cards of the materials that the layers name"
    )

    @model_validator(mode="after")
    def _layers_fit_together(self) -> "Scenario":
        centre, *others = self.layer
        if centre.thickness_mm is not None:
            raise ValueError("layer 1 takes what remains inside the others: give no thickness_mm")
        if centre.optional:
            raise ValueError("layer 1 cannot be optional")
        for number, layer in enumerate(others, start=2):
            if layer.diameter_mm is not None:
                raise ValueError(f"layer {number} takes thickness_mm; diameter_mm is for layer 1")
            if layer.thickness_mm is None:
                raise ValueError(f"layer {number}: thickness_mm is missing; it is required")
        thinnest = sum(o.thickness_mm[0] for o in others if o.thickness_mm and not o.optional)
        room = self.ball.outer_diameter_mm - 2.0 * thinnest
        if room < SMALLEST_CENTRE_MM:
            raise ValueError(
                f"layers 2 to {len(self.layer)} at their thinnest leave {room:g} mm for layer 1, "
                f"but must leave at least {SMALLEST_CENTRE_MM:g} mm"
            )
        return self

    @model_validator(mode="after")
    def _fill_fits_its_layer(self) -> "Scenario":
        if self.fill is None:
            return self
        number = self.fill.layer
        if number > len(self.layer):
            raise ValueError(f"fill, layer is {number}, but must be at most {len(self.layer)}")
        if self.layer[number - 1].optional:
            raise ValueError(f"layer {number} is filled to reach the mass: it cannot be optional")
        if self.layer[number - 1].density_g_cm3 is not None:
            raise ValueError(f"layer {number} is filled to reach the mass: give no density_g_cm3")
        return self

    @model_validator(mode="after")
    def _names_are_known(self) -> "Scenario":
        cards = {card.name for card in self.material}
        for number, layer in enumerate(self.layer, start=1):
            missing = [name for name in layer.material if name not in cards]
            if missing:
                raise ValueError(f"layer {number}: material {missing[0]!r} has no card")
        if self.rules is not None:
            rule_set(self.rules)
        fewest = sum(not layer.optional for layer in self.layer)
        swings = (self.conditions and self.conditions.swings) or default_swings()
        for figure in self.figures():
            parsed = parse_figure(figure)
            check_owner(parsed, swings)
            stage = parsed.stage
            if stage is not None and stage > fewest:
                raise ValueError(f"figure {figure!r}: builds may have only {fewest} layers")
        twice = [g.figure for g in self.goal if sum(h.figure == g.figure for h in self.goal) > 1]
        if twice:
            raise ValueError(f"goal on {twice[0]} stands twice; every figure may be one goal")
        return self

    def played(self) -> Conditions | None:
        """Return the scenario's own conditions of launch and flight; None takes the shipped."""
        return self.conditions.resolved() if self.conditions else None

    def bounds(self) -> tuple[Bound, ...]:
        """Return every one-sided bound: the layers' and the filler's, the limits, the rules'."""
        centre, low = self.layer[0].diameter_mm, SMALLEST_CENTRE_MM
        source = "layer 1, diameter_mm"
        found = [Bound(CENTRE_DIAMETER, "at least", centre[0] if centre else low, 0.0, source)]
        if centre:
            found.append(Bound(CENTRE_DIAMETER, "at most", centre[1], 0.0, source))
        if self.fill:
            least, most = self.fill.density_g_cm3
            found.append(Bound(FILL_DENSITY, "at least", least, 0.0, "fill, density_g_cm3"))
            found.append(Bound(FILL_DENSITY, "at most", most, 0.0, "fill, density_g_cm3"))
        for limit in self.limit:
            found += _sides(limit.figure, limit.at_least, limit.at_most, limit.margin, "limit")
        if self.rules is not None:
            for rule in rule_set(self.rules).limit:
                source = f"rules {self.rules!r}: {rule.source}"
                found += _sides(rule.figure, rule.at_least, rule.at_most, 0.0, source)
        return tuple(found)

    def figures(self) -> tuple[str, ...]:
        """Return the names of the figures that goals and limits need, each once."""
        names = [goal.figure for goal in self.goal] + [limit.figure for limit in self.limit]
        if self.rules is not None:
            names += [rule.figure for rule in rule_set(self.rules).limit]
        return tuple(dict.fromkeys(names))


def _sides(
    figure: str, low: float | None, high: float | None, margin: float, source: str
) -> list[Bound]:
    sides = []
    if low is not None:
        sides.append(Bound(figure, "at least", low, margin, source))
    if high is not None:
        sides.append(Bound(figure, "at most", high, margin, source))
    return sides


_TABLES = (Scenario, ConditionsTable, Envelope, Fill, LayerFreedom, Goal, Limit, Material)
_KNOWN = ("catalogue", *dict.fromkeys(name for table in _TABLES for name in table.model_fields))


def scenario_from_toml(text: str, what: str = "scenario", folder: Path | None = None) -> Scenario:
    """Read a scenario and resolve its material cards and conditions.

    Parameters
    ----------
    text : str
        The TOML text. Materials are found among its own ``[[material]]`` cards, the file that its
        ``catalogue`` names, and the shipped catalogue, in this order.
    what : str
        The scenario's name, for messages.
    folder : Path, optional
        What the names of other files are relative to; the working folder otherwise.

    Raises
    ------
    InputError
        On bad TOML, an unknown field or material, or a value out of range.
    """
    table = parse_toml(text, what)
    cards = default_catalogue()
    if "catalogue" in table:
        path = (folder or Path()) / str(table.pop("catalogue"))
        cards = cards.joined(catalogue_from_toml(read_text(path), path.name).material)
    try:
        if isinstance(table.get("material"), list):
            own = tuple(Material.model_validate(card) for card in table["material"])
            cards = cards.joined(own)
        known = {card.name: card for card in cards.material}
        wanted = _named_materials(table)
        for number, name in wanted:
            if name in known:
                continue
            try:
                cards.find(name)
            except InputError as error:
                raise InputError(f"{what}: layer {number}: {error}") from error
        names = dict.fromkeys(name for _, name in wanted)
        if isinstance(table.get("conditions"), dict):
            table["conditions"] = with_files_read(table["conditions"], folder or Path(), what)
        table["material"] = [known[name] for name in names] or cards.material
        return Scenario.model_validate(table)
    except ValidationError as error:
        raise explain(error, what, _KNOWN) from error


def _named_materials(table: dict[str, Any]) -> list[tuple[int, str]]:
    """List (layer number, name) of every material that the raw table names; bad rows are left."""
    rows = table.get("layer")
    found = []
    for number, row in enumerate(rows if isinstance(rows, list) else [], start=1):
        names = _as_names(row.get("material")) if isinstance(row, dict) else ()
        if isinstance(names, list | tuple):
            found += [(number, name) for name in names if isinstance(name, str)]
    return found


def read_scenario(path: Path) -> Scenario:
    """Read a scenario from a TOML file; see `scenario_from_toml`.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a scenario.
    """
    return scenario_from_toml(read_text(path), path.name, path.parent)
