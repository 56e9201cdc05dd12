"""What a layered golf ball is and does: data, mechanics and estimates.

The public names are listed here and loaded when they are first used.
"""

# Nothing is imported here, so that Ctrl-C meets the command line before anything slow. Type
# checkers know the name.
TYPE_CHECKING = False

# Installed beside another package of this name, one overwrites the other: this says whose it is.
DISTRIBUTION = "orbwright"

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

    from layers.ball import Ball as Ball
    from layers.ball import Layer as Layer
    from layers.ball_file import read_ball as read_ball
    from layers.ball_file import write_ball as write_ball
    from layers.compound.recipe import read_recipe as read_recipe
    from layers.compound.trials import read_trials as read_trials
    from layers.conditions import Conditions as Conditions
    from layers.energy.impact import record_impact as record_impact
    from layers.errors import InputError as InputError
    from layers.errors import OrbwrightError as OrbwrightError
    from layers.errors import SolverError as SolverError
    from layers.estimates import Difference as Difference
    from layers.estimates import Estimate as Estimate
    from layers.estimates import Figure as Figure
    from layers.estimation import estimate as estimate
    from layers.figures import BALL_FIGURES as BALL_FIGURES
    from layers.figures import QUANTITIES as QUANTITIES
    from layers.flight.aero_file import read_aero_table as read_aero_table
    from layers.flight.air import humid_air as humid_air
    from layers.gpu.many import estimate_many as estimate_many
    from layers.hardness import converted_hardness as converted_hardness
    from layers.hardness import hardness_from_modulus as hardness_from_modulus
    from layers.hardness import modulus_from_hardness as modulus_from_hardness
    from layers.materials import Catalogue as Catalogue
    from layers.materials import Material as Material
    from layers.materials import default_catalogue as default_catalogue
    from layers.resolution.difference import difference as difference
    from layers.resolution.difference import differences as differences
    from layers.rules.screen import rule_set as rule_set
    from layers.rules.screen import screen as screen
    from layers.strike.swings import default_swings as default_swings
    from layers.strike.swings import read_swings as read_swings

# Where each public name is; a test holds this equal to the imports above.
_HOMES = {
    "BALL_FIGURES": "layers.figures",
    "Ball": "layers.ball",
    "Catalogue": "layers.materials",
    "Conditions": "layers.conditions",
    "Difference": "layers.estimates",
    "Estimate": "layers.estimates",
    "Figure": "layers.estimates",
    "InputError": "layers.errors",
    "Layer": "layers.ball",
    "Material": "layers.materials",
    "OrbwrightError": "layers.errors",
    "QUANTITIES": "layers.figures",
    "SolverError": "layers.errors",
    "converted_hardness": "layers.hardness",
    "default_catalogue": "layers.materials",
    "default_swings": "layers.strike.swings",
    "difference": "layers.resolution.difference",
    "differences": "layers.resolution.difference",
    "estimate": "layers.estimation",
    "estimate_many": "layers.gpu.many",
    "hardness_from_modulus": "layers.hardness",
    "humid_air": "layers.flight.air",
    "modulus_from_hardness": "layers.hardness",
    "read_aero_table": "layers.flight.aero_file",
    "read_ball": "layers.ball_file",
    "read_recipe": "layers.compound.recipe",
    "read_swings": "layers.strike.swings",
    "read_trials": "layers.compound.trials",
    "record_impact": "layers.energy.impact",
    "rule_set": "layers.rules.screen",
    "screen": "layers.rules.screen",
    "write_ball": "layers.ball_file",
}


def lazy(
    package: str, homes: dict[str, str]
) -> "tuple[Callable[[str], Any], Callable[[], list[str]]]":
    """Return `__getattr__` and `__dir__` of a package whose names are loaded on first use.

    Parameters
    ----------
    package : str
        The package's own name.
    homes : dict of str to str
        Each public name and the module that it is in (PEP 562).
    """

    def load(name: str) -> "Any":
        from importlib import import_module

        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(homes[name]), name)

    return load, lambda: sorted(homes)


if not TYPE_CHECKING:
    __getattr__, __dir__ = lazy(__name__, _HOMES)
    __all__ = tuple(_HOMES)
