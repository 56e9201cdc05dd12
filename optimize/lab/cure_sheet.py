"""The cure of a stage on the prototype sheet: cycle, places to cut and read, cautions."""

from dataclasses import dataclass

import numpy as np

from layers.arrays import FloatArray
from layers.compound.recipe import Recipe
from layers.cure.chemistry import Chemistry, celsius_of_half_life
from layers.cure.cycle import Cycle
from layers.cure.hardening import Hardening, predict
from layers.cure.history import cure_core
from layers.cure.stock import stock_of
from layers.errors import find_named
from optimize.lab.operations import Step
from optimize.lab.sheet import CureSheet, Target

# Places that are read on a cut core, and the least distance from its rim that an indenter needs,
# mm; common practice.
_PLACES, _RIM = 6, 1.5


@dataclass(frozen=True)
class Cure:
    """How a stage is cured.

    Attributes
    ----------
    recipe, cycle : Recipe, Cycle
        What is cured, how.
    recipe_file, cycle_file : str
        Their files, as they shall be named on the sheet.
    chemistry : Chemistry
        Cards of peroxides and co-agents.
    hardening : Hardening
        The map from cure to hardness.
    """

    recipe: Recipe
    recipe_file: str
    cycle: Cycle
    cycle_file: str
    chemistry: Chemistry
    hardening: Hardening


def cure_sheet(cure: Cure, diameter_mm: float) -> tuple[CureSheet, tuple[Target, ...]]:
    """Return the cure's part of a stage, and the hardness readings as figures to measure.

    Parameters
    ----------
    cure : Cure
        Recipe, cycle and map.
    diameter_mm : float
        Of the core as moulded.
    """
    stock = stock_of(cure.recipe, cure.chemistry)
    history = cure_core(stock, cure.cycle, diameter_mm, cure.hardening.law)
    places = places_to_read(diameter_mm)
    profile = predict(cure.hardening, stock, cure.cycle, diameter_mm, places)
    low, high = profile.interval
    targets = tuple(
        Target(
            name=f"shore_c@{place:g}mm",
            label=f"Hardness of a cut piece, {place:g} mm from the centre",
            unit="Shore C",
            value=float(value),
            low=None,
            high=None,
            model_error=float(0.5 * (upper - lower)),
            basis=f"hardness map {profile.source}",
        )
        for place, value, lower, upper in zip(places, profile.shore_c, low, high, strict=True)
    )
    hottest, _, when = history.peak
    notes = [
        f"Expected hottest {hottest:.0f} C at {when:.1f} min: the heat of polymerisation takes the "
        "core above the platen. Never shorten the cycle; open slowly, with face shield.",
        *(_peroxide_note(name, cure.chemistry) for name in stock.peroxide),
        *(f"{flag[:1].upper()}{flag[1:]}." for flag in history.flags()),
    ]
    return CureSheet(cure.recipe_file, cure.cycle_file, cure.cycle, tuple(notes)), targets


def places_to_read(diameter_mm: float) -> FloatArray:
    """Places to read on a cut core as moulded, mm from its centre."""
    return np.asarray(np.round(np.linspace(0.0, 0.5 * diameter_mm - _RIM, _PLACES), 1))


def _peroxide_note(name: str, chemistry: Chemistry) -> str:
    card = find_named(chemistry.peroxide, name, "peroxide", "chemistry cards")
    return (
        f"{name[:1].upper()}{name[1:]}: store below {card.storage_celsius.value:g} C "
        f"({card.storage_celsius.grade}); half of it decomposes in 10 h at "
        f"{celsius_of_half_life(card, 600.0):.0f} C and in 1 min at "
        f"{celsius_of_half_life(card, 1.0):.0f} C. The lot's data sheet, local codes and licensed "
        "practice take precedence."
    )


def cut_step(places: tuple[Target, ...]) -> Step:
    """Return the operation of cutting and reading a piece."""
    where = ", ".join(target.name.removeprefix("shore_c@").removesuffix("mm") for target in places)
    return Step(
        "Cut and read hardness",
        "Cut a piece, cold, through its centre, in a cup and away from the hand; keep the faces "
        f"flat and at 23 C. Read Shore C at once, on one radius, {where} mm from the centre, a "
        "place not read before each time; fill in its column. The others stay blank.",
        ("knife", "tester"),
    )
