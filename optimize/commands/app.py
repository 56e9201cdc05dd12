"""The command line: its commands by group, and its one way out.

Nothing heavy is imported here: each command imports what it needs, so that help comes at once.
"""

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from layers.errors import OrbwrightError
from optimize.commands.balls import balls_app
from optimize.commands.bench import live
from optimize.commands.calibration import calibration_app
from optimize.commands.console import say
from optimize.commands.cure import cure_app
from optimize.commands.cure_find import cure_find_app
from optimize.commands.decisions import decisions_app
from optimize.commands.deck import deck_app
from optimize.commands.gpu import gpu_app
from optimize.commands.instruments import instruments
from optimize.commands.keys import keys_app
from optimize.commands.lab import lab_app
from optimize.commands.ledger import ledgers
from optimize.commands.lists import lists
from optimize.commands.new import new_app
from optimize.commands.page import page_app
from optimize.commands.pattern import pattern_app
from optimize.commands.range import range_app
from optimize.commands.recipe import recipe_app
from optimize.commands.runs import runs
from optimize.commands.screening import screening_app
from optimize.commands.sensitivity import sensitivity
from optimize.commands.tolerance import tolerance_app
from optimize.commands.units import choose_units, option_first
from optimize.commands.windows import windows_app

BAD_INPUT, CLOSED_PIPE, INTERRUPTED = 2, 141, 130

# The order of help; a command that no group names is listed last.
_GROUPS = {
    "Start": ("new",),
    "Balls": (
        "estimate",
        "compare",
        "sensitivity",
        "tolerance",
        "windows",
        "pattern",
        "bench",
        "export-deck",
    ),
    "Search": ("search", "screen", "show", "export", "page", "ledger"),
    "Decisions": ("mark", "note", "decisions", "history", "reopen"),
    "Laboratory": (
        "recipe",
        "cure",
        "cure-find",
        "sheet",
        "concentricity",
        "calibrate",
        "next",
        "fit-club",
        "tester",
        "hardness",
        "range",
    ),
}


class _Grouped(TyperGroup):
    """Help that lists the commands by group; Ctrl-C comes back as such, not as an exit code."""

    def make_context(self, *arguments: Any, **options: Any) -> Any:
        """Read the options."""
        with _ctrl_c_told():
            return super().make_context(*arguments, **options)

    def invoke(self, *arguments: Any, **options: Any) -> Any:
        """Run the command."""
        with _ctrl_c_told():
            return super().invoke(*arguments, **options)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the groups, each as a list of its commands with their short help."""
        named = {name for names in _GROUPS.values() for name in names}
        others = tuple(name for name in self.commands if name not in named)
        width = max(map(len, self.commands))
        for title, names in {**_GROUPS, "Reference": others}.items():
            rows = [
                (name.ljust(width), self.commands[name].get_short_help_str(formatter.width))
                for name in names
            ]
            with formatter.section(title):
                formatter.write_dl(rows)


@contextmanager
def _ctrl_c_told() -> Iterator[None]:
    try:
        yield
    except KeyboardInterrupt:
        raise typer.Abort from None


app = typer.Typer(
    cls=_Grouped,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback(invoke_without_command=True)
def _start(
    context: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="print the version and end")] = False,
    units: Annotated[
        str | None,
        typer.Option(
            metavar="metric|trade",
            help="units of tables, CSV and page, before or after the command; trade: in, oz, mph, "
            "yd, ksi. JSON stays metric. [default: the scenario's, else the settings file's, else "
            "metric]",
            show_default=False,
        ),
    ] = None,
) -> None:
    """Compute what a layered golf ball does, and search builds worth prototyping.

    A ball is a TOML file of layers, centre outward. Figures come from finite elements, each with
    how far it can be trusted. Results go to standard output, messages to standard error; the exit
    code is 0, 2 if the input cannot be used, 130 after Ctrl-C, or 1 if a check fails.
    """
    if version:
        from optimize.report.ball import version as installed

        say(f"orbwright {installed()}", sys.stdout)
        raise typer.Exit
    choose_units(units)
    if context.invoked_subcommand is None:
        say(context.get_help(), sys.stdout)


_LAB = (recipe_app, cure_app, cure_find_app, lab_app, calibration_app, instruments)
_SEARCH = (runs, screening_app, page_app, decisions_app)
_BALLS = (balls_app, deck_app, tolerance_app, windows_app, pattern_app, live)
for _part in (*_BALLS, *_SEARCH, *_LAB, lists, keys_app, gpu_app):
    app.add_typer(_part)
app.add_typer(sensitivity, name="sensitivity")
app.add_typer(ledgers, name="ledger")
app.add_typer(new_app, name="new")
app.add_typer(range_app, name="range")


def _fail(text: str) -> int:
    sentence = " ".join(text.split())
    say(f"orbwright: {sentence}{'' if sentence.endswith(('.', '?')) else '.'}")
    return BAD_INPUT


# The library's base of errors in the arguments, wherever this version of it keeps that class.
_UsageError: Any = typer.BadParameter.__bases__[0]


def main(arguments: list[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : list of str, optional
        In place of the process's own.

    Returns
    -------
    int
        Exit code: 0, 2 if the input cannot be used, 130 after Ctrl-C, 141 if the reader of
        standard output has gone.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            # A terminal that lacks a sign gets a question mark for it, not a traceback.
            stream.reconfigure(errors="replace")
    try:
        typed = option_first(sys.argv[1:] if arguments is None else list(arguments))
        code = app(args=typed, prog_name="orbwright", standalone_mode=False)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except OrbwrightError as error:
        return _fail(str(error))
    except _UsageError as error:
        return _fail(_usage(error))
    except (KeyboardInterrupt, typer.Abort) as error:
        ended = isinstance(error.__context__, EOFError)  # a question without an answer
        say(f"\norbwright: stopped by {'the end of the input' if ended else 'Ctrl-C'}.")
        return INTERRUPTED
    except (BrokenPipeError, SystemExit):  # the library ends the process on a closed pipe
        _drop_output()
        return CLOSED_PIPE
    except OSError as error:
        return _file_trouble(error)
    except RecursionError:
        return _fail("the input is nested too deeply to be read.")


def _usage(error: Any) -> str:
    path = error.ctx.command_path if error.ctx else "orbwright"
    return f"{error.format_message().rstrip('.')}; see {path} --help."


def _file_trouble(error: OSError) -> int:
    if error.filename is None and error.errno in (errno.ENOSPC, errno.EIO):
        _drop_output()
    what = error.filename or "the output"
    return _fail(f"{what} cannot be used: {error.strerror or error}.")


def _drop_output() -> None:
    """Point standard output at nothing, so that the interpreter's last flush stays quiet."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
