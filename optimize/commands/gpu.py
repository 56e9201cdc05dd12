"""The command line's check of graphics cards: orbwright check-gpu."""

from typing import Annotated

import typer

from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.options import AsJson, Workers, cores

gpu_app = typer.Typer()

FAILED = 1


@gpu_app.command("check-gpu", short_help="Check graphics cards against the CPU.")
def check_gpu(
    number: Annotated[
        int | None,
        typer.Option(
            "--card", min=0, metavar="N", help="only this card, counted from 0. [default: all]"
        ),
    ] = None,
    workers: Workers = None,
    as_json: AsJson = False,
) -> None:
    """Compute a fixed set of 400 impacts on every graphics card and on the CPU, and compare.

    Several cards also compute it all at once. Ends with exit code 1 if a difference is too large, a
    flag differs, or two runs, or two cards of one kind, do not give the same bits.

    Example: orbwright check-gpu
    """
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    from layers.gpu.card import count_cards, find_card
    from layers.gpu.check import LIMITS, SWINGS, check, check_builds, on_cpu, together
    from optimize.report.gpu import Checked, check_record, check_sections

    numbers = range(count_cards()) if number is None else [number]
    cards = list(map(find_card, numbers))
    for card in cards:
        say(f"Checking card {card.number}, {card.name} with {card.processors} multiprocessors.")
    tell_of_compiling([f"{SWINGS[0]}.spin_rpm"], "double")
    bodies = check_builds()
    with ProcessPoolExecutor(workers or cores(), get_context("spawn")) as pool:
        expected = on_cpu(bodies, pool.map)
    found = Checked(
        {card: [check(card, bodies, expected, p) for p in LIMITS] for card in cards},
        [together(cards, bodies, p) for p in LIMITS] if len(cards) > 1 else [],
    )
    if as_json:
        print_json(check_record(found))
    else:
        print_sections(check_sections(found))
    if not found.passed:
        raise typer.Exit(FAILED)
