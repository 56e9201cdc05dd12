"""The command line's decisions: `orbwright mark`, `note`, `decisions`, `history`, `reopen`."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from layers.errors import InputError
from layers.files.paths import write_text
from optimize.commands.console import print_json, print_sections, say
from optimize.commands.options import (
    DEFAULT_LEDGER,
    AsJson,
    LedgerFile,
    RunName,
    Who,
    existing,
)

if TYPE_CHECKING:
    from optimize.search.history import Named

decisions_app = typer.Typer()

BuildName = Annotated[
    str,
    typer.Argument(
        metavar="BUILD", help="its letter on the short list, or six or more digits of its key"
    ),
]


@decisions_app.command(short_help="Mark a build: chosen, rejected, parked, made, measured.")
def mark(
    run: RunName,
    build: BuildName,
    word: Annotated[
        str, typer.Argument(metavar="chosen|rejected|parked|made|measured", help="the mark")
    ],
    why: Annotated[str | None, typer.Option(metavar="TEXT", help="the reason")] = None,
    who: Who = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
) -> None:
    """Mark a build of a run as chosen, rejected, parked, made or measured: who, when and why.

    A mark is added to the ledger, and never changed: a person's last word counts.

    Example: orbwright mark "Four layers: speed with feel" B chosen --why "softest that carries"
    """
    from optimize.ledger.decisions import record
    from optimize.ledger.events import MARKS, Event, one_line
    from optimize.search.history import build_of

    if word not in MARKS:
        raise InputError(f"the mark is {word!r}, but must be one of: {', '.join(MARKS)}.")
    reason = "" if why is None else one_line(why, "--why")
    name = _somebody(who)
    with existing(ledger, keeping=True) as book:
        named = build_of(book, run, build)
        record(book, [Event(word, *_place(named), name, reason)])  # type: ignore[arg-type]
    say(f"{_words(named)} is marked {word} by {name}.")


@decisions_app.command(short_help="Note something on a run or a build.")
def note(
    run: RunName,
    words: Annotated[
        list[str],
        typer.Argument(metavar="[BUILD] TEXT", help="the build, if it is on one; the note"),
    ],
    who: Who = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
) -> None:
    """Add a note to a run, or to one of its builds.

    Example: orbwright note "Four layers: speed with feel" B "cover cracked in 2 of 6 pieces"
    """
    from optimize.ledger.decisions import named_run, record
    from optimize.ledger.events import Event, one_line
    from optimize.search.history import Named, build_of

    if len(words) > 2:
        raise InputError("note takes a run, a build if it is on one, and one text: quote the text.")
    text, name = one_line(words[-1], "the note"), _somebody(who)
    with existing(ledger, keeping=True) as book:
        if len(words) == 2:
            named = build_of(book, run, words[0])
        else:
            named = Named(named_run(book, run).id, "", "")
        record(book, [Event("note", *_place(named), name, text)])
    say(f"{_words(named)} has a note by {name}.")


def _somebody(who: str | None) -> str:
    from optimize.ledger.events import named

    name = named(who)
    if not name:
        raise InputError("the system knows no login name; say who decides with --who NAME.")
    return name


def _place(named: "Named") -> tuple[str, str, str]:
    return named.run, named.build, named.label


def _words(named: "Named") -> str:
    build = named.label or named.build[:12]
    return f"Build {build} of run {named.run}" if build else f"Run {named.run}"


@decisions_app.command(short_help="List marks and notes, of all runs or one.")
def decisions(
    what: Annotated[
        str | None,
        typer.Argument(
            metavar="RUN|KEY",
            help="a run's id or name, or six or more digits of a build's key. [default: all]",
        ),
    ] = None,
    add: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.json", help="first add the decisions and notes that a page exported"
        ),
    ] = None,
    who: Who = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
    as_json: AsJson = False,
) -> None:
    """List marks, notes, sheets, readings and calibrations by moment; disputed builds are named.

    With --add, the decisions and notes of a page's "Export notes" are kept in the ledger first,
    each once.

    Example: orbwright decisions "Four layers: speed with feel"
    """
    from optimize.ledger.decisions import named_run, of_build, of_run, read_events
    from optimize.report.decisions import decisions_record, decisions_sections
    from optimize.report.tables import Section
    from optimize.search.history import key_in

    if add:
        _add(add, who, ledger)
    with existing(ledger) as book:
        found = read_events(book)
        if what is not None:
            key = key_in(book, what)
            found = of_build(found, key) if key else of_run(found, named_run(book, what).id, ())
    title = f"Decisions in {ledger}"
    none = [Section(title, notes=("None yet; 'orbwright mark' adds one.",))]
    if as_json:
        print_json(decisions_record(found))
    else:
        print_sections(decisions_sections(found, title) or none)


def _add(file: Path, who: str | None, ledger: Path) -> None:
    """Keep what a page exported, each event once; its runs and builds must be the ledger's own."""
    from optimize.ledger.decisions import record
    from optimize.ledger.notes_file import read_notes
    from optimize.search.history import build_of

    events = read_notes(file, _somebody(who))
    with existing(ledger, keeping=True) as book:
        for event in events:
            build_of(book, event.run, event.build)
        count = record(book, events)
    say(f"{count} of {len(events)} decisions and notes of {file} are new; they are in {ledger}.")


