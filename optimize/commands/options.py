"""Options and arguments that several commands share."""

import os
import shlex
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import say

if TYPE_CHECKING:
    from optimize.ledger.ledger import Ledger


DEFAULT_LEDGER = Path("orbwright-ledger.sqlite")


LedgerFile = Annotated[
    Path,
    typer.Option(
        "--ledger",
        metavar="FILE",
        help="the file that every evaluation is kept in. "
        f"[default: {DEFAULT_LEDGER} in the current folder]",
        show_default=False,
    ),
]


Workers = Annotated[
    int | None,
    typer.Option(min=1, max=256, metavar="N", help="processes that compute. [default: one a core]"),
]


AsJson = Annotated[bool, typer.Option("--json", help="print JSON for a script, not tables")]


RunName = Annotated[
    str, typer.Argument(metavar="RUN", help="a run's id, or its scenario's name for the latest")
]


def cores() -> int:
    """Return the number of cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _ledger_option(ledger: Path) -> str:
    return "" if ledger == DEFAULT_LEDGER else f" --ledger {shlex.quote(str(ledger))}"


@contextmanager
def existing(ledger: Path, *, keeping: bool = False) -> "Iterator[Ledger]":
    """Open a ledger that is there already; a mistyped name must not make a new one.

    Parameters
    ----------
    ledger : Path
        The file.
    keeping : bool
        Whether more is to be written to it, where it can be; otherwise it is left as it is.
    """
    from optimize.ledger.ledger import Ledger

    if not ledger.exists():
        raise InputError(f"ledger {ledger} is not there; 'orbwright search' writes one.")
    writable = os.access(ledger, os.W_OK) and os.access(ledger.parent, os.W_OK)
    with Ledger(ledger, reading=not (keeping and writable), tell=say) as book:
        yield book
