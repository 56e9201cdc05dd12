"""The command `orbwright bench`: sliders on a local page."""

from pathlib import Path
from typing import Annotated

import typer

from optimize.commands.console import say, tell_of_compiling
from optimize.commands.options import read_balls

live = typer.Typer()


@live.command(short_help="Change a ball by sliders on a local page; its figures follow.")
def bench(
    ball: Annotated[Path, typer.Argument(metavar="BALL.toml", help="start of the sliders")],
    scenario: Annotated[
        Path | None,
        typer.Option(
            metavar="SCENARIO.toml",
            help="ranges, limits and conditions. [default: ranges around the ball, present rules]",
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
        typer.Option(
            metavar="FILE", help="keep every evaluation here, so that a later start need not train"
        ),
    ] = None,
    port: Annotated[
        int,
        typer.Option(min=0, max=65535, metavar="N", help="port; 0 takes a free one"),
    ] = 0,
    browser: Annotated[bool, typer.Option(help="open the page in the browser")] = True,
) -> None:
    """Change a ball by sliders on a local page: figures, cross-section and flights follow.

    An emulator answers at once, finite elements follow; each figure gives its basis. The page is
    served to this machine only, to whoever has the printed address. Ctrl-C ends it.

    Example: orbwright bench my_ball.toml --scenario four_layer_speed_feel.toml
    """
    from optimize.bench.serve import serve
    from optimize.bench.session import open_bench
    from optimize.report.words import use_currency_of
    from optimize.scenario.brief import read_scenario

    (build,) = read_balls([ball])
    brief = read_scenario(scenario) if scenario else None
    use_currency_of(brief.process if brief else None)
    live_bench = open_bench(build, brief, tuple(swing or ()), ledger)
    tell_of_compiling(live_bench.names)
    serve(live_bench, port, browser, _announce)


def _announce(address: str) -> None:
    say(
        f"The bench is at {address}\nIt answers this machine only, by this address. Ctrl-C ends it."
    )
