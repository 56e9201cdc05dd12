"""The command line's part for the cure of cores: orbwright cure."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from layers.files.paths import write_text
from optimize.commands.console import (
    print_json,
    print_sections,
    say,
    tell_of_compiling,
    tell_of_compiling_the_cure,
)
from optimize.commands.options import AsJson, FigureNames, read_balls

if TYPE_CHECKING:
    from layers.arrays import FloatArray
    from layers.ball import Ball
    from layers.compound.recipe import Recipe
    from layers.cure.chemistry import Chemistry
    from layers.cure.cycle import Cycle
    from layers.cure.fit import Calibrated
    from layers.cure.hardening import Hardening, HardnessProfile
    from layers.cure.history import History
    from optimize.cure.in_a_ball import Spread

cure_app = typer.Typer()

RecipeFile = Annotated[Path, typer.Argument(metavar="R.toml", help="the recipe, in phr")]
PlatenC = Annotated[
    float | None, typer.Option(metavar="C", help="platen temperature of a one-step cycle")
]
Minutes = Annotated[float | None, typer.Option(metavar="MIN", help="its time in the press")]
CycleFile = Annotated[
    Path | None,
    typer.Option("--cycle", metavar="C.toml", help="the press cycle, a row a step, instead"),
]
Diameter = Annotated[
    float, typer.Option(metavar="MM", help="diameter of the core as moulded", show_default=True)
]
Readings = Annotated[
    list[Path] | None,
    typer.Option(
        "--readings",
        metavar="H.csv",
        help="the lab's cut cores, or a filled-in sheet: calibrates the hardness map; may be given "
        "several times",
    ),
]
ChemistryFile = Annotated[
    Path | None,
    typer.Option("--chemistry", metavar="FILE.toml", help="your own peroxide and co-agent cards"),
]
Positions = Annotated[
    str | None,
    typer.Option(
        metavar="MM,MM,...", help="places of the profile, from the centre. [default: seven]"
    ),
]
PreformC = Annotated[float | None, typer.Option(metavar="C", help="temperature of the preform")]
Picture = Annotated[
    Path | None, typer.Option(metavar="FILE", help="also plot it; ends in .svg or .png")
]
ProfileCsv = Annotated[
    Path | None, typer.Option(metavar="FILE.csv", help="also write the profile, a row a shell")
]
HistoryCsv = Annotated[
    Path | None, typer.Option(metavar="FILE.csv", help="also write the course over time")
]
CuredBall = Annotated[
    Path | None,
    typer.Option(metavar="BALL.toml", help="a ball whose innermost layer gets the profile"),
]
BallOut = Annotated[
    Path | None,
    typer.Option("--out", "-o", metavar="NEW.toml", help="write that ball to this file"),
]
# Places in the table, and in pictures and balls.
_SHOWN, _FINE = 7, 61


@dataclass(frozen=True)
class Asked:
    """What every command on cures starts from."""

    chemistry: "Chemistry"
    recipe: "Recipe"
    fitted: "Calibrated | None"

    @property
    def hardening(self) -> "Hardening":
        """The map: calibrated, or from memory."""
        from layers.cure.hardening import Hardening

        return self.fitted.hardening if self.fitted else Hardening()


@cure_app.command(short_help="Cure of a core: temperature, conversion, hardness profile.")
def cure(
    recipe: RecipeFile,
    platen_c: PlatenC = None,
    minutes: Minutes = None,
    cycle: CycleFile = None,
    diameter_mm: Diameter = 38.6,
    preform_c: PreformC = None,
    readings: Readings = None,
    positions: Positions = None,
    chemistry: ChemistryFile = None,
    picture: Picture = None,
    profile: ProfileCsv = None,
    history: HistoryCsv = None,
    ball: CuredBall = None,
    figure: FigureNames = None,
    out: BallOut = None,
    as_json: AsJson = False,
) -> None:
    """Follow a core through the press: heat, peroxide, co-agent, and the hardness that they leave.

    Without --readings the hardness is from memory: its trends help, its numbers do not.

    Example: orbwright cure core.toml --platen-c 165 --minutes 18 --picture cure.png
    """
    import numpy as np

    from layers.cure.hardening import predict
    from layers.cure.history import cure_core
    from layers.cure.stock import stock_of
    from optimize.report import cure as report

    (build,) = read_balls([ball]) if ball else (None,)
    _check_ball(build, diameter_mm, figure, out)
    chosen = cycle_of(cycle, platen_c, minutes, preform_c)
    asked = asked_of(recipe, readings, chemistry)
    stock = stock_of(asked.recipe, asked.chemistry)

    def at(places: "FloatArray") -> "HardnessProfile":
        return predict(asked.hardening, stock, chosen, diameter_mm, places)

    expected = at(positions_of(positions, diameter_mm))
    found = cure_core(stock, chosen, diameter_mm, asked.hardening.law)
    fine = at(np.linspace(0.0, found.outer_mm, _FINE))
    spreads = _spreads(build, fine, figure) if build else []
    if as_json:
        print_json(report.cure_record(found, expected, asked.fitted, spreads))
    else:
        sections = report.cure_sections(found, expected, asked.fitted)
        if build:
            sections.append(report.spreads_section(spreads, build.name))
        print_sections(sections)
    if profile:
        shells = report.profile_csv(found, at(found.radius_mm))
        _written(profile, shells, "Profile")
    _write_others(found, fine, picture, history)
    if build and out:
        from layers.ball_file import ball_toml
        from optimize.cure.in_a_ball import cured_ball

        _written(out, ball_toml(cured_ball(build, fine)), "Ball")


def _write_others(
    found: "History", fine: "HardnessProfile", picture: Path | None, history: Path | None
) -> None:
    from optimize.report.cure import history_csv

    if picture:
        from optimize.report.pictures.cure import draw_cure
        from optimize.report.pictures.section import save

        save(draw_cure(found, fine), picture)
        say(f"Picture written to {picture}.")
    if history:
        _written(history, history_csv(found), "Course over time")


def _spreads(build: "Ball", profile: "HardnessProfile", figure: list[str] | None) -> "list[Spread]":
    from optimize.cure.in_a_ball import figure_spreads

    names = figure or ["stage1.deflection_mm", "deflection_mm"][: len(build.layer)]
    tell_of_compiling(names)
    return figure_spreads(build, profile, names)


def _check_ball(
    build: "Ball | None", diameter_mm: float, figure: list[str] | None, out: Path | None
) -> None:
    if build is None:
        if figure or out:
            raise InputError("--figure and --out need --ball BALL.toml.")
        return
    if build.layer[0].outer_diameter_mm > diameter_mm:
        raise InputError(
            f"the core of {build.name} has {build.layer[0].outer_diameter_mm:g} mm, but must be "
            f"at most the {diameter_mm:g} mm as moulded; set --diameter-mm."
        )


def _written(path: Path, text: str, what: str) -> None:
    write_text(path, text)
    say(f"{what} written to {path}.")


def cycle_of(
    file: Path | None, platen_c: float | None, minutes: float | None, preform_c: float | None
) -> "Cycle":
    """Return the cycle of a file, or of one step.

    Parameters
    ----------
    file : Path or None
        A cycle's TOML file.
    platen_c, minutes, preform_c : float or None
        As the options of `cure`.
    """
    from layers.cure.cycle import cycle_from_table, one_step, read_cycle

    if (file is None) == (platen_c is None and minutes is None):
        raise InputError("give --cycle C.toml, or --platen-c and --minutes, and not both.")
    if file:
        cycle = read_cycle(file)
    elif platen_c is None or minutes is None:
        raise InputError("--platen-c and --minutes go together: they are the cycle's one step.")
    else:
        cycle = one_step(platen_c, minutes)
    if preform_c is not None:
        table = {**cycle.model_dump(), "preform_celsius": preform_c}
        cycle = cycle_from_table(table, "--preform-c")
    return cycle


def asked_of(recipe: Path, readings: list[Path] | None, chemistry: Path | None) -> Asked:
    """Read the recipe, the cards and, where there are cut cores, calibrate the map.

    Parameters
    ----------
    recipe, readings, chemistry
        As the options of `cure`.
    """
    from layers.compound.recipe import read_recipe
    from layers.cure.chemistry import default_chemistry, read_chemistry
    from layers.cure.fit import calibrate
    from optimize.lab.cut_cores import read_cut_cores

    cards = read_chemistry(chemistry) if chemistry else default_chemistry()
    compound = read_recipe(recipe)
    tell_of_compiling_the_cure()
    fitted = calibrate(read_cut_cores(readings, cards)) if readings else None
    return Asked(cards, compound, fitted)


def positions_of(text: str | None, diameter_mm: float) -> "FloatArray":
    """Read places from the centre, mm; seven from centre to surface by default."""
    import numpy as np

    radius = 0.5 * diameter_mm
    if text is None:
        return np.linspace(0.0, radius, _SHOWN)
    try:
        places = np.array([float(part) for part in text.split(",")])
    except ValueError:
        places = np.array([])
    if not len(places) or not np.all((places >= 0.0) & (places <= radius)):
        raise InputError(
            f"--positions is {text!r}, but must be numbers in mm, apart by commas, from 0 to "
            f"{radius:g}."
        )
    return np.unique(places)
