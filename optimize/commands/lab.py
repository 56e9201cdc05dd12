"""The command line's part for the lab: orbwright sheet and orbwright concentricity."""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from layers.files.paths import write_text
from optimize.commands.console import (
    print_sections,
    say,
    tell_of_compiling,
    tell_of_compiling_the_cure,
)
from optimize.commands.noted import LedgerToNote, note_files, refuse_missing
from optimize.commands.options import Who, read_balls

if TYPE_CHECKING:
    from layers.compound.batch import Batch
    from optimize.lab.cure_sheet import Cure

lab_app = typer.Typer()

BallFile = Annotated[Path, typer.Argument(metavar="BALL.toml", help="the build: a TOML file")]
ChargeGrams = Annotated[float | None, typer.Option(metavar="G", help="mass of the mill charge")]
ScaleGrams = Annotated[float, typer.Option(metavar="G", help="resolution of the scale")]


@lab_app.command(short_help="Prototype sheet of a build for the lab.")
def sheet(
    ball: BallFile,
    process: Annotated[
        Path | None,
        typer.Option(metavar="P.toml", help="the lab's allowances, tolerances, pieces"),
    ] = None,
    recipe: Annotated[
        list[str] | None,
        typer.Option(metavar="N=R.toml", help="recipe of layer N; needs --charge-g"),
    ] = None,
    charge_g: ChargeGrams = None,
    scale_g: ScaleGrams = 0.1,
    cycle: Annotated[
        list[str] | None,
        typer.Option(metavar="1=C.toml", help="press cycle of the core; needs its --recipe"),
    ] = None,
    readings: Annotated[
        list[Path] | None,
        typer.Option("--readings", metavar="H.csv", help="cut cores, for the expected hardness"),
    ] = None,
    rules: Annotated[
        str | None, typer.Option(metavar="NAME", help="flag windows beyond this rule set")
    ] = None,
    form: Annotated[
        str, typer.Option("--format", metavar="md|csv|html", help="form of the sheet")
    ] = "md",
    output: Annotated[
        Path | None,
        typer.Option(
            "--output", "-o", metavar="FILE", help="write to this file instead of printing"
        ),
    ] = None,
    ledger: LedgerToNote = None,
    who: Who = None,
) -> None:
    """Write a build's prototype sheet: moulds, charges, operations, targets, blank columns.

    'orbwright calibrate' reads the CSV form, filled in. With --ledger, the history of the build has
    the sheet: 'orbwright history' shows it.

    Example: orbwright sheet ball.toml --recipe 1=core.toml --charge-g 1500 --format html -o k1.html
    """
    from layers.gpu.many import estimate_many
    from layers.rules.screen import rule_set
    from optimize.lab.process import Process, read_process
    from optimize.lab.prototype import STAGE_FIGURES, prototype_sheet
    from optimize.report.sheet import to_csv, to_html, to_markdown

    writers = {"md": to_markdown, "csv": to_csv, "html": to_html}
    if form not in writers:
        raise InputError(f"--format is {form!r}, but must be one of: {', '.join(writers)}.")
    refuse_missing(ledger)
    (build,) = read_balls([ball])
    lab = read_process(process) if process else Process()
    chosen = rule_set(rules) if rules else None
    batches = _batches(recipe or [], charge_g, scale_g)
    cures = _cures(cycle or [], recipe or [], readings)
    tell_of_compiling(STAGE_FIGURES)
    stages = estimate_many([build.stage(n + 1) for n in range(len(build.layer))], STAGE_FIGURES)
    text = writers[form](prototype_sheet(build, stages, lab, batches, chosen, cures))
    if output:
        write_text(output, text)
        say(f"Prototype sheet written to {output}.")
    else:
        say(text.rstrip("\n"), sys.stdout)
    if ledger:
        file = output.name if output else f"printed as {form}"
        note_files(ledger, who, [("sheet", build, file, text.encode())])


def _cures(
    given: Sequence[str], recipes: Sequence[str], readings: list[Path] | None
) -> "dict[int, Cure]":
    from layers.compound.recipe import read_recipe
    from layers.cure.chemistry import default_chemistry
    from layers.cure.cycle import read_cycle
    from layers.cure.fit import calibrate
    from layers.cure.hardening import Hardening
    from optimize.lab.cure_sheet import Cure
    from optimize.lab.cut_cores import read_cut_cores

    if readings and not given:
        raise InputError("--readings needs --cycle 1=C.toml, the press cycle of the core.")
    if not given:
        return {}
    tell_of_compiling_the_cure()
    named = dict(text.split("=", 1) for text in recipes if "=" in text)
    cards = default_chemistry()
    hardening = calibrate(read_cut_cores(readings, cards)).hardening if readings else Hardening()
    cures = {}
    for text in given:
        number, _, path = text.partition("=")
        if not number.isdecimal() or not path:
            raise InputError(f"--cycle is {text!r}, but must be a layer's number, =, and a file.")
        if number not in named:
            raise InputError(f"--cycle names layer {number}, but --recipe has no recipe of it.")
        recipe, cycle = Path(named[number]), Path(path)
        cures[int(number)] = Cure(
            read_recipe(recipe), recipe.name, read_cycle(cycle), cycle.name, cards, hardening
        )
    return cures


def _batches(given: Sequence[str], charge_g: float | None, scale_g: float) -> "dict[int, Batch]":
    from layers.compound.batch import batch_weights
    from layers.compound.recipe import read_recipe

    if given and charge_g is None:
        raise InputError("--recipe needs --charge-g, the mass of the mill charge.")
    if charge_g is not None and not given:
        raise InputError("--charge-g needs --recipe N=R.toml, the recipe of the charge.")
    batches = {}
    for text in given:
        number, _, path = text.partition("=")
        if not number.isdecimal() or not path:
            raise InputError(f"--recipe is {text!r}, but must be a layer's number, =, and a file.")
        if int(number) in batches:
            raise InputError(f"--recipe names layer {int(number)} twice.")
        batches[int(number)] = batch_weights(read_recipe(Path(path)), charge_g or 0.0, scale_g)
    return batches


@lab_app.command(short_help="Core eccentricity: imbalance and MOI asymmetry.")
def concentricity(
    ball: BallFile,
    offset: Annotated[
        list[str],
        typer.Option(
            metavar="N=X,Y,Z",
            help="centre of interface N, the outside of layer N, from the ball's centre, mm; may "
            "be given several times, others are concentric",
        ),
    ],
) -> None:
    """Compute imbalance, MOI asymmetry and minimum thickness for core eccentricity; exact.

    A core with interfaces inside moves them all: give each the same offset.

    Example: orbwright concentricity ball.toml --offset 1=0.2,0,0
    """
    import numpy as np

    from layers.mass.concentricity import off_centre
    from optimize.report.lab import concentricity_sections

    (build,) = read_balls([ball])
    inner = len(build.layer) - 1
    moved = np.zeros((inner, 3))
    for text in offset:
        number, _, vector = text.partition("=")
        try:
            place, values = int(number), [float(part) for part in vector.split(",")]
        except ValueError:
            place, values = 0, []
        if not 1 <= place <= inner or len(values) != 3:
            raise InputError(
                f"--offset is {text!r}, but must be N=X,Y,Z with N from 1 to {inner} and three "
                "numbers in mm."
            )
        moved[place - 1] = np.array(values) * 1e-3
    print_sections(concentricity_sections(off_centre(build.body(), moved)), build.name)
