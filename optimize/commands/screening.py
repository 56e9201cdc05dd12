"""The command line's screening: `orbwright screen`, and `new builds` for its empty table."""

import json
import shlex
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layers.errors import InputError
from optimize.commands.console import clock, print_sections, say, tell_of_compiling
from optimize.commands.new import Layers, new_app
from optimize.commands.options import (
    DEFAULT_LEDGER,
    AsJson,
    CatalogueFile,
    ClusterAddress,
    DeviceName,
    FigureNames,
    LedgerFile,
    PrecisionName,
    ProcessFile,
    SwingsFile,
    Workers,
    computing_with,
    conditions_with,
    precision_of,
)

if TYPE_CHECKING:
    from layers.materials import Catalogue
    from optimize.screening.question import Question
    from optimize.screening.screen import Screening

screening_app = typer.Typer()

BuildsFile = Annotated[
    Path, typer.Argument(metavar="BUILDS.csv|.xlsx", help="the table: a row a build")
]
GoalsFile = Annotated[
    Path | None,
    typer.Option(
        "--scenario",
        metavar="SCENARIO.toml",
        help="rank by its goals, hold its limits and rules as constraints",
    ),
]
RuleSetName = Annotated[
    str | None,
    typer.Option(
        metavar="NAME",
        help="screen against this rule set; 'none' for none. "
        "[default: the scenario's; present, unless --figure or --scenario is given]",
    ),
]
WindowsFile = Annotated[
    Path | None,
    typer.Option(
        "--windows", metavar="W.toml", help="screen against limits and fences of this file"
    ),
]
ResultFiles = Annotated[
    list[Path] | None,
    typer.Option(
        "--out",
        metavar="FILE",
        help="write the screened table; ends in .csv, .xlsx, .parquet or .html; may be given "
        "several times",
    ),
]


@screening_app.command(short_help="Screen a table of builds: figures, rules, ranks.")
def screen(
    builds: BuildsFile,
    figure: FigureNames = None,
    scenario: GoalsFile = None,
    rules: RuleSetName = None,
    windows: WindowsFile = None,
    out: ResultFiles = None,
    workers: Workers = None,
    cluster: ClusterAddress = None,
    device: DeviceName = "cpu",
    precision: PrecisionName = None,
    ledger_file: LedgerFile = DEFAULT_LEDGER,
    materials: CatalogueFile = None,
    swings: SwingsFile = None,
    process: ProcessFile = None,
    as_json: AsJson = False,
) -> None:
    """Screen a table of builds, a row each: figures with errors, rules, ranks by goals.

    A row that cannot be computed says why, by row and column, and stops no other. Figures in the
    ledger are reused; a screening that was stopped goes on when the same command is given again.
    A table that was written is read again, in CSV or Excel.

    Example: orbwright screen builds.csv --scenario two_layer_distance.toml --out screened.xlsx
    """
    from layers.materials import default_catalogue
    from optimize.compute.compiled import compiled_for
    from optimize.ledger.ledger import Ledger
    from optimize.screening.screen import screen_builds
    from optimize.screening.spool import Spool
    from optimize.search.result import Interrupted

    computing = computing_with(workers, cluster, device)
    writers = [_writer(path) for path in out or ()]
    question = _question(figure, scenario, rules, swings, process, windows)
    if wanted := precision_of(precision):
        question = question.in_precision(wanted)
    cards = _catalogue(materials) if materials else default_catalogue()
    with Ledger(ledger_file, tell=say) as ledger, Spool() as spool:
        conditions = question.conditions
        code = compiled_for(question.figures, computing)
        tell_of_compiling(code, conditions.precision if conditions else "single")
        say(f"Screening {builds}.\nEvery evaluation is kept in {ledger_file}.")
        try:
            with _progress() as report:
                found = screen_builds(builds, question, ledger, spool, computing, cards, report)
        except Interrupted as stop:
            say(f"orbwright: {stop} The same command goes on from there.")
            raise typer.Exit(130) from None
        for path, write in zip(out or (), writers, strict=True):
            write(found, path)
            say(f"{path}: {len(found):,} rows.")
        _show(found, as_json)


