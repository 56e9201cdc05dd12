"""The command line's part for ledgers: `orbwright ledger info`, `check`, `merge`, `export`."""

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import print_json, print_sections, say
from optimize.commands.options import AsJson, existing

ledgers = typer.Typer(
    help="Look after ledgers: count, check, merge, export as a table.",
    short_help="Look after ledgers: info, check, merge, export.",
)

Counts = Callable[[int, int], None]
OneLedger = Annotated[Path, typer.Argument(metavar="LEDGER.sqlite", help="the ledger")]


@contextmanager
def _counting(what: str) -> Iterator[Counts]:
    """Provide what is told (done, total): a bar on a terminal, a line now and then elsewhere."""
    if not sys.stderr.isatty():
        told = [0]

        def line(done: int, total: int) -> None:
            tenth = 10 * done // max(1, total)
            if tenth > told[0] and total >= 10_000:
                told[0] = tenth
                say(f"{what}: {10 * tenth} %")

        yield line
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

    shown = (TextColumn("{task.description}"), BarColumn(24), TaskProgressColumn())
    with Progress(*shown, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


@contextmanager
def _stopping(left: str) -> Iterator[None]:
    """Say on Ctrl-C what is left."""
    try:
        yield
    except KeyboardInterrupt:
        say(f"orbwright: stopped by Ctrl-C; {left}.")
        raise typer.Exit(130) from None


@ledgers.command(short_help="Count what a ledger holds.")
def info(ledger: OneLedger, as_json: AsJson = False) -> None:
    """Count what a ledger holds: evaluations by version of the model, runs by status, size.

    Example: orbwright ledger info orbwright-ledger.sqlite
    """
    from optimize.ledger.check import counts
    from optimize.report.ledger import counts_section

    with existing(ledger) as book:
        found = counts(book)
    if as_json:
        print_json(found)
    else:
        print_sections([counts_section(found)])


@ledgers.command(short_help="Check that every row of a ledger is as it was written.")
def check(ledger: OneLedger) -> None:
    """Check that every row of a ledger is as it was written, and that the file is whole.

    Example: orbwright ledger check orbwright-ledger.sqlite
    """
    from optimize.ledger.check import check_ledger

    left = f"what was read of {ledger} is whole"
    with existing(ledger) as book, _stopping(left), _counting("checked") as report:
        count = check_ledger(book, report)
    say(f"{ledger} is whole: {count:,} evaluations are as they were written.", sys.stdout)


@ledgers.command(short_help="Bring other ledgers' evaluations and runs into one.")
def merge(
    into: Annotated[
        Path, typer.Argument(metavar="INTO.sqlite", help="the ledger that grows; made if need be")
    ],
    sources: Annotated[
        list[Path], typer.Argument(metavar="FROM.sqlite ...", help="ledgers that are only read")
    ],
) -> None:
    """Bring the evaluations and runs of other ledgers into one, all of it or nothing.

    What is there already stays and counts first, a run that got further replaces the same run;
    decisions and notes are joined, and builds that one person chose and another rejected are named.
    The same merge again changes nothing. Other searches may go on meanwhile.

    Example: orbwright ledger merge all.sqlite monday.sqlite tuesday.sqlite
    """
    from optimize.ledger.ledger import Ledger
    from optimize.ledger.merge import merge as merged
    from optimize.report.decisions import dispute_sentence

    with ExitStack() as stack:
        books = [stack.enter_context(existing(source)) for source in sources]
        book = stack.enter_context(Ledger(into, tell=say))
        stack.enter_context(_stopping(f"{into} is as it was"))
        report = stack.enter_context(_counting("merged"))
        found = merged(book, books, report)
    say(
        f"{into}: {found.evaluations:,} evaluations and {found.runs:,} runs with "
        f"{found.proposals:,} proposals added.",
        sys.stdout,
    )
    if found.events:
        say(f"{found.events:,} events (who started, decided, noted, made) added.")
    if found.disputes:
        say(dispute_sentence(found.disputes))
    if found.conflicts:
        say(
            f"{found.conflicts:,} of them differ from what was there for the same build and model; "
            f"what was there counts. The first: {found.example}."
        )


@ledgers.command(short_help="Write a ledger's evaluations as one CSV or Parquet table.")
def export(
    ledger: OneLedger,
    out: Annotated[
        Path, typer.Option(metavar="FILE", help="what to write; ends in .csv or .parquet")
    ],
    run: Annotated[
        str | None,
        typer.Option(metavar="RUN", help="only the builds of this run: its id, or its name"),
    ] = None,
    model: Annotated[
        str | None,
        typer.Option(metavar="VERSION", help="only this version of the model, or its beginning"),
    ] = None,
    events: Annotated[
        bool, typer.Option("--events", help="write decisions, notes and other events instead")
    ] = False,
) -> None:
    """Write a ledger's evaluations as a table: a row for each build and version of the model.

    With --events, a row for each decision, note, sheet, reading, calibration and start of a run.

    Every number is written to the last bit. Parquet needs the extra: pip install
    'orbwright[parquet]'.

    Example: orbwright ledger export orbwright-ledger.sqlite --out builds.csv
    """
    from optimize.ledger.export import export_events, export_ledger, part_of

    if events and model is not None:
        raise InputError("--model chooses evaluations: leave it out with --events.")
    with existing(ledger) as book, _stopping(f"{out} was not written"):
        if events:
            count = export_events(book, out, run)
        else:
            part = part_of(book, run, model)
            with _counting("exported") as report:
                count = export_ledger(book, part, out, report)
    say(f"{out}: {count:,} rows.")
