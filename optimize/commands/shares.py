"""The command line's global sensitivity: `orbwright freedoms`."""

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.options import (
    DEFAULT_LEDGER,
    AsJson,
    LedgerFile,
    RunName,
    Workers,
    cores,
    existing,
)

freedoms_app = typer.Typer()


@freedoms_app.command(short_help="Tell which freedom of a run pays for which figure.")
def freedoms(
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
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="also draw the shares; ends in .svg or .png"),
    ] = None,
) -> None:
    """Tell which freedom pays for which figure, over all builds that a scenario allows.

    Sobol indices: the share of each figure's variance that a freedom makes alone, and together
    with others, by Gaussian processes of the run's builds. How far these miss is printed beside;
    where it is too much, --builds adds computed builds.

    Example: orbwright freedoms "Four layers: speed with feel" --out freedoms.png
    """
    from optimize.report.shares import shares_record, shares_sections
    from optimize.search.result import Interrupted
    from optimize.search.run import load_run
    from optimize.sensitivity.more_builds import compute_more, computed
    from optimize.sensitivity.shares import shares

    if out and out.suffix.lower() not in (".svg", ".png"):
        raise InputError(f"drawing {out} must end in .svg or .png.")  # before the computation
    with existing(ledger, keeping=builds > 0) as book:
        found = load_run(book, run)
        known = computed(found, book.known([b.key for b in found.builds], found.model_version))
        more = None
        if builds:
            tell_of_compiling(known.values)
            try:
                more = compute_more(
                    found, tuple(known.values), builds, book, workers or cores(), _teller()
                )
            except Interrupted as stop:
                say(f"orbwright: {stop}")
                raise typer.Exit(130) from None
    answer = shares(found, known, more)
    if out:
        from optimize.report.pictures.section import save
        from optimize.report.pictures.shares import draw_shares

        save(draw_shares(answer), out)
        say(f"Drawing written to {out}.")
    if as_json:
        print_json(shares_record(answer))
    else:
        print_sections(shares_sections(answer), f"What drives what: {found.scenario.name}")


def _teller() -> Callable[[int, int], None]:
    told = 0

    def tell(done: int, count: int) -> None:
        """Write a line at every tenth."""
        nonlocal told
        if 10 * done // count > told:
            told = 10 * done // count
            say(f"{done} of {count} further builds.")

    return tell
