"""The command line's searches: `orbwright search`, `show` and `export`."""

import shlex
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from layers.errors import InputError, OrbwrightError
from optimize.commands.console import clock, print_json, print_sections, say, tell_of_compiling
from optimize.commands.options import (
    DEFAULT_LEDGER,
    AsJson,
    ClusterAddress,
    DeviceName,
    LedgerFile,
    PrecisionName,
    RunName,
    Who,
    Workers,
    computing_with,
    cores,
    existing,
    ledger_option,
    precision_of,
)

if TYPE_CHECKING:
    from optimize.ledger.ledger import Ledger
    from optimize.scenario.brief import Scenario
    from optimize.search.result import Progress, Run


runs = typer.Typer()


ScenarioFile = Annotated[
    Path, typer.Argument(metavar="SCENARIO.toml", help="design variables, goals, constraints")
]
Seed = Annotated[
    int | None,
    typer.Option(min=0, max=2**32 - 1, metavar="S", help="replaces the scenario's seed"),
]
Evaluations = Annotated[
    int | None,
    typer.Option(
        min=1, max=1_000_000, metavar="N", help="replaces the scenario's number of builds"
    ),
]
SearchMethod = Annotated[
    str | None,
    typer.Option(metavar="direct|emulator", help="replaces the scenario's search method"),
]
FineMesh = Annotated[
    bool,
    typer.Option("--fine", help="compute the short list on the fine mesh once it is chosen"),
]
ReportFolder = Annotated[
    Path | None,
    typer.Option(metavar="FOLDER", help="also write report, tables and drawings into it"),
]


@runs.command(short_help="Search a scenario for builds worth prototyping.")
def search(
    scenario: ScenarioFile,
    workers: Workers = None,
    cluster: ClusterAddress = None,
    device: DeviceName = "cpu",
    ledger_file: LedgerFile = DEFAULT_LEDGER,
    seed: Seed = None,
    evaluations: Evaluations = None,
    method: SearchMethod = None,
    precision: PrecisionName = None,
    fine: FineMesh = False,
    who: Who = None,
    out: ReportFolder = None,
    as_json: AsJson = False,
) -> None:
    """Search a scenario for builds worth prototyping; the answer is a short list with reasons.

    The ledger keeps every evaluated build. A search that was stopped, by Ctrl-C or otherwise,
    resumes when the same command is given again, and ends in the same answer. The answer does not
    depend on the number of workers, here or on a cluster.

    With --method emulator, Gaussian processes of the figures choose which builds are computed: some
    200 builds then do the work of 2,000.

    Example: orbwright search four_layer_speed_feel.toml --out four_layers
    """
    from optimize.compute.compiled import compiled_for
    from optimize.ledger.ledger import Ledger
    from optimize.report.export import make_folder
    from optimize.scenario.brief import METHODS
    from optimize.scenario.conditions import in_precision
    from optimize.search.forecast import forecast
    from optimize.search.generation import card_of, with_population
    from optimize.search.result import Interrupted
    from optimize.search.run import name_run, run_search

    if method not in (None, *METHODS):
        raise InputError(f"--method is {method!r}, but must be one of: {', '.join(METHODS)}.")
    computing = computing_with(workers, cluster, device)
    brief = checked_scenario(scenario)
    changes = {"seed": seed, "evaluations": evaluations, "method": method}
    brief = brief.model_copy(update={k: v for k, v in changes.items() if v is not None})
    wanted = precision_of(precision)
    if wanted:
        changed = in_precision(brief.conditions, wanted)
        brief = brief.model_copy(update={"conditions": changed})
    if fine:
        brief = brief.model_copy(update={"shortlist_mesh": "fine"})
    asked, brief = brief, with_population(brief, computing)
    if out:
        make_folder(out)
    with Ledger(ledger_file, tell=say) as ledger:
        conditions = brief.estimate_conditions()
        code = compiled_for(brief.figures(), computing)
        tell_of_compiling(code, conditions.precision if conditions else "single")
        with _named(scenario):
            known = _computed(ledger, name_run(brief, computing)[0])
            card = card_of(computing)
            ahead = forecast(brief, None if cluster else workers or cores(), known, card)
        say(f"Searching {brief.name!r}.\nEvery evaluation is kept in {ledger_file}.")
        say(str(ahead))
        if brief is not asked:
            say(f"The scenario states no population: {brief.population} builds, for {card}.")
        try:
            with _progress(brief) as report:
                run = run_search(brief, ledger, computing, report, who)
        except Interrupted as stop:
            where = {"cluster": cluster, "device": None if device == "cpu" else device}
            again = _again(scenario, ledger_file, where | {"precision": precision} | changes, fine)
            say(f"orbwright: {stop} Go on with: {again}")
            raise typer.Exit(130) from None
        _answer(run, str(ledger_file), as_json, whole=False)
    if out:
        _write(run, ledger_file, out, [])
    say(f"The run in full: orbwright show {run.id}{ledger_option(ledger_file)}")


