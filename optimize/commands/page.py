"""The command line's page: `orbwright page`."""

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import every_tenth, say, tell_of_compiling
from optimize.commands.options import (
    DEFAULT_LEDGER,
    DeviceName,
    LedgerFile,
    RunName,
    Workers,
    computing_with,
    cores,
    existing,
)

if TYPE_CHECKING:
    from optimize.compute.one import Elsewhere
    from optimize.ledger.ledger import Ledger
    from optimize.page.sobol import Sobol
    from optimize.search.result import Run

page_app = typer.Typer()


@page_app.command(short_help="Write a finished run as one HTML page to choose from.")
def page(
    run: RunName,
    out: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.html", help="output file. [default: the scenario's name, in this folder]"
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
    sobol: Annotated[
        bool,
        typer.Option(
            help="add Sobol indices, as 'orbwright sensitivity global' prints them; takes some "
            "seconds",
        ),
    ] = True,
    sobol_builds: Annotated[
        int | None,
        typer.Option(
            min=128,
            max=65_536,
            metavar="N",
            help="Sobol indices from computed builds instead, as 'orbwright sensitivity direct' "
            "with --builds N; what the ledger has of them is not computed again",
        ),
    ] = None,
    device: DeviceName = "cpu",
    slopes: Annotated[
        bool,
        typer.Option(
            "--slopes",
            help="compute local sensitivities of the short list, some minutes, and keep them; "
            "those that the ledger has are always shown",
        ),
    ] = False,
    impacts: Annotated[
        bool,
        typer.Option(
            help="show the short list in an impact, with the energy by layer; takes about a second "
            "a build",
        ),
    ] = True,
    workers: Workers = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
) -> None:
    """Write a finished run as one HTML file: cards, trade-off, filters, comparison, flights.

    The file opens in a browser without a network. Launches of the short list that the ledger lacks
    are computed and kept in it.

    Example: orbwright page "Four layers: speed with feel" --out choose.html
    """
    from optimize.search.run import load_run

    if device != "cpu" and not sobol_builds:
        raise InputError("--device is of computed Sobol indices: give --sobol-builds N too.")
    with existing(ledger, keeping=True) as store:
        found = load_run(store, run)
        path = out or Path(f"{_file_name(found.scenario.name)}.html")
        many = sobol_builds if sobol else None
        computing = computing_with(workers, None, device)
        indices = _direct_sobol(found, store, many, computing) if many else None
        write(found, store, path, workers or cores(), swing, sobol, slopes, impacts, indices)


def write(
    run: "Run",
    ledger: "Ledger",
    path: Path,
    workers: int,
    swings: Sequence[str] | None = None,
    sobol: bool = True,
    slopes: bool = False,
    impacts: bool = True,
    indices: "Sobol | None" = None,
) -> None:
    """Compute what the page lacks, and write it.

    Parameters
    ----------
    run : Run
        A finished search.
    ledger : Ledger
        Where figures are read and kept.
    path : Path
        The HTML file.
    workers : int
        Processes that compute.
    swings : sequence of str, optional
        Names of swings; those of the scenario's goals and limits, or all, if not given.
    sobol : bool
        Whether to add Sobol indices by the run's emulator, of figures without computed ones.
    slopes : bool
        Whether to compute local sensitivities that the ledger lacks.
    impacts : bool
        Whether to record an impact of each build of the short list.
    indices : Sobol, optional
        Indices from computed builds.
    """
    from optimize.page.data import page_data
    from optimize.page.impacts import impacts_of
    from optimize.page.launches import launches_of, swings_of
    from optimize.page.slopes import slopes_of
    from optimize.page.sobol import joined, sobol_of
    from optimize.page.write import write_page
    from optimize.report.units import use_scenario
    from optimize.report.words import use_currency_of

    use_scenario(run.scenario.units)
    use_currency_of(run.scenario.process)
    shown = swings_of(run.scenario) if swings is None else swings
    if run.short_list and shown:
        tell_of_compiling(f"{name}.carry_m" for name in shown)
    found = launches_of(run, ledger, workers, shown, _tell)
    known = ledger.known([build.key for build in run.builds], run.model_version)
    more = {key: one.figures for key, one in known.items()}
    if sobol:
        emulated = sobol_of(run, known)
        indices = joined(indices, emulated) if indices else emulated
    local = slopes_of(run, ledger, workers, slopes, _tell_of_slopes)
    recorded = []
    if impacts and run.short_list:
        tell_of_compiling([] if shown else ["cor"])
        recorded = impacts_of(run, shown[0] if shown else None, _tell_impacts)
    data = page_data(run, found, str(ledger.path), more, indices, local, impacts=recorded)
    size = write_page(data, path)
    say(f"{path} written, {size / 1e6:.1f} MB; open it in a browser.")


def _direct_sobol(
    run: "Run", ledger: "Ledger", builds: int, computing: "int | Elsewhere"
) -> "Sobol | None":
    from optimize.compute.compiled import compiled_for
    from optimize.page.sobol import direct_sobol_of
    from optimize.search.result import Interrupted

    tell_of_compiling(compiled_for(run.scenario.figures(), computing))
    try:
        return direct_sobol_of(
            run, ledger, builds, computing, every_tenth("builds for Sobol indices")
        )
    except Interrupted as stop:
        say(f"orbwright: {stop}")
        raise typer.Exit(130) from None


def _tell(done: int, count: int) -> None:
    say(f"Flights of {done} of {count} builds computed.")


def _tell_of_slopes(done: int, count: int) -> None:
    if done == count or done % max(1, count // 10) == 0:
        say(f"Local sensitivities: {done} of {count} builds computed.")


def _file_name(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")[:80] or "page"


def _tell_impacts(done: int, count: int) -> None:
    say(f"Impacts of {done} of {count} builds recorded.")
