"""The command line's live bench: `orbwright bench`."""

from pathlib import Path
from typing import Annotated

import typer

from optimize.commands.console import say, tell_of_compiling

live = typer.Typer()


@live.command(short_help="Move a ball's numbers on a local page and watch its figures follow.")
def bench(
    ball: Annotated[Path, typer.Argument(metavar="BALL.toml", help="where the sliders start")],
    scenario: Annotated[
        Path | None,
        typer.Option(
            metavar="SCENARIO.toml",
            help="sliders' ranges, limits, conditions. [default: ranges about the ball, present "
            "rules]",
            show_default=False,
        ),
    ] = None,
    swing: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            help="show launch and flight of this swing; may be given several times. "
            "[default: the scenario's, and typical ones]",
            show_default=False,
        ),
    ] = None,
    ledger: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="keep every evaluation here; a later start is at once"),
    ] = None,
    port: Annotated[
        int, typer.Option(min=0, max=65535, metavar="N", help="of the page; 0 takes a free one")
    ] = 0,
    browser: Annotated[bool, typer.Option(help="open the page in the browser")] = True,
) -> None:
    """Move a ball's numbers on a local page: figures, cut and flights follow; Ctrl-C ends it.

    An emulator answers at once, finite elements follow; each figure says which it is. The page is
    served to this machine only, to whoever has the address that is printed.

    Example: orbwright bench my_ball.toml --scenario four_layer_speed_feel.toml
    """
    from layers.ball_file import read_ball
    from optimize.bench.serve import serve
    from optimize.bench.session import open_bench
    from optimize.scenario.brief import read_scenario

    build = read_ball(ball)
    brief = read_scenario(scenario) if scenario else None
    table = open_bench(build, brief, tuple(swing or ()), ledger)
    tell_of_compiling(table.names)
    serve(table, port, browser, _announce)


def _announce(address: str) -> None:
    say(
        f"The bench is at {address}\nIt answers this machine only, by this address. Ctrl-C ends it."
    )
