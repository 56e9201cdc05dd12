"""The command line's sensitivities: `orbwright sensitivity local` and `global`."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.options import (
    DEFAULT_LEDGER,
    AsJson,
    BallFile,
    FigureNames,
    LedgerFile,
    RunName,
    SwingsFile,
    Workers,
    conditions_with,
    cores,
    existing,
    read_balls,
)

sensitivity = typer.Typer(
    help="Sensitivities: slopes at one ball (local), or Sobol indices over a scenario (global).",
    short_help="Slopes at one ball; Sobol indices over a scenario.",
)


@sensitivity.command("local", short_help="Slopes of figures at one ball.")
def local(
    ball: BallFile,
    figure: FigureNames = None,
    swing: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            help="also launch and flight of this swing, such as 'driver fast'; may be given "
            "several times",
        ),
    ] = None,
    swings: SwingsFile = None,
    workers: Workers = None,
    as_json: AsJson = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="print CSV, a row for each slope")] = False,
    as_markdown: Annotated[bool, typer.Option("--markdown", help="print Markdown tables")] = False,
    drawing: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="also draw the matrix; ends in .svg or .png"),
    ] = None,
) -> None:
    """Compute slopes of the figures of a ball by each layer's diameter, modulus and density.

    Each number of the build is moved a little, the others held; strikes also depend on the cover's
    friction. A change that is smaller than its own error is marked '≈'.

    Example: orbwright sensitivity local my_ball.toml --swing "driver fast" --drawing slopes.png
    """
    from optimize.compute.pool import computing
    from optimize.report import slopes as tables
    from optimize.report.tables import markdown
    from optimize.report.trade_columns import csv_in_chosen_units
    from optimize.sensitivity.perturbation import plan
    from optimize.sensitivity.slopes import slopes_from

    if as_json + as_csv + as_markdown > 1:
        raise InputError("--json, --csv and --markdown cannot go together; choose one.")
    _check_drawing(drawing)
    (build,) = read_balls([ball])
    conditions = conditions_with(swings)
    study = plan(build, tables.names_asked(figure or (), swing or (), conditions.swings))
    tell_of_compiling(study.figures, "double")
    say(f"Estimating {len(study.requests)} builds.")
    with computing(workers or cores(), conditions.in_double()) as compute:
        done = dict(compute(study.requests))
    result = slopes_from(study, [done[i] for i in range(len(done))])
    if drawing:
        from optimize.report.pictures.section import save
        from optimize.report.pictures.slopes import draw_slopes

        save(draw_slopes(result), drawing)
        say(f"Drawing written to {drawing}.")
    if as_json:
        print_json(tables.slopes_record(result))
    elif as_csv:
        say(csv_in_chosen_units(tables.slopes_csv(result)).rstrip("\n"), sys.stdout)
    elif as_markdown:
        say(markdown(tables.slopes_sections(result), build.name).rstrip("\n"), sys.stdout)
    else:
        print_sections(tables.slopes_sections(result), build.name)


@sensitivity.command("global", short_help="Sobol indices of figures over a run's whole space.")
def over_the_space(
    run: RunName,
    builds: Annotated[
        int,
        typer.Option(
            min=0,
            max=100_000,
            metavar="N",
            help="first compute N more builds, spread over the space; kept in the ledger",
        ),
    ] = 0,
    workers: Workers = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
    as_json: AsJson = False,
    drawing: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="also draw the indices; ends in .svg or .png"),
    ] = None,
) -> None:
    """Compute Sobol indices: which design variable each figure's variance comes from.

    The space is all builds that the scenario allows; the figures come from Gaussian processes
    fitted to the run's builds. Their error is printed too; where it is too large, --builds adds
    computed builds.

    Example: orbwright sensitivity global "Four layers: speed with feel" --drawing indices.png
    """
    from optimize.report.shares import shares_record, shares_sections
    from optimize.search.result import Interrupted
    from optimize.search.run import load_run
    from optimize.sensitivity.more_builds import compute_more, computed
    from optimize.sensitivity.shares import shares

    _check_drawing(drawing)
    with existing(ledger, keeping=builds > 0) as records:
        finished = load_run(records, run)
        known = records.known([b.key for b in finished.builds], finished.model_version)
        own = computed(finished, known)
        more = None
        if builds:
            tell_of_compiling(own.values)
            try:
                more = compute_more(
                    finished, tuple(own.values), builds, records, workers or cores(), _every_tenth()
                )
            except Interrupted as stop:
                say(f"orbwright: {stop}")
                raise typer.Exit(130) from None
    result = shares(finished, own, more)
    if drawing:
        from optimize.report.pictures.section import save
        from optimize.report.pictures.shares import draw_shares

        save(draw_shares(result), drawing)
        say(f"Drawing written to {drawing}.")
    if as_json:
        print_json(shares_record(result))
    else:
        print_sections(shares_sections(result), f"Global sensitivities: {finished.scenario.name}")


def _check_drawing(drawing: Path | None) -> None:
    """Refuse a name that no drawing can have, before anything is computed."""
    if drawing and drawing.suffix.lower() not in (".svg", ".png"):
        raise InputError(f"drawing {drawing} must end in .svg or .png.")


def _every_tenth() -> Callable[[int, int], None]:
    reported = 0

    def report(done: int, count: int) -> None:
        nonlocal reported
        if 10 * done // count > reported:
            reported = 10 * done // count
            say(f"{done} of {count} further builds.")

    return report
