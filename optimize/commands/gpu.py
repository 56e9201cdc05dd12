"""The command line's check of a graphics card: orbwright check-gpu."""

from typing import Annotated

import typer

from optimize.commands.console import print_json, print_sections, say, tell_of_compiling
from optimize.commands.options import AsJson, Workers, cores

gpu_app = typer.Typer()

FAILED = 1


@gpu_app.command("check-gpu", short_help="Check a graphics card against the CPU.")
def check_gpu(
    number: Annotated[
        int, typer.Option("--card", min=0, metavar="N", help="which card, counted from 0")
    ] = 0,
    workers: Workers = None,
    as_json: AsJson = False,
) -> None:
    """Compute a fixed set of 400 impacts on a graphics card and on the CPU, and compare.

    Ends with exit code 1 if a difference is too large, a flag differs, or two runs do not give the
    same bits.

    Example: orbwright check-gpu
    """
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    from layers.gpu.card import find_card
    from layers.gpu.check import LIMITS, SWINGS, check, check_builds, on_cpu
    from optimize.report.gpu import check_record, check_sections

    card = find_card(number)
    say(f"Checking {card.name} with {card.processors} multiprocessors.")
    tell_of_compiling([f"{SWINGS[0]}.spin_rpm"], "double")
    bodies = check_builds()
    with ProcessPoolExecutor(workers or cores(), get_context("spawn")) as pool:
        expected = on_cpu(bodies, pool.map)
    found = [check(card, bodies, expected, precision) for precision in LIMITS]
    if as_json:
        print_json(check_record(card.name, found))
    else:
        print_sections(check_sections(card.name, found))
    if not all(one.passed for one in found):
        raise typer.Exit(FAILED)
