"""A recipe as what cures: heat capacity, conductivity, heat of polymerisation, radicals."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.compound.recipe import IngredientRole, Part, Recipe, density
from layers.cure.chemistry import GAS_CONSTANT, Chemistry, decomposition_rate
from layers.errors import InputError, find_named

# Specific heat of an ingredient whose card has none, J/(kg K); from memory.
_USUAL_HEAT: dict[IngredientRole, float] = {
    "base rubber": 1950.0,
    "co-agent": 1300.0,
    "peroxide": 1500.0,
    "oxide": 500.0,
    "filler": 700.0,
    "other": 1800.0,
}
# Rise of the rubber's specific heat with temperature, J/(kg K) a kelvin, and where it starts; from
# memory of tables of amorphous polymers above their glass transition.
_RUBBER_HEAT_SLOPE, _HEAT_CELSIUS = 3.5, 25.0
# Conductivity of the rubber with its co-agent, W/(m K): the usual 0.19 to 0.22 of diene rubbers,
# from memory, so that a core compound's diffusivity is near 1e-7 m2/s. That it changes with
# temperature is not modelled.
_RUBBER_CONDUCTIVITY = 0.19
# Temperature at which rate constants are given.
REFERENCE_CELSIUS = 160.0


@dataclass(frozen=True)
class Stock:
    """A compound ready for the press, SI.

    Attributes
    ----------
    name : str
        Of its recipe.
    density : float
        kg/m3.
    heat, heat_slope : float
        Specific heat at 0 degrees Celsius, J/(kg K), and its rise a kelvin.
    conductivity : float
        W/(m K).
    polymerisation : float
        Heat of complete polymerisation, J/m3.
    rate, energy : (m,) array
        Rate constants of the peroxides at 160 degrees Celsius, 1/s, and their activation energies
        over the gas constant, K.
    radicals : (m,) array
        Radicals that they give, mol/kg of base rubber.
    peroxide : tuple of m str
        Their cards' names.
    coagent_phr, bridges : float
        Co-agent; and the same in mol/kg of base rubber.
    solids : float
        Share of the volume that fillers and oxides take.
    """

    name: str
    density: float
    heat: float
    heat_slope: float
    conductivity: float
    polymerisation: float
    rate: FloatArray
    energy: FloatArray
    radicals: FloatArray
    peroxide: tuple[str, ...]
    coagent_phr: float
    bridges: float
    solids: float

    @property
    def diffusivity(self) -> float:
        """Thermal diffusivity at 100 degrees Celsius, m2/s."""
        return self.conductivity / (self.density * (self.heat + 100.0 * self.heat_slope))

    def adiabatic_rise(self, celsius: float) -> float:
        """Rise of temperature, K, when all co-agent polymerises and no heat leaves.

        Parameters
        ----------
        celsius : float
            Temperature at the start.
        """
        # c0 T + c1 T^2 / 2 gains q / rho.
        gain = self.polymerisation / self.density
        start = self.heat + self.heat_slope * celsius
        if self.heat_slope == 0.0:
            return gain / start
        return (math.sqrt(start**2 + 2.0 * self.heat_slope * gain) - start) / self.heat_slope


def stock_of(recipe: Recipe, chemistry: Chemistry) -> Stock:
    """Look up what a recipe's ingredients bring to the cure.

    Parameters
    ----------
    recipe : Recipe
        The compound, with at least one peroxide.
    chemistry : Chemistry
        Cards of peroxides and co-agents.

    Raises
    ------
    InputError
        If it has no peroxide, or a peroxide or co-agent has no card.
    """
    peroxides = [part for part in recipe.part if part.ingredient.role == "peroxide" and part.phr]
    coagents = [part for part in recipe.part if part.ingredient.role == "co-agent" and part.phr]
    if not peroxides:
        raise InputError(f"{recipe.name} has no peroxide, so that nothing cures it; add one.")
    rows = [(p, _card(p, chemistry.peroxide, recipe.name)) for p in peroxides]
    # Grams of active substance in a kilogram of base rubber are ten times its parts.
    radicals = [2.0 * c.groups * _moles(p, c.molar_mass_g_mol.value) for p, c in rows]
    salts = [(p, _card(p, chemistry.coagent, recipe.name)) for p in coagents]
    bridges = [_moles(p, c.molar_mass_g_mol.value) for p, c in salts]
    heat = sum(
        n * c.double_bonds * 1e3 * c.heat_kj_mol.value
        for n, (_, c) in zip(bridges, salts, strict=True)
    )
    rubber_in_a_kilogram = 100.0 / recipe.total_phr
    rho = 1e3 * density(recipe)
    at_25, slope = _specific_heat(recipe)
    solids = _solids(recipe)
    return Stock(
        name=recipe.name,
        density=rho,
        heat=at_25 - slope * _HEAT_CELSIUS,
        heat_slope=slope,
        # Maxwell's dilute spheres of a filler that conducts much better.
        conductivity=_RUBBER_CONDUCTIVITY * (1.0 + 2.0 * solids) / (1.0 - solids),
        polymerisation=heat * rubber_in_a_kilogram * rho,
        rate=np.array([decomposition_rate(c, REFERENCE_CELSIUS) for _, c in rows]),
        energy=np.array([1e3 * c.activation_energy_kj_mol.value / GAS_CONSTANT for _, c in rows]),
        radicals=np.array(radicals),
        peroxide=tuple(c.name for _, c in rows),
        coagent_phr=recipe.phr("co-agent"),
        bridges=sum(bridges),
        solids=solids,
    )


def _moles(part: Part, molar_mass: float) -> float:
    """Moles of active substance in a kilogram of base rubber."""
    return part.phr * part.ingredient.active_percent / 100.0 * 10.0 / molar_mass


def _card(part: Part, cards: Sequence[Any], recipe: str) -> Any:
    card = part.ingredient
    try:
        return find_named(cards, card.chemistry or card.name, card.role, "chemistry cards")
    except InputError as error:
        raise InputError(
            f"{recipe}: {str(error).rstrip('.')}: set chemistry on the card of {card.name!r}, or "
            "add a card of your own."
        ) from error


def _specific_heat(recipe: Recipe) -> tuple[float, float]:
    """Specific heat of the compound at 25 degrees Celsius and its slope, by mass shares."""
    heat = slope = 0.0
    for part in recipe.part:
        card, share = part.ingredient, part.phr / recipe.total_phr
        heat += share * (card.specific_heat_j_kg_k.value or _USUAL_HEAT[card.role])
        slope += share * (_RUBBER_HEAT_SLOPE if card.role == "base rubber" else 0.0)
    return heat, slope


def _solids(recipe: Recipe) -> float:
    """Volume share of fillers and oxides."""
    volume = [
        (p.ingredient.role in ("filler", "oxide"), p.phr / p.ingredient.density_g_cm3.value)
        for p in recipe.part
    ]
    return sum(v for solid, v in volume if solid) / sum(v for _, v in volume)
