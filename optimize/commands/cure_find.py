"""The command line's part from a wanted hardness profile to recipe and cycle."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from layers.files.paths import write_text
from optimize.commands.console import print_json, print_sections, say
from optimize.commands.cure import (
    ChemistryFile,
    CycleFile,
    Diameter,
    Readings,
    RecipeFile,
    asked_of,
)
from optimize.commands.options import AsJson, read_balls

if TYPE_CHECKING:
    from optimize.cure.candidates import Candidate
    from optimize.cure.wanted import Wanted

cure_find_app = typer.Typer()

Centre = Annotated[float | None, typer.Option(metavar="C", help="wanted Shore C at the centre")]
Surface = Annotated[
    float | None, typer.Option(metavar="C", help="wanted Shore C at the surface as moulded")
]
WantedBall = Annotated[
    Path | None,
    typer.Option(metavar="BALL.toml", help="the profile of this ball's innermost layer instead"),
]
WantedFile = Annotated[
    Path | None,
    typer.Option(metavar="W.csv", help="the wanted profile instead: place, position_mm, shore_c"),
]
PeroxideNames = Annotated[
    list[str] | None,
    typer.Option(
        metavar="NAME", help="try this peroxide in place of the recipe's; may be repeated"
    ),
]
Ranges = Annotated[
    list[str] | None,
    typer.Option(
        "--range",
        metavar="NAME=LOW,HIGH",
        help="range of platen_celsius, minutes, coagent_phr or peroxide_phr; may be repeated",
    ),
]
Density = Annotated[
    float | None, typer.Option(metavar="G/CM3", help="adjust the filler to this density")
]
Filler = Annotated[str | None, typer.Option(metavar="NAME", help="the ingredient to adjust")]
OutFolder = Annotated[
    Path | None,
    typer.Option(metavar="FOLDER", help="write each candidate's recipe and cycle there"),
]


@cure_find_app.command(
    "cure-find", short_help="Recipe and press cycle for a wanted hardness profile; next trials."
)
def cure_find(
    recipe: RecipeFile,
    centre: Centre = None,
    surface: Surface = None,
    shape: Annotated[
        float, typer.Option(metavar="N", help="exponent of the radius between the two")
    ] = 1.5,
    wanted: WantedFile = None,
    ball: WantedBall = None,
    readings: Readings = None,
    cycle: CycleFile = None,
    diameter_mm: Diameter = 38.6,
    peroxide: PeroxideNames = None,
    limits: Ranges = None,
    steps: Annotated[
        int, typer.Option(min=1, max=2, metavar="1|2", help="platen temperatures of the cycle")
    ] = 1,
    density: Density = None,
    filler: Filler = None,
    trials: Annotated[
        int, typer.Option(min=0, max=12, metavar="N", help="also choose the next N cores to cut")
    ] = 0,
    seed: Annotated[int, typer.Option(min=0, help="of the draw of trials")] = 0,
    chemistry: ChemistryFile = None,
    out: OutFolder = None,
    as_json: AsJson = False,
) -> None:
    """Search recipe and press cycle for a wanted hardness profile.

    The answer is a trade-off: how close, against how long the press is taken. Scorch, heat after
    demoulding and peroxide left are avoided. --cycle gives preform, contact and cooling.

    Example: orbwright cure-find core.toml --centre 62 --surface 82 --readings cut.csv --trials 3
    """
    from layers.cure.cycle import one_step, read_cycle
    from optimize.cure.candidates import Task, candidates
    from optimize.cure.trials import next_trials
    from optimize.cure.wanted import ranges_from
    from optimize.report.cure_find import find_record, find_sections

    if (density is None) != (filler is None):
        raise InputError("--density and --filler go together: the filler reaches the density.")
    if out:
        _make(out)
    asked = asked_of(recipe, readings, chemistry)
    task = Task(
        recipe=asked.recipe,
        cycle=read_cycle(cycle) if cycle else one_step(160.0, 15.0),
        wanted=_wanted(wanted, ball, (centre, surface, shape), diameter_mm),
        diameter_mm=diameter_mm,
        hardening=asked.hardening,
        chemistry=asked.chemistry,
        ranges=ranges_from(limits or ()),
        density=(filler, density) if filler and density else None,
        steps=steps,
    )
    found = candidates(task, peroxide or ())
    closest = min(found, key=lambda c: c.misfit)
    chosen = next_trials(task, closest, trials, seed) if trials else ()
    if as_json:
        print_json(find_record(task.wanted, found, chosen))
    else:
        print_sections(find_sections(task.wanted, found, chosen), asked.recipe.name)
    if out:
        _write(out, found)


def _wanted(
    file: Path | None,
    ball: Path | None,
    ends: tuple[float | None, float | None, float],
    diameter_mm: float,
) -> "Wanted":
    from optimize.cure.wanted import between_ends, of_ball, read_wanted

    centre, surface, shape = ends
    by_ends = centre is not None or surface is not None
    if (file is not None) + (ball is not None) + by_ends != 1:
        raise InputError("give --centre and --surface, or --wanted W.csv, or --ball BALL.toml.")
    if file:
        return read_wanted(file, diameter_mm)
    if ball:
        (build,) = read_balls([ball])
        core = build.layer[0].outer_diameter_mm
        if core > diameter_mm:
            raise InputError(
                f"the core of {build.name} has {core:g} mm, but must be at most the "
                f"{diameter_mm:g} mm as moulded; set --diameter-mm."
            )
        return of_ball(build)
    if centre is None or surface is None:
        raise InputError("--centre and --surface go together: the ends of the wanted profile.")
    return between_ends(centre, surface, shape, diameter_mm)


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder} cannot be made: {error.strerror}.") from error


def _write(folder: Path, found: "tuple[Candidate, ...]") -> None:
    from layers.compound.recipe import recipe_toml
    from layers.cure.cycle import cycle_toml

    for number, candidate in enumerate(found, start=1):
        write_text(folder / f"recipe_{number}.toml", recipe_toml(candidate.recipe))
        write_text(folder / f"cycle_{number}.toml", cycle_toml(candidate.cycle))
    say(f"Recipes and cycles 1 to {len(found)} written to {folder}.")