@decisions_app.command(short_help="The history of a build, from brief to measurements.")
def history(
    what: Annotated[
        str,
        typer.Argument(
            metavar="RUN|KEY",
            help="a run's id or name, with BUILD; or six or more digits of the build's key",
        ),
    ],
    build: Annotated[
        str | None,
        typer.Argument(metavar="BUILD", help="letter on the short list, or digits of its key"),
    ] = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
    as_json: AsJson = False,
) -> None:
    """Show a build's history: briefs, runs, figures, decisions, sheets, readings, calibrations.

    Example: orbwright history "Four layers: speed with feel" B
    """
    from optimize.ledger.decisions import read_events, starters
    from optimize.report.decisions import history_record, history_sections
    from optimize.search.history import build_of, history_of, key_in

    with existing(ledger) as book:
        key = key_in(book, what) if build is None else build_of(book, what, build).build
        if key is None:
            raise InputError(
                f"{what!r} is no build: give a run and a build, or six or more digits of a key."
            )
        found, started = history_of(book, key), starters(read_events(book))
    if as_json:
        print_json(history_record(found, started))
    else:
        print_sections(history_sections(found, started))


@decisions_app.command(short_help="Write a scenario that starts from a build of a run.")
def reopen(
    run: RunName,
    build: BuildName,
    output: Annotated[
        Path | None,
        typer.Option(
            "--output", "-o", metavar="FILE", help="write to this file instead of printing"
        ),
    ] = None,
    why: Annotated[str | None, typer.Option(metavar="TEXT", help="the reason")] = None,
    who: Who = None,
    ledger: LedgerFile = DEFAULT_LEDGER,
) -> None:
    """Write the run's scenario with the build as its start: edit the brief, then search it.

    The search computes the start first and goes on from it. That it was reopened is kept in the
    ledger.

    Example: orbwright reopen "Four layers: speed with feel" C -o from_c.toml
    """
    from optimize.ledger.decisions import record
    from optimize.ledger.events import Event, digest_of_file, one_line
    from optimize.scenario.scenario_file import scenario_toml
    from optimize.search.history import build_of, reopened

    reason = "" if why is None else one_line(why, "--why")
    name, file = _somebody(who), one_line(output.name, "the file's name") if output else ""
    with existing(ledger, keeping=True) as book:
        named = build_of(book, run, build)
        text = scenario_toml(reopened(book, named))
        digest = digest_of_file(text.encode())
        event = Event("reopened", *_place(named), name, reason, file, digest)
        if output:
            write_text(output, text)
            say(f"Scenario written to {output}.")
        else:
            say(text.rstrip("\n"), sys.stdout)
        record(book, [event])
