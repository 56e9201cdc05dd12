"""The files that orbwright reads, and what a file has that its schema does not say."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from importlib import resources
from typing import Any

from pydantic import BaseModel

from layers.ball import Ball
from layers.ball_file import OVERRIDES
from layers.compound.recipe import Recipe
from layers.compound.trials import COLUMNS as TRIALS
from layers.cure.chemistry import Chemistry
from layers.cure.cycle import Cycle
from layers.errors import find_named
from layers.figures import QUANTITIES
from layers.files.csv import Column
from layers.flight.aero_file import COLUMNS as AERODYNAMICS
from layers.graded.reading import StatedProfile
from layers.hardness import SCALES, Scale
from layers.materials import Catalogue
from layers.range.tracks_file import COLUMNS as TRACKS
from layers.strike.swings import SwingTable
from optimize.cure.wanted import COLUMNS as WANTED
from optimize.lab.cut_cores import COLUMNS as CUT_CORES
from optimize.lab.measurements import COLUMNS as MEASUREMENTS
from optimize.lab.process import Process
from optimize.lab.scatter import Scatter
from optimize.lab.uncertainty import lab_data
from optimize.scenario.brief import Scenario
from optimize.scenario.windows import Windows
from optimize.screening.columns import SHOWN

Schema = dict[str, Any]


@dataclass(frozen=True)
class Format:
    """A kind of file.

    Attributes
    ----------
    name, what : str
        As the command line knows it; what the file is for.
    example_file : str
        A whole file that the reader takes, among the examples.
    model : type, optional
        The schema of a TOML file.
    edit : callable
        Puts into the JSON Schema what a file may hold in place of what is resolved when it is read.
    columns : mapping of str to Column or str
        Columns of a CSV file: of numbers, or what a text column holds.
    """

    name: str
    what: str
    example_file: str
    model: type[BaseModel] | None = None
    edit: Callable[[Schema], None] = lambda schema: None
    columns: Mapping[str, Column | str] = field(default_factory=dict)

    @cached_property
    def example(self) -> str:
        """The text of the example."""
        folder = resources.files("optimize.reference") / "examples"
        return (folder / self.example_file).read_text(encoding="utf-8")


def _text(help_text: str) -> Schema:
    return {"type": "string", "description": help_text}


def _cards(name: str, help_text: str) -> Schema:
    return {"type": "array", "items": {"$ref": f"#/$defs/{name}"}, "description": help_text}


def _reading(scale: Scale, place: str) -> Schema:
    """Describe a durometer reading that may stand in place of a modulus."""
    number = {"type": "number", "minimum": scale.low, "maximum": scale.high}
    return {
        "anyOf": [number, {"$ref": "#/$defs/Datum"}],
        "unit": scale.label,
        "description": f"hardness at once, {place}; +-40 %",
    }


def _hardness(schema: Schema) -> None:
    """Let a card give a hardness in place of its modulus."""
    card = schema["$defs"]["Material"]
    for scale in SCALES:
        card["properties"][scale.key] = _reading(scale, "in place of youngs_modulus_mpa")
    ways = ["youngs_modulus_mpa", *(scale.key for scale in SCALES)]
    card["required"].remove("youngs_modulus_mpa")
    card["oneOf"] = [{"required": [way]} for way in ways]


def _ball(schema: Schema) -> None:
    layer, card = (schema["$defs"][name]["properties"] for name in ("Layer", "Material"))
    layer["material"] = _text("name of a card, of this file or shipped")
    for key in OVERRIDES:
        low, high = card[key]["range"]
        what = f"in place of the card's: {card[key]['description']}"
        bounds = {"minimum": low, "maximum": high, "unit": card[key]["unit"]}
        layer[key] = {"type": "number", **bounds, "description": what}
    for scale in SCALES:
        layer[scale.key] = _reading(scale, "in place of the card's modulus")
    schema["properties"]["material"] = _cards("Material", "cards of this file's own")
    schema["$defs"]["Profile"] = StatedProfile.model_json_schema()
    _hardness(schema)


def _recipe(schema: Schema) -> None:
    schema["$defs"]["Part"]["properties"]["ingredient"] = _text("name of a card")
    schema["properties"]["ingredient"] = _cards("Ingredient", "cards of this file's own")


def _scenario(schema: Schema) -> None:
    properties, tables = schema["properties"], schema["$defs"]
    (layer,) = (t["properties"] for t in tables.values() if "optional" in t.get("properties", {}))
    names = {"type": "array", "items": {"type": "string"}, "minItems": 1}
    what = layer["material"]["description"]
    layer["material"] = {"anyOf": [{"type": "string"}, names], "description": what}
    schema["$defs"]["ProcessFile"] = {
        "type": "object",
        "properties": {
            "file": _text("its file, see the format process; the table may be left out")
        },
        "required": ["file"],
        "additionalProperties": False,
    }
    what = properties["process"]["description"]
    properties["process"] = {"$ref": "#/$defs/ProcessFile", "description": what}
    for unused in ("Process", "LayerProcess", "Operation", "Scatter", "LayerScatter"):
        del tables[unused]
    properties["catalogue"] = _text("file of material cards that are added to the shipped ones")
    schema["required"].remove("material")
    conditions = tables["ConditionsTable"]["properties"]
    for key in ("swings", "aerodynamics_table"):
        conditions[key] = _text(conditions[key]["description"])
    said = conditions["aerodynamics"]["description"]
    conditions["aerodynamics"] = {"anyOf": [{"type": "string"}, names], "description": said}
    _hardness(schema)


FORMATS = (
    Format("ball", "a build: layers, centre outward", "ball.toml", Ball, _ball),
    Format("scenario", "a brief for a search", "scenario.toml", Scenario, _scenario),
    Format("windows", "limits and fences to screen balls by", "windows.toml", Windows),
    Format("materials", "material cards", "materials.toml", Catalogue, _hardness),
    Format("swings", "how clubs meet the ball, by club and player", "swings.toml", SwingTable),
    Format("process", "the lab's allowances, tolerances and scatter", "process.toml", Process),
    Format("scatter", "the scatter of a process alone", "scatter.toml", Scatter),
    Format("recipe", "a core compound in phr", "recipe.toml", Recipe, _recipe),
    Format("trials", "cured cores, for a recipe's response surface", "trials.csv", columns=TRIALS),
    Format("cycle", "a press cycle, a row a step", "cycle.toml", Cycle),
    Format("chemistry", "peroxide and co-agent cards", "chemistry.toml", Chemistry),
    Format(
        "cut-cores",
        "hardness of cut cores, for the map from cure to hardness",
        "cut_cores.csv",
        columns=CUT_CORES,
    ),
    Format("wanted", "a wanted hardness profile of a core", "wanted.csv", columns=WANTED),
    Format(
        "builds",
        "a table of builds to screen, a layer's columns led by its name",
        "builds.csv",
        columns=SHOWN,
    ),
    Format("measurements", "readings of builds", "measurements.csv", columns=MEASUREMENTS),
    Format("launches", "a robot's launches of builds", "launches.csv", columns=MEASUREMENTS),
    Format("aerodynamics", "measured drag and lift", "aerodynamics.csv", columns=AERODYNAMICS),
    Format("tracks", "tracks of an indoor range, a row a reading", "tracks.csv", columns=TRACKS),
)


def find_format(name: str) -> Format:
    """Return the format of this name.

    Raises
    ------
    InputError
        If there is none; the nearest names are offered.
    """
    return find_named(FORMATS, name, "file format", "reference")


def measured_figures(swing: bool) -> list[tuple[str, ...]]:
    """Return name, unit, lowest and highest believed value of each figure that can be read in.

    Parameters
    ----------
    swing : bool
        Of launches and flights; otherwise of bodies.
    """
    return [
        (name, QUANTITIES[name].unit, f"{known.low:g}", f"{known.high:g}", QUANTITIES[name].help)
        for name, known in lab_data().figure.items()
        if (QUANTITIES[name].of == "swing") == swing
    ]
