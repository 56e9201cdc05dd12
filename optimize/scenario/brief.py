"""The brief of a search, read from TOML: design variables, goals, limits, conditions."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal, get_args

from pydantic import Field, ValidationError, model_validator

from layers.arrays import Level
from layers.ball import MOST_LAYERS, Ball
from layers.conditions import Conditions
from layers.errors import Fault, InputError, PlacedError, exact, faulty
from layers.figures import QUANTITIES, parse_figure
from layers.files.cards import with_card
from layers.files.explain import explain
from layers.files.fields import Table
from layers.files.paths import StrPath
from layers.files.text import Name, Text, read_text
from layers.files.toml import parse_toml, told_by_line, told_by_name
from layers.flight.aerodynamics import Law
from layers.materials import (
    Catalogue,
    Material,
    default_catalogue,
    numeric_fields,
)
from layers.rules.screen import rule_set
from layers.strike.swings import check_owner, default_swings
from optimize.lab.cost import Costing, price_of
from optimize.lab.process import Process
from optimize.scenario.conditions import ConditionsTable, process_read, with_files_read
from optimize.scenario.fences import Fence, FenceRange, clearance_percent
from optimize.scenario.goals import Bound, Goal, Limit, sides_of
from optimize.scenario.measures import parse_measure
from optimize.scenario.variables import (
    CENTRE_DIAMETER,
    FILL_DENSITY,
    SMALLEST_CENTRE_MM,
    Envelope,
    Fill,
    LayerVariables,
    StartBuild,
    StartLayer,
    as_names,
)
from optimize.scenario.windows import refuse_twins

Method = Literal["direct", "emulator"]
METHODS: tuple[str, ...] = get_args(Method)
LARGEST_POPULATION = 1000  # builds in a generation


class Scenario(Table):
    """A search brief, its cards and conditions resolved: it needs no other file."""

    name: Name = Field(min_length=1, max_length=120, description="name of the scenario")
    question: Text = Field("", max_length=500, description="question that the search is to answer")
    rules: str | None = Field(None, description="rule set whose limits are added")
    seed: int = Field(
        1,
        ge=0,
        le=2**32 - 1,
        description="seed of the random numbers",
        json_schema_extra={"unit": "1"},
    )
    method: Method = Field(
        "direct",
        description="what proposes builds: an evolutionary search (direct) or Gaussian processes "
        "fitted to the computed builds (emulator)",
    )
    evaluations: int = Field(
        500, ge=1, le=1_000_000, description="builds to compute", json_schema_extra={"unit": "1"}
    )
    population: int = Field(
        40,
        ge=4,
        le=LARGEST_POPULATION,
        description="builds in a generation; with --device gpu what fills the cards, if not given",
        json_schema_extra={"unit": "1"},
    )
    shortlist_mesh: Level = Field(
        "default",
        description="mesh on which the short list is computed once it is chosen: fine shrinks the "
        "error of differences; all other builds are on the default one",
    )
    ball: Envelope = Field(description="what all builds share")
    fill: Fill | None = Field(None, description="filler that sets the mass; none if left out")
    layer: tuple[LayerVariables, ...] = Field(
        min_length=1, max_length=MOST_LAYERS, description="layers, centre outward"
    )
    goal: tuple[Goal, ...] = Field(min_length=1, max_length=4, description="goals")
    limit: tuple[Limit, ...] = Field((), max_length=40, description="limits")
    start: tuple[StartBuild, ...] = Field(
        (),
        max_length=40,
        description="builds that are computed first; 'orbwright reopen' writes one",
    )
    fence: tuple[Fence, ...] = Field(
        (), max_length=40, description="windows to stay out of: a screen, no legal advice"
    )
    conditions: ConditionsTable | None = Field(
        None, description="swings, aerodynamics, air and wind; the shipped ones if not given"
    )
    units: Literal["metric", "trade"] | None = Field(
        None,
        description="units of tables, page and CSV where --units says nothing; neither the run nor "
        "its answer depends on it",
    )
    process: Process | None = Field(None, description="the lab's process, for costs")
    material: tuple[Material, ...] = Field(
        min_length=1, description="cards of the materials that the layers name"
    )

    @model_validator(mode="after")
    def _layers_fit_together(self) -> "Scenario":
        centre, *others = self.layer
        if centre.thickness_mm is not None:
            raise PlacedError(
                "layer 1 takes what remains inside the others: give no thickness_mm",
                *("layer", 0, "thickness_mm"),
            )
        if centre.optional:
            raise PlacedError("layer 1 cannot be optional; remove it", "layer", 0, "optional")
        for number, layer in enumerate(others, start=2):
            if layer.diameter_mm is not None:
                said = f"layer {number}: diameter_mm is for layer 1; give thickness_mm in its place"
                raise PlacedError(said, "layer", number - 1, "diameter_mm")
            if layer.thickness_mm is None:
                said = f"layer {number}: thickness_mm is missing; add it"
                raise PlacedError(said, "layer", number - 1)
        thinnest = sum(o.thickness_mm[0] for o in others if o.thickness_mm and not o.optional)
        room = self.ball.outer_diameter_mm - 2.0 * thinnest
        if room < SMALLEST_CENTRE_MM:
            raise ValueError(
                f"layers 2 to {len(self.layer)} at their thinnest leave {room:g} mm for layer 1, "
                f"but must leave at least {SMALLEST_CENTRE_MM:g} mm; make them thinner"
            )
        return self

    @model_validator(mode="after")
    def _profiles_stay_in_range(self) -> "Scenario":
        """No profile carries a modulus out of a card's range, whatever its shape."""
        lowest, highest = numeric_fields()["youngs_modulus_mpa"]
        cards = {card.name: card.youngs_modulus_mpa.value for card in self.material}
        for number, layer in enumerate(self.layer, start=1):
            if layer.surface_over_centre is None:
                continue
            moduli = layer.youngs_modulus_mpa or [cards[n] for n in layer.material if n in cards]
            most = max(*layer.surface_over_centre, *(1.0 / s for s in layer.surface_over_centre))
            if moduli and not lowest * most <= min(moduli) <= max(moduli) <= highest / most:
                raise ValueError(
                    f"layer {number}: with surface_over_centre to {exact(most)}, the mean modulus "
                    f"must be from {lowest * most:.4g} to {highest / most:.4g} MPa, but is from "
                    f"{exact(min(moduli))} to {exact(max(moduli))}; narrow one of them"
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
    def _starts_fit_in_a_generation(self) -> "Scenario":
        if len(self.start) > self.population:
            raise ValueError(
                f"there are {len(self.start)} start builds, but the population is only "
                f"{self.population}: enlarge it, or start from fewer"
            )
        return self

    @model_validator(mode="after")
    def _names_are_known(self) -> "Scenario":
        cards = {card.name for card in self.material}
        for number, layer in enumerate(self.layer, start=1):
            missing = [name for name in layer.material if name not in cards]
            if missing:
                raise ValueError(f"layer {number}: material {missing[0]!r} has no card")
        if self.rules is not None:
            _check_rules(self.rules)
        fewest = sum(not layer.optional for layer in self.layer)
        swings = (self.conditions and self.conditions.swings) or default_swings()
        for figure in self.figures():
            parsed = parse_figure(figure)
            check_owner(parsed, swings)
            stage = parsed.stage
            if stage is not None and stage > fewest:
                raise ValueError(f"figure {figure!r}: builds may have only {fewest} layers")
        self._check_costs()
        refuse_twins(self.fence)
        self._layers_are_there()
        twice = [g.figure for g in self.goal if sum(h.figure == g.figure for h in self.goal) > 1]
        if twice:
            raise ValueError(f"there are two goals on {twice[0]}; give each figure one goal")
        return self

    def _check_costs(self) -> None:
        """Refuse, as a validator does, a figure of the process that cannot be computed."""
        of_process = [n for n in self.figures() if QUANTITIES[parse_figure(n).quantity].of_process]
        if not of_process:
            return
        if self.process is None or not self.process.has_operations:
            lacks = "name its file in [process]" if self.process is None else "it has no operations"
            raise ValueError(f"{of_process[0]} needs the lab's process: {lacks}")
        for card in self.material:
            price_of(card, self.process.currency)

    def _layers_are_there(self) -> None:
        """Refuse a limit on a layer that builds may lack, and a fence on one that none has."""
        always: list[str] = [layer.role for layer in self.layer if not layer.optional]
        ever: list[str] = [layer.role for layer in self.layer]
        named = [("limit", limit.figure, always) for limit in self.limit]
        named += [("fence", one.figure, ever) for fence in self.fence for one in fence.range]
        for what, figure, roles in named:
            for term in parse_measure(figure).terms:
                if term.figure:
                    continue
                many = roles.count(term.role) if term.role else len(roles)
                if many < max(1, term.number):
                    raise ValueError(
                        f"{what} on {term.name}: builds "
                        f"{'have no such layer' if roles is ever else 'may lack that layer'}"
                    )
                if term.role and not term.number and ever.count(term.role) > 1:
                    raise ValueError(
                        f"{what} on {term.name}: there are {ever.count(term.role)} layers of role "
                        f"{term.role!r}; name one by number, such as {term.role} 1.{term.what}"
                    )

    def estimate_conditions(self) -> Conditions | None:
        """Return the scenario's own conditions and process; None for the shipped ones alone."""
        found = self.conditions.resolved() if self.conditions else None
        if self.process is None:
            return found
        return replace(found or Conditions(), production=Costing(self.process))

    @property
    def patterns(self) -> tuple[str, ...]:
        """Names of the dimple patterns to choose from; none where all builds have one law."""
        return self.conditions.patterns if self.conditions else ()

    def pattern_laws(self) -> dict[str, Law]:
        """Return drag and lift of the dimple patterns to choose from, by name."""
        return dict(self.conditions.resolved().patterns) if self.conditions else {}

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
            found += sides_of(limit.figure, limit.at_least, limit.at_most, limit.margin, "limit")
        found += [fence.bound() for fence in self.fence]
        if self.rules is not None:
            for rule in rule_set(self.rules).limit:
                source = f"rules {self.rules!r}: {rule.source}"
                found += sides_of(rule.figure, rule.at_least, rule.at_most, 0.0, source)
        return tuple(found)

    def figures(self) -> tuple[str, ...]:
        """Return the names of the figures that goals, limits and fences need, each once."""
        names = [goal.figure for goal in self.goal]
        names += [name for limit in self.limit for name in parse_measure(limit.figure).figures]
        names += [name for fence in self.fence for name in fence.figures]
        if self.rules is not None:
            names += [rule.figure for rule in rule_set(self.rules).limit]
        return tuple(dict.fromkeys(names))

    def measured(self, ball: Ball, figures: Mapping[str, float]) -> dict[str, float]:
        """Return what limits and fences bound besides figures, by the bounds' names.

        Parameters
        ----------
        ball : Ball
            The build.
        figures : mapping of str to float
            Figures known so far; what needs others is left out.
        """
        values: dict[str, float] = {}
        for limit in self.limit:
            value = parse_measure(limit.figure).value_of(ball, figures)
            if value is not None and limit.figure not in figures:
                values[limit.figure] = value
        for fence in self.fence:
            if figures.keys() >= set(fence.figures):
                values[fence.bound().figure] = clearance_percent(fence, ball, figures)
        return values


_TABLES = (
    *(Scenario, ConditionsTable, Envelope, Fill, LayerVariables, StartBuild, StartLayer),
    *(Goal, Limit, Fence, FenceRange, Material),
)
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
    with told_by_line(text, what):
        return _from_table(table, what, folder or Path())


def _from_table(table: dict[str, Any], what: str, folder: Path) -> Scenario:
    cards = default_catalogue()
    if "catalogue" in table:
        path = folder / str(table.pop("catalogue"))
        with told_by_name(what, "catalogue"):
            cards = cards.joined(Catalogue.from_toml(read_text(path), path.name).material)
    faults: list[Fault] = []
    try:
        if isinstance(table.get("material"), list):
            cards = cards.joined(Catalogue.model_validate({"material": table["material"]}).material)
        if "process" in table:
            table["process"] = process_read(table["process"], folder, what)
        found = _find_materials(table, cards, faults)
        if isinstance(table.get("conditions"), dict):
            table["conditions"] = with_files_read(table["conditions"], folder, what)
        table["material"] = list(dict.fromkeys(found)) or cards.material
        scenario = Scenario.model_validate(table)
    except ValidationError as error:
        raise faulty([*faults, *explain(error, what, _KNOWN, (Scenario,)).faults], what) from error
    if faults:
        raise faulty(faults, what)
    return scenario


def _check_rules(name: str) -> None:
    try:
        rule_set(name)
    except InputError as error:
        raise PlacedError(f"rules: {str(error).rstrip('.')}", "rules") from error


def _find_materials(table: dict[str, Any], cards: Catalogue, faults: list[Fault]) -> list[Material]:
    """Return the cards that the layers of a raw table name, and write their names as cards do.

    Rows that are no tables, or name no texts, are left to the scenario's own checks.
    """
    rows = table.get("layer")
    found: list[Material] = []
    for number, row in enumerate(rows if isinstance(rows, list) else []):
        names = as_names(row.get("material")) if isinstance(row, dict) else ()
        if not isinstance(names, list | tuple) or not all(isinstance(n, str) for n in names):
            continue
        cells = [
            with_card({"material": name}, "material", cards, ("layer", number), faults)
            for name in names
        ]
        if cells:
            spelt = [cell["material"].name for cell in cells]
            # A card that stands in for one that is not known may be there already.
            row["material"] = list(dict.fromkeys(spelt)) if faults else spelt
        found += [cell["material"] for cell in cells]
    return found


def read_scenario(path: StrPath) -> Scenario:
    """Read a scenario from a TOML file; see `scenario_from_toml`.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or not a scenario.
    """
    path = Path(path)
    return scenario_from_toml(read_text(path), path.name, path.parent)
