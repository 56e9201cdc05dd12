"""Options and arguments that several commands share."""

import os
import shlex
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import say

if TYPE_CHECKING:
    from layers.arrays import Precision
    from layers.ball import Ball
    from layers.conditions import Conditions
    from optimize.compute.card import OnCard
    from optimize.compute.cluster import Cluster
    from optimize.ledger.ledger import Ledger


def _figure_names(incomplete: str) -> list[str]:
    """Return what a figure's name may go on as, for a shell that completes words."""
    from layers.figures import QUANTITIES
    from layers.strike.swings import default_swings

    swings = [swing.name for swing in default_swings().swing]
    asked = [(n, q.of) for n, q in QUANTITIES.items() if q.of != "club"]
    names = [n if of == "body" else f"{s}.{n}" for n, of in asked for s in swings]
    return [name for name in dict.fromkeys(names) if name.startswith(incomplete.lower())]


DEFAULT_LEDGER = Path("orbwright-ledger.sqlite")


LedgerFile = Annotated[
    Path,
    typer.Option(
        "--ledger",
        metavar="FILE",
        help="the file that keeps every evaluation. "
        f"[default: {DEFAULT_LEDGER} in the current folder]",
        show_default=False,
    ),
]


Workers = Annotated[
    int | None,
    typer.Option(min=1, max=256, metavar="N", help="processes that compute. [default: one a core]"),
]


ClusterAddress = Annotated[
    str | None,
    typer.Option(
        metavar="tcp://HOST:PORT",
        help="compute on a Dask cluster instead, by its scheduler's address",
    ),
]


DeviceName = Annotated[
    str,
    typer.Option(
        "--device",
        metavar="cpu|gpu|gpu:N|gpu-or-cpu",
        help="where impacts are computed: gpu takes all graphics cards, gpu:0,2 those of these "
        "numbers, gpu-or-cpu the CPU where there is none; of a cluster its workers' cards",
    ),
]


CatalogueFile = Annotated[
    Path | None,
    typer.Option(metavar="FILE.toml", help="your own material cards, beside the shipped ones"),
]


AsJson = Annotated[bool, typer.Option("--json", help="print JSON for a script, not tables")]


BallFile = Annotated[Path, typer.Argument(metavar="BALL.toml", help="the ball: a TOML file")]
FigureNames = Annotated[
    list[str] | None,
    typer.Option(
        "--figure",
        "-f",
        metavar="NAME",
        help="compute only this figure: a name, label or synonym; may be given several times. "
        "'orbwright figures' lists them.",
        autocompletion=_figure_names,
    ),
]


SwingsFile = Annotated[
    Path | None,
    typer.Option(metavar="FILE.toml", help="your own swings, in place of the shipped ones"),
]


ProcessFile = Annotated[
    Path | None,
    typer.Option(
        "--process", metavar="FILE.toml", help="the lab's process, for cost and press time"
    ),
]


ConditionsFile = Annotated[
    Path | None,
    typer.Option(
        "--conditions",
        metavar="FILE.toml",
        help="air, wind and drag and lift: the keys of a scenario's [conditions], or a scenario",
    ),
]


RunName = Annotated[
    str, typer.Argument(metavar="RUN", help="a run's id, or its scenario's name for the latest")
]


Who = Annotated[
    str | None,
    typer.Option(
        metavar="NAME",
        help="who does this, as the ledger shall say. [default: the variable ORBWRIGHT_WHO, or the "
        "login name]",
        show_default=False,
    ),
]


PrecisionName = Annotated[
    str | None,
    typer.Option(
        "--precision",
        metavar="single|double",
        help="of impacts; double takes half as long again. [default: single, or the scenario's]",
        show_default=False,
    ),
]


def precision_of(given: str | None) -> "Precision | None":
    """Return the precision asked for, if any; refuse another word."""
    if given not in (None, "single", "double"):
        raise InputError(f"--precision is {given!r}, but must be one of: single, double.")
    return given  # type: ignore[return-value]


def cores() -> int:
    """Return the number of cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def computing_with(
    workers: int | None, cluster: str | None, device: str = "cpu"
) -> "int | Cluster | OnCard":
    """Return what computes: so many processes, one a core, a cluster, or a graphics card.

    Parameters
    ----------
    workers : int or None
        Number of processes.
    cluster : str or None
        Address of a cluster's scheduler.
    device : str
        Where impacts are computed, see `layers.gpu.many.devices_for`; of a cluster "gpu" means the
        cards that its workers offer.
    """
    if not cluster:
        from layers.gpu.many import devices_for

        found = devices_for(device, say)
        if found is None:
            return workers or cores()
        from optimize.compute.card import OnCard

        return OnCard(found, workers or cores())
    from optimize.compute.cluster import Cluster

    if workers:
        raise InputError("--workers counts processes of this machine: leave it out with --cluster.")
    plain = Cluster(cluster, say)
    if device == "cpu":
        return plain
    from optimize.compute.cluster_card import with_cards

    return with_cards(plain, device)


def conditions_with(
    swings: Path | None,
    process: Path | None = None,
    conditions: Path | None = None,
    precision: "Precision | None" = None,
) -> "Conditions":
    """Return the shipped conditions, or those of the user's files.

    Parameters
    ----------
    swings : Path or None
        The user's own swings.
    process : Path or None
        The lab's process.
    conditions : Path or None
        Air, wind, drag and lift; `optimize.scenario.conditions.read_conditions`.
    precision : {"single", "double"}, optional
        Of impacts; single, or that of the conditions' file, if none is given.
    """
    from dataclasses import replace

    from layers.conditions import Conditions
    from layers.strike.swings import default_swings, read_swings
    from optimize.report.words import use_currency_of

    production = None
    if process:
        from optimize.lab.cost import Costing
        from optimize.lab.process import read_process

        production = Costing(read_process(process))
    use_currency_of(production.process if production else None)
    own = read_swings(swings) if swings else None
    if conditions is None:
        found = Conditions(own or default_swings())
    else:
        from optimize.scenario.conditions import read_conditions

        found = read_conditions(conditions, own).resolved()
    return replace(found, production=production, precision=precision or found.precision)


def read_balls(paths: Sequence[Path]) -> "list[Ball]":
    """Read balls, and say what in them is probably a slip."""
    from layers.ball_file import read_ball
    from layers.rules.doubts import doubts

    balls = [read_ball(path) for path in paths]
    for path, ball in zip(paths, balls, strict=True):
        for doubt in doubts(ball):
            say(f"{path}: {doubt}")
    return balls


def ledger_option(ledger: Path) -> str:
    """Return the option that names a ledger, where it is not the usual one."""
    return "" if ledger == DEFAULT_LEDGER else f" --ledger {shlex.quote(str(ledger))}"


@contextmanager
def existing(ledger_file: Path, *, keeping: bool = False) -> "Iterator[Ledger]":
    """Open an existing ledger; a mistyped name must not make a new one.

    Parameters
    ----------
    ledger_file : Path
        The file.
    keeping : bool
        Whether to open it for writing, where the file allows it.
    """
    from optimize.ledger.ledger import Ledger

    if not ledger_file.exists():
        raise InputError(f"ledger {ledger_file} is not there; 'orbwright search' writes one.")
    writable = os.access(ledger_file, os.W_OK) and os.access(ledger_file.parent, os.W_OK)
    with Ledger(ledger_file, reading=not (keeping and writable), tell=say) as ledger:
        yield ledger