def _question(
    figures: list[str] | None,
    scenario: Path | None,
    rules: str | None,
    swings: Path | None,
    process: Path | None,
    windows: Path | None,
) -> "Question":
    from layers.figures import BALL_FIGURES
    from optimize.report.units import use_scenario
    from optimize.report.words import use_currency_of
    from optimize.scenario.brief import read_scenario
    from optimize.scenario.windows import read_windows
    from optimize.screening.question import Question

    fenced = read_windows(windows) if windows else None
    brief = read_scenario(scenario) if scenario else None
    use_scenario(brief.units if brief else None)
    if brief and brief.conditions and swings:
        raise InputError("the scenario has conditions of its own: leave --swings out.")
    if brief and (brief.process or brief.conditions) and process:
        raise InputError("the scenario names its own process or conditions: leave --process out.")
    if not figures and not brief and not fenced:
        figures, rules = list(BALL_FIGURES), rules or "present"
    elif rules is None:
        rules = brief.rules if brief else None
    conditions = conditions_with(swings, process) if swings or process else None
    if brief:
        use_currency_of(brief.process)
    return Question.of(figures or (), brief, None if rules == "none" else rules, conditions, fenced)


def _catalogue(path: Path) -> "Catalogue":
    """Return the shipped cards with a file's own, which count first."""
    from layers.files.text import read_text
    from layers.materials import Catalogue, default_catalogue

    own = Catalogue.from_toml(read_text(path), path.name)
    return default_catalogue().joined(own.material)


def _writer(path: Path) -> Any:
    """Return what writes a screening into this file, before anything is computed."""
    if path.suffix.lower() == ".html":
        from optimize.page.screening import write_screening_page

        return write_screening_page
    from optimize.report.screening_files import check_output, write_screening

    try:
        check_output(path)
    except InputError as error:
        if "must end" in str(error):
            raise InputError(f"--out {path} must end in .csv, .xlsx, .parquet or .html.") from error
        raise
    return write_screening


def _show(found: "Screening", as_json: bool) -> None:
    from optimize.report.screening import (
        line_record,
        lines_of,
        screening_sections,
        summary,
    )

    if not as_json:
        print_sections(screening_sections(found))
        return
    # Row by row: a table of 10,000 builds need not be held whole.
    head = {"summary": summary(found), "figures": list(found.question.figures)}
    write = sys.stdout.write
    write(json.dumps(head, ensure_ascii=False)[:-1] + ', "rows": [')
    for i, line in enumerate(lines_of(found)):
        record = json.dumps(line_record(line), allow_nan=False, ensure_ascii=False)
        write(f"{',' if i else ''}\n{record}")
    write("\n]}\n")


@contextmanager
def _progress() -> Iterator[Any]:
    """Provide what a screening reports to: a bar on a terminal, a line now and then elsewhere."""
    began = time.perf_counter()

    def words(done: int, total: int, failed: int) -> str:
        left = (time.perf_counter() - began) / max(1, done) * (total - done)
        lacking = f", {failed} without all figures" if failed else ""
        return f"{done} of {total} rows{lacking}, {clock(left)} left"

    if not sys.stderr.isatty():
        told = [0]

        def line(done: int, total: int, failed: int) -> None:
            tenth = 10 * done // total
            if tenth > told[0]:
                told[0] = tenth
                say(words(done, total, failed))

        yield line
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn

    shown = (BarColumn(24), TaskProgressColumn(), TextColumn("{task.description}"))
    with Progress(*shown, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=None)
        yield lambda done, total, failed: bar.update(
            task, completed=done, total=total, description=words(done, total, failed)
        )


@new_app.command("builds", short_help="An empty table of builds, CSV or Excel, for screening.")
def new_builds(
    file: Annotated[Path, typer.Argument(metavar="FILE.csv|.xlsx", help="the file to write")],
    layers: Layers = None,
    materials: CatalogueFile = None,
) -> None:
    """Write an empty table of builds, a row a build, for 'orbwright screen'.

    In a workbook the materials are chosen from a list of the shipped cards, and a sheet describes
    every column.

    Example: orbwright new builds builds.xlsx --layers 4
    """
    from layers.materials import default_catalogue
    from optimize.report.screening_files import write_template

    if file.exists():
        raise InputError(f"{file} is there already; choose another name.")
    write_template(layers or 3, _catalogue(materials) if materials else default_catalogue(), file)
    say(f"{file}: give each build a row, then: orbwright screen {shlex.quote(str(file))}")