def checked_scenario(path: Path) -> "Scenario":
    """Read a scenario whose start builds fit its space.

    Parameters
    ----------
    path : Path
        Its file, which every message names.
    """
    from optimize.report.words import use_currency_of
    from optimize.scenario.brief import read_scenario
    from optimize.scenario.space import Space
    from optimize.scenario.start import start_rows

    scenario = read_scenario(path)
    use_currency_of(scenario.process)
    with _named(path):
        start_rows(Space(scenario))
    return scenario


@contextmanager
def _named(path: Path) -> Iterator[None]:
    """Name the file in what is refused of a scenario as a whole."""
    try:
        yield
    except InputError as error:
        raise InputError(f"{path.name}: {error}") from error


def _computed(ledger: "Ledger", run: str) -> int:
    """Return how many builds of a run are computed; a damaged one is searched anew."""
    try:
        return sum(build.computed for build in ledger.proposals(run))
    except InputError:
        return 0


def _again(scenario: Path, ledger_file: Path, changes: dict[str, Any], fine: bool) -> str:
    options = "".join(f" --{k} {v}" for k, v in changes.items() if v is not None)
    options += " --fine" * fine
    return f"orbwright search {shlex.quote(str(scenario))}{ledger_option(ledger_file)}{options}"


def _answer(run: "Run", ledger_file: str, as_json: bool, whole: bool) -> None:
    from optimize.report.run import brief_sections, run_record, run_sections
    from optimize.report.units import use_scenario
    from optimize.report.words import use_currency_of

    use_scenario(run.scenario.units)
    use_currency_of(run.scenario.process)
    if as_json:
        print_json(run_record(run, ledger_file))
    else:
        sections = run_sections(run, ledger_file) if whole else brief_sections(run, ledger_file)
        print_sections(sections, run.scenario.name)


@contextmanager
def _progress(scenario: "Scenario") -> Iterator[Any]:
    """Provide what a search reports to: a bar on a terminal, a line now and then elsewhere."""
    if not sys.stderr.isatty():
        yield _Lines(scenario)
        return
    from rich.console import Console, Group
    from rich.live import Live
    from rich.progress import BarColumn, TaskProgressColumn, TextColumn
    from rich.progress import Progress as Bar
    from rich.text import Text

    bar = Bar(BarColumn(24), TaskProgressColumn(), TextColumn("{task.description}"))
    task = bar.add_task("starting", total=scenario.evaluations)
    with Live(bar, console=Console(stderr=True), refresh_per_second=4, transient=True) as live:

        def report(now: "Progress") -> None:
            bar.update(task, completed=now.evaluated, description=_counts(now))
            live.update(Group(bar, Text(_best(now), no_wrap=True, overflow="ellipsis")))

        yield report


