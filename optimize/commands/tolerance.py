"""The command line's study of what the process's scatter does: `orbwright tolerance`."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.lab import BallFile
from optimize.commands.options import AsJson, Workers, cores

tolerance_app = typer.Typer()


@tolerance_app.command(
    short_help="What the process's scatter does: figures, pass rates, what to tighten."
)
def tolerance(
    ball: BallFile,
    process: Annotated[
        Path | None,
        typer.Option(
            metavar="P.toml", help="the lab's windows and, in [scatter.core], its scatter"
        ),
    ] = None,
    scatter: Annotated[
        Path | None,
        typer.Option(metavar="S.toml", help="the scatter alone, by [core], [mantle], [cover]"),
    ] = None,
    figure: Annotated[
        list[str] | None,
        typer.Option(
            "--figure",
            "-f",
            metavar="NAME",
            help="of this figure only; may be given several times. [default: all of the ball]",
        ),
    ] = None,
    limit: Annotated[
        list[str] | None,
        typer.Option(
            metavar="FIGURE>=X", help="also this limit, or <=; may be given several times"
        ),
    ] = None,
    windows: Annotated[
        bool, typer.Option("--windows", help="also the windows of the prototype sheet")
    ] = False,
    rules: Annotated[str, typer.Option(metavar="NAME", help="the rule set, or 'none'")] = "present",
    samples: Annotated[
        int, typer.Option(min=100, max=1_000_000, metavar="N", help="pieces drawn")
    ] = 10_000,
    seed: Annotated[int, typer.Option(min=0, metavar="N", help="same seed, same pieces")] = 0,
    pass_rate: Annotated[
        float | None,
        typer.Option(
            metavar="SHARE", help="move the nominal until this share passes all limits, as 0.99"
        ),
    ] = None,
    workers: Workers = None,
    as_json: AsJson = False,
    as_csv: Annotated[
        bool, typer.Option("--csv", help="print CSV, a row a figure or limit")
    ] = False,
    as_markdown: Annotated[bool, typer.Option("--markdown", help="print Markdown tables")] = False,
) -> None:
    """Draw pieces from the process's scatter: how figures spread, and which share passes.

    Says what to tighten first and, for a wanted share, where to move the nominal.

    Example: orbwright tolerance ball.toml --process lab.toml --windows --pass-rate 0.95
    """
    from layers.ball_file import read_ball
    from layers.figures import BALL_FIGURES
    from layers.rules.screen import rule_set
    from optimize.compute.pool import mapping
    from optimize.lab.process import Process, read_process
    from optimize.lab.scatter import read_scatter
    from optimize.report import tolerance as tolerancereport
    from optimize.report.tables import markdown
    from optimize.tolerance import pass_rates
    from optimize.tolerance.nominal import renominal
    from optimize.tolerance.study import is_balance, study

    if as_json + as_csv + as_markdown > 1:
        raise InputError("--json, --csv and --markdown cannot go together; choose one.")
    if pass_rate is not None and not 0.0 < pass_rate < 1.0:
        raise InputError(f"--pass-rate is {pass_rate:g}, but must be above 0 and below 1.")
    build = read_ball(ball)
    lab = read_process(process) if process else Process()
    limits = [pass_rates.parse_limit(text) for text in limit or ()]
    if rules != "none":
        limits += pass_rates.rule_limits(rule_set(rules))
    if pass_rate is not None and not (limits or windows):
        raise InputError("--pass-rate needs a --limit, --windows or --rules.")
    asked = [*(figure or BALL_FIGURES), *(one.figure for one in limits)]
    with mapping(workers or cores()) as mapper:
        if windows:
            limits += pass_rates.sheet_windows(build, lab, mapper)
            asked += [one.figure for one in limits]
        tell_of_compiling(name for name in asked if not is_balance(name))
        found = study(build, asked, read_scatter(scatter) if scatter else lab.scatter, seed, mapper)
        drawn = pass_rates.tolerance(found, limits, samples, seed)
        shift = None
        if pass_rate is not None:
            pieces = pass_rates.draws_of(found, samples, seed)
            shift = renominal(found, limits, pieces, pass_rate, mapper)
    if as_json:
        print_json(tolerancereport.tolerance_record(drawn, shift))
    elif as_csv:
        say(tolerancereport.tolerance_csv(drawn).rstrip("\n"), sys.stdout)
    else:
        sections = tolerancereport.tolerance_sections(drawn, shift)
        if as_markdown:
            say(markdown(sections, build.name).rstrip("\n"), sys.stdout)
        else:
            print_sections(sections, build.name)
