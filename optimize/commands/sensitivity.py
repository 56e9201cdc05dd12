"""The command line's sensitivities: `orbwright sensitivity local`, `global` and `direct`."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import (
    clock,
    every_tenth,
    print_json,
    print_sections,
    say,
    tell_of_compiling,
)
from optimize.commands.options import (
    DEFAULT_LEDGER,
    AsJson,
    BallFile,
    DeviceName,
    FigureNames,
    LedgerFile,
    PrecisionName,
    RunName,
    SwingsFile,
    Workers,
    computing_with,
    conditions_with,
    cores,
    existing,
    precision_of,
    read_balls,
)

if TYPE_CHECKING:
    from layers.conditions import Conditions
    from optimize.compute.one import Elsewhere
    from optimize.ledger.ledger import Ledger
    from optimize.search.result import Run
    from optimize.sensitivity.direct import Plan
    from optimize.sensitivity.result import Shares

IndicesDrawing = Annotated[
    Path | None,
    typer.Option(metavar="FILE", help="also draw the indices; ends in .svg or .png"),
]

sensitivity = typer.Typer(
    help="Sensitivities: slopes at one ball (local), or Sobol indices over a scenario, by a run's "
    "emulator (global) or by computing every build (direct).",
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
    drawing: IndicesDrawing = None,
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
                    finished,
                    tuple(own.values),
                    builds,
                    records,
                    workers or cores(),
                    every_tenth("further builds"),
                )
            except Interrupted as stop:
                say(f"orbwright: {stop}")
                raise typer.Exit(130) from None
    result = shares(finished, own, more)
    if drawing:
        _draw(result, drawing)
    if as_json:
        print_json(shares_record(result))
    else:
        print_sections(shares_sections(result), f"Global sensitivities: {finished.scenario.name}")


@sensitivity.command("direct", short_help="Sobol indices of figures from builds all computed.")
def directly(
    scenario: Annotated[
        str,
        typer.Argument(
            metavar="SCENARIO.toml|RUN",
            help="a scenario's file, or a run: its emulator is then held against the builds",
        ),
    ],
    builds: Annotated[
        int,
        typer.Option(
            min=128,
            max=65_536,
            metavar="N",
            help="random builds; each design variable, and each layer with several, adds as many",
        ),
    ] = 1024,
    figure: FigureNames = None,
    device: DeviceName = "cpu",
    precision: PrecisionName = None,
    workers: Workers = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
    as_json: AsJson = False,
    drawing: IndicesDrawing = None,
    maps: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="also draw each figure over the two variables that matter most to it; ends in "
            ".svg or .png",
        ),
    ] = None,
) -> None:
    """Compute Sobol indices without an emulator: every build of a sample is computed.

    On a graphics card, figures of impacts and closed forms are computed; others, such as
    deflection, only if --figure names them, and what they cost is said first. Every figure is kept
    in the ledger: a computation that was stopped goes on when the same command is given again.

    Example: orbwright sensitivity direct brief.toml --builds 4096 --device gpu --maps maps.svg
    """
    from dataclasses import replace

    from layers.conditions import Conditions
    from optimize.ledger.ledger import Ledger
    from optimize.report.shares import shares_record, shares_sections
    from optimize.report.units import use_scenario
    from optimize.report.words import use_currency_of
    from optimize.scenario.brief import read_scenario
    from optimize.search.result import Interrupted
    from optimize.search.run import load_run
    from optimize.sensitivity.direct import direct_shares, planned

    _check_drawing(drawing)
    _check_drawing(maps)
    computing = computing_with(workers, None, device)
    wanted = precision_of(precision)
    by_file = scenario.lower().endswith(".toml")
    with Ledger(ledger, tell=say) if by_file else existing(ledger, keeping=True) as records:
        run = None if by_file else load_run(records, scenario)
        brief = run.scenario if run else read_scenario(scenario)
        use_scenario(brief.units)
        use_currency_of(brief.process)
        conditions = brief.estimate_conditions()
        if wanted:
            conditions = replace(conditions or Conditions(), precision=wanted)
        plan = planned(brief, builds)
        names = _figures_to_compute(plan, figure, computing, conditions)
        try:
            found = direct_shares(
                plan, names, records, computing, conditions, every_tenth("builds")
            )
        except Interrupted as stop:
            say(f"orbwright: {stop}")
            raise typer.Exit(130) from None
        if run:
            found = _with_emulator(found, run, records)
    if drawing:
        _draw(found, drawing)
    if maps:
        from optimize.report.pictures.maps import draw_maps
        from optimize.report.pictures.section import save

        save(draw_maps(found), maps)
        say(f"Maps written to {maps}.")
    if as_json:
        print_json(shares_record(found))
    else:
        print_sections(shares_sections(found), f"Global sensitivities: {brief.name}")


def _figures_to_compute(
    plan: "Plan",
    asked: list[str] | None,
    computing: "int | Elsewhere",
    conditions: "Conditions | None",
) -> tuple[str, ...]:
    """Return the figures, and say first what those cost that no card computes."""
    from layers.conditions import Conditions
    from layers.figures import canonical, parse_figure
    from layers.strike.swings import check_owner
    from optimize.compute.card import OnCard
    from optimize.compute.compiled import compiled_for
    from optimize.sensitivity.direct import seconds_a_build

    known = conditions or Conditions()
    names = tuple(canonical(asked)) if asked else plan.space.scenario.figures()
    for name in names:
        check_owner(parse_figure(name), known.swings)
    slow = [name for name in names if name in compiled_for(names, computing)]
    many = len(plan.rows)
    say(f"{many:,} different builds.")
    if isinstance(computing, OnCard) and slow and not asked:
        names = tuple(name for name in names if name not in slow)
        say(f"Left out, as no card computes them: {', '.join(slow)}; --figure asks for them.")
    elif slow:
        tell_of_compiling(slow, known.precision)
        processes = computing if isinstance(computing, int) else getattr(computing, "workers", 1)
        seconds = seconds_a_build(plan, slow, conditions)
        cost = f"{1e3 * seconds:.3g} ms a build, {clock(seconds * many / processes)} in all"
        say(f"On this processor: {', '.join(slow)} (about {cost}).")
    if not names:
        raise InputError("no card computes a figure of the scenario: name some by --figure.")
    return names


def _with_emulator(found: "Shares", run: "Run", ledger: "Ledger") -> "Shares":
    """Hold the run's emulator against the builds, where it has enough of its own."""
    from optimize.sensitivity.against import with_emulator_error
    from optimize.sensitivity.more_builds import computed

    known = ledger.known([build.key for build in run.builds], run.model_version)
    try:
        return with_emulator_error(found, run, computed(run, known))
    except InputError as error:
        say(f"No emulator is held against the builds: {error}")
        return found


def _draw(result: "Shares", path: Path) -> None:
    from optimize.report.pictures.section import save
    from optimize.report.pictures.shares import draw_shares

    save(draw_shares(result), path)
    say(f"Drawing written to {path}.")


def _check_drawing(drawing: Path | None) -> None:
    """Refuse a name that no drawing can have, before anything is computed."""
    if drawing and drawing.suffix.lower() not in (".svg", ".png"):
        raise InputError(f"drawing {drawing} must end in .svg or .png.")
