"""The command line's lists: `orbwright figures` and `materials`."""

import sys
from typing import Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import print_json, print_sections, say
from optimize.commands.options import AsJson

lists = typer.Typer()


@lists.command(short_help="List the figures: names, labels, synonyms, units, meaning.")
def figures(
    as_json: AsJson = False,
    as_markdown: Annotated[bool, typer.Option("--markdown", help="print Markdown tables")] = False,
) -> None:
    """List the figures to estimate, search for or limit: names, labels, synonyms, units, meaning.

    Every name, label or synonym is read wherever a figure is asked for.
    """
    from dataclasses import asdict

    from layers.figures import QUANTITIES
    from optimize.report.listings import figures_sections
    from optimize.report.tables import markdown

    if as_json and as_markdown:
        raise InputError("--json and --markdown cannot go together; choose one.")
    if as_json:
        print_json({name: asdict(known) for name, known in QUANTITIES.items()})
    elif as_markdown:
        say(markdown(figures_sections(), "Figures and their words").rstrip("\n"), sys.stdout)
    else:
        print_sections(figures_sections())


@lists.command(short_help="List the shipped materials and their sources.")
def materials(
    sources: Annotated[bool, typer.Option(help="show the source of each number")] = False,
    as_json: AsJson = False,
) -> None:
    """List the shipped materials; your own go into the ball's file as [[material]] tables.

    The shipped numbers are representative, from memory of the open literature: good for ranking
    builds, not for absolute claims.
    """
    from layers.materials import default_catalogue
    from optimize.report.listings import materials_sections

    catalogue = default_catalogue()
    if as_json:
        print_json(catalogue.model_dump(mode="json"))
    else:
        print_sections(materials_sections(catalogue, sources))
