"""The command line's screen of builds against limits and fences: orbwright windows."""

from pathlib import Path
from typing import Annotated

import typer

from optimize.commands.console import print_json, print_sections, tell_of_compiling
from optimize.commands.options import AsJson, Workers, cores

windows_app = typer.Typer()

WindowsFile = Annotated[
    Path, typer.Argument(metavar="W.toml", help="limits and fences, or a scenario with them")
]
BallFiles = Annotated[list[Path], typer.Argument(metavar="BALL.toml...", help="balls to screen")]


@windows_app.command(short_help="Balls against limits, and fences to stay out of.")
def windows(
    file: WindowsFile, balls: BallFiles, workers: Workers = None, as_json: AsJson = False
) -> None:
    """Screen balls against limits to meet and fences to stay out of; no legal advice.

    A ball is inside a fence when it is within all of its ranges; the nearest way out is given.

    Example: orbwright windows windows.toml a.toml b.toml
    """
    from layers.ball_file import read_ball
    from layers.estimation import estimate
    from optimize.compute.pool import mapping
    from optimize.report.windows import windows_record, windows_sections
    from optimize.scenario.windows import read_windows, screen_windows

    wanted = read_windows(file)
    builds = [read_ball(path) for path in balls]
    names = [wanted.figures(len(build.layer)) for build in builds]
    tell_of_compiling(name for some in names for name in some)
    with mapping(workers or cores()) as mapper:
        found = list(mapper(estimate, builds, names))
    screens = [
        (build.name, screen_windows(wanted, build, one.figures))
        for build, one in zip(builds, found, strict=True)
    ]
    if as_json:
        print_json(windows_record(screens))
    else:
        print_sections(windows_sections(screens), wanted.name)
