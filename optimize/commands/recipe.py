"""The command line's part for core compounds: orbwright recipe."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layers.errors import InputError
from optimize.commands.console import print_sections
from optimize.commands.lab import ChargeGrams, ScaleGrams

if TYPE_CHECKING:
    from layers.compound.recipe import Recipe
    from layers.compound.trials import Trials

recipe_app = typer.Typer()


@recipe_app.command(short_help="Density, filler, mill charge and stiffness of a core recipe.")
def recipe(
    recipe: Annotated[Path, typer.Argument(metavar="R.toml", help="the recipe, in phr")],
    density: Annotated[
        float | None, typer.Option(metavar="G/CM3", help="adjust the filler to this density")
    ] = None,
    filler: Annotated[
        str | None, typer.Option(metavar="NAME", help="the ingredient to adjust")
    ] = None,
    charge_g: ChargeGrams = None,
    scale_g: ScaleGrams = 0.1,
    trials: Annotated[
        Path | None,
        typer.Option(metavar="T.csv", help="the lab's recipe trials, needed for stiffness"),
    ] = None,
    minutes: Annotated[float | None, typer.Option(metavar="MIN", help="cure time")] = None,
    celsius: Annotated[float | None, typer.Option(metavar="C", help="platen temperature")] = None,
    deflection_mm: Annotated[
        float | None, typer.Option(metavar="MM", help="find settings for this core deflection")
    ] = None,
    modulus_mpa: Annotated[
        float | None, typer.Option(metavar="MPA", help="the same, for trials of the modulus")
    ] = None,
    free: Annotated[
        list[str] | None,
        typer.Option(
            metavar="SETTING",
            help="setting that may change; may be given several times. [default: coagent_phr]",
        ),
    ] = None,
) -> None:
    """Compute density, mill charge and, from the lab's trials, stiffness of a core compound.

    Settings found for a wanted deflection are applied before the filler is adjusted.

    Example: orbwright recipe core.toml --density 1.16 --filler "barium sulfate" --charge-g 1500
    """
    from layers.compound.batch import batch_weights
    from layers.compound.recipe import filler_for_density, read_recipe
    from optimize.report import lab as labreport

    if (density is None) != (filler is None):
        raise InputError("--density and --filler go together: the filler reaches the density.")
    compound = read_recipe(recipe)
    target = {"deflection_mm": deflection_mm, "modulus_mpa": modulus_mpa}
    given = {name: value for name, value in target.items() if value is not None}
    if len(given) > 1:
        raise InputError("--deflection-mm and --modulus-mpa cannot go together; choose one.")
    compound, stiffness = _stiffness(compound, trials, (minutes, celsius), given, free)
    if density is not None and filler is not None:
        compound = filler_for_density(compound, filler, density)
    sections = [labreport.recipe_section(compound), stiffness]
    if charge_g is not None:
        sections.append(labreport.batch_section(batch_weights(compound, charge_g, scale_g)))
    print_sections(sections)


def _stiffness(
    compound: "Recipe",
    path: Path | None,
    cure: tuple[float | None, float | None],
    target: dict[str, float],
    free: Sequence[str] | None,
) -> "tuple[Recipe, Any]":
    """Return the recipe, changed to reach a target, and the section on its stiffness."""
    from layers.compound.reach import Reached, reach
    from layers.compound.response import fit_surface, predict
    from layers.compound.trials import read_trials, settings_of
    from optimize.report import lab as labreport

    trials = read_trials(path) if path else None
    surface = fit_surface(trials)
    if trials is None:
        if target or free or any(value is not None for value in cure):
            raise InputError("--trials T.csv is needed for stiffness.")
        return compound, labreport.stiffness_section(surface, None, None)
    minutes, celsius = cure
    if minutes is None or celsius is None:
        raise InputError(
            "--trials needs --minutes and --celsius: cure time and platen temperature."
        )
    start = settings_of(compound, minutes, celsius)
    now = predict(surface, start)
    if not target:
        return compound, labreport.stiffness_section(surface, now, None)
    [(response, value)] = target.items()
    _check_response(trials, response)
    found = reach(surface, value, start, free or ["coagent_phr"])
    if isinstance(found, Reached):
        compound = _with_settings(compound, start, found.settings)
    return compound, labreport.stiffness_section(surface, now, found)


def _check_response(trials: "Trials", target: str) -> None:
    if trials.response != target:
        raise InputError(
            f"--{target.replace('_', '-')} is given, but the trials measured {trials.response}."
        )


def _with_settings(
    compound: "Recipe", start: dict[str, float], settings: dict[str, float]
) -> "Recipe":
    """Apply changed co-agent and peroxide to the recipe's lines."""
    from layers.compound.recipe import IngredientRole, with_active

    roles: dict[str, IngredientRole] = {"coagent_phr": "co-agent", "peroxide_phr": "peroxide"}
    for setting, role in roles.items():
        if settings[setting] != start[setting]:
            compound = with_active(compound, role, settings[setting])
    return compound