class _Lines:
    """Write a line at every tenth of the budget."""

    def __init__(self, scenario: "Scenario") -> None:
        self._step = max(1, scenario.evaluations // 10)
        self._next = self._step

    def __call__(self, now: "Progress") -> None:
        if now.evaluated >= self._next:
            self._next += self._step
            say(f"{now.evaluated} of {now.budget} builds, {_counts(now)}; {_best(now)}")


def _counts(now: "Progress") -> str:
    left = "" if now.seconds_left is None else f", {clock(now.seconds_left)} left"
    failed = f", {now.failed} failed" if now.failed else ""
    return f"{now.feasible} feasible{failed}{left}"


def _best(now: "Progress") -> str:
    from optimize.report.words import brief_of, unit_of

    best = [f"{brief_of(name)} {value:.5g} {unit_of(name)}" for name, value in now.best.items()]
    return f"best so far: {', '.join(map(str.rstrip, best)) or 'none feasible yet'}"


@runs.command(short_help="Show a finished run again, or list the runs.")
def show(
    run: Annotated[
        str | None,
        typer.Argument(
            metavar="RUN",
            help="a run's id, or its scenario's name for the latest. [default: list the runs]",
        ),
    ] = None,
    ledger_file: LedgerFile = DEFAULT_LEDGER,
    as_json: AsJson = False,
) -> None:
    """Show a finished run in full, without computing; or list the runs of a ledger.

    Example: orbwright show "Four layers: speed with feel"
    """
    from optimize.ledger.decisions import read_events, starters
    from optimize.report.ledger import runs_record, runs_section
    from optimize.search.run import load_run

    with existing(ledger_file) as ledger:
        if run is not None:
            _answer(load_run(ledger, run), str(ledger_file), as_json, whole=True)
            return
        with ledger.snapshot():
            listed, started = ledger.runs(), starters(read_events(ledger))
    if as_json:
        print_json(runs_record(listed, started))
    else:
        print_sections([runs_section(listed, started, str(ledger_file))])


@runs.command(short_help="Compute a finished run's short list on the fine mesh.")
def refine(
    run: RunName,
    workers: Workers = None,
    ledger_file: LedgerFile = DEFAULT_LEDGER,
    as_json: AsJson = False,
) -> None:
    """Compute the short list of a finished run on the fine mesh, and show the run in full.

    The builds stay the same; differences between them are known better. The ledger keeps figures of
    the fine mesh apart from those of the default one, so that the same command again is quick.

    Example: orbwright refine "Four layers: speed with feel"
    """
    from optimize.search.run import refine_run

    with existing(ledger_file, keeping=True) as ledger:
        found = refine_run(ledger, run, workers or cores())
        _answer(found, str(ledger_file), as_json, whole=True)


@runs.command(short_help="Write a finished run as CSV, JSON, Markdown, drawings.")
def export(
    run: RunName,
    form: Annotated[
        list[str] | None,
        typer.Option(
            "--format",
            metavar="csv|json|markdown",
            help="only this; may be given several times. To standard output unless --out is given",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="the folder to write to; made if missing"),
    ] = None,
    ledger_file: LedgerFile = DEFAULT_LEDGER,
) -> None:
    """Write a finished run as files.

    With --out alone: report.md, run.json, short_list.csv, evaluations.csv, the trade-off plot and
    page, a drawing of each build, and each build as a TOML file that 'orbwright estimate' reads.
    Nothing is computed but the flights that goals or limits name, for the page.

    Example: orbwright export "Two layers: distance" --format csv > list.csv
    """
    from optimize.report.export import run_text
    from optimize.report.units import use_scenario
    from optimize.report.words import use_currency_of
    from optimize.search.run import load_run

    forms = list(dict.fromkeys(form or ()))
    if out is None and len(forms) != 1:
        raise InputError("export needs --out FOLDER, or one --format to print.")
    with existing(ledger_file) as ledger:
        finished = load_run(ledger, run)
    use_scenario(finished.scenario.units)
    use_currency_of(finished.scenario.process)
    if out is None:
        sys.stdout.write(run_text(finished, str(ledger_file), forms[0]))
        return
    _write(finished, ledger_file, out, forms)


def _write(run: "Run", ledger_file: Path, out: Path, forms: list[str]) -> None:
    from optimize.report.export import write_run

    try:
        written = write_run(run, str(ledger_file), out, forms)
    except OrbwrightError as error:
        raise InputError(f"{error} The run itself is in {ledger_file}; nothing is lost.") from error
    say(f"{len(written)} files written to {out}.")
    if not forms:
        from optimize.commands.page import write
        from optimize.page.launches import named_swings

        with existing(ledger_file, keeping=True) as ledger:
            write(
                run,
                ledger,
                out / "trade_off.html",
                cores(),
                named_swings(run.scenario),
                sobol=False,
            )
