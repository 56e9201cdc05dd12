"""The command line's page: `orbwright page`."""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from optimize.commands.console import say, tell_of_compiling
from optimize.commands.options import DEFAULT_LEDGER, LedgerFile, RunName, Workers, cores, existing

if TYPE_CHECKING:
    from optimize.ledger.ledger import Ledger
    from optimize.search.result import Run

page_app = typer.Typer()


@page_app.command(short_help="Write a finished run as one HTML page to choose from.")
def page(
    run: RunName,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.html", help="where to. [default: the scenario's name, in this folder]"
        ),
    ] = None,
    swing: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            help="show flights of this swing; may be given several times. "
            "[default: those of the goals and limits, or all]",
        ),
    ] = None,
    shares: Annotated[
        bool,
        typer.Option(
            help="tell whose share of each figure's spread is whose, as 'orbwright freedoms' does; "
            "takes some seconds",
        ),
    ] = True,
    workers: Workers = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
) -> None:
    """Write a finished run as one HTML file: cards, trade-off, filters, comparison, flights.

    It opens in a browser from disk, needs no network and can be passed on. Launches of the short
    list that the ledger lacks are computed and kept in it.

    Example: orbwright page "Four layers: speed with feel" --out choose.html
    """
    from optimize.search.run import load_run

    with existing(ledger, keeping=True) as book:
        found = load_run(book, run)
        path = out or Path(f"{_file_name(found.scenario.name)}.html")
        write(found, book, path, workers or cores(), swing, shares)


def write(
    run: "Run",
    ledger: "Ledger",
    path: Path,
    workers: int,
    swings: Sequence[str] | None = None,
    shares: bool = True,
) -> None:
    """Compute what the page lacks, and write it; swings as `optimize.page.flights.launches`."""
    from optimize.page.data import page_data
    from optimize.page.flights import launches, swings_of
    from optimize.page.shares import sobol_of
    from optimize.page.write import write_page

    shown = swings_of(run.scenario) if swings is None else swings
    if run.short_list and shown:
        tell_of_compiling(f"{name}.carry_m" for name in shown)
    found = launches(run, ledger, workers, shown, _tell)
    known = ledger.known([build.key for build in run.builds], run.model_version)
    more = {key: one.figures for key, one in known.items()}
    sobol = sobol_of(run, known) if shares else None
    size = write_page(page_data(run, found, str(ledger.path), more, sobol), path)
    say(f"{path} written, {size / 1e6:.1f} MB; open it in a browser.")


def _tell(done: int, count: int) -> None:
    say(f"Flights of {done} of {count} builds computed.")


def _file_name(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")[:80] or "page"
