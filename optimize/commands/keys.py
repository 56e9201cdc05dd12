"""The command line's reference of file formats: `orbwright keys`."""

import sys
from typing import Annotated

import typer

from layers.errors import InputError
from optimize.commands.console import print_json, print_sections, say
from optimize.commands.options import AsJson

keys_app = typer.Typer()


@keys_app.command(short_help="List every key of a file: unit, range, default, example.")
def keys(
    form: Annotated[
        str | None,
        typer.Argument(metavar="[FORMAT]", help="ball, scenario, materials ...; all if left out"),
    ] = None,
    example: Annotated[
        bool, typer.Option("--example", help="print a whole file to start from")
    ] = False,
    schema: Annotated[
        bool, typer.Option("--schema", help="print a JSON Schema, for editors")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """List every key of a file with its type, unit, allowed range, default and an example.

    Example: orbwright keys scenario
    """
    from dataclasses import asdict

    from optimize.reference.formats import find_format
    from optimize.reference.keys import key_tables
    from optimize.reference.page import format_sections, overview
    from optimize.reference.schema import schema_text

    if example + schema + as_json > 1:
        raise InputError("--example, --schema and --json cannot go together; choose one.")
    if form is None:
        if example or schema or as_json:
            raise InputError("name a file format; 'orbwright keys' lists them.")
        print_sections(overview())
        return
    found = find_format(form)
    if schema and found.model is None:
        raise InputError(f"{form} is a CSV file: JSON Schema is for TOML files.")
    if example:
        say(found.example.rstrip("\n"), sys.stdout)
    elif schema:
        say(schema_text(found).rstrip("\n"), sys.stdout)
    elif as_json:
        print_json([asdict(table) for table in key_tables(found)])
    else:
        print_sections(format_sections(found), f"{found.name}: {found.what}")
