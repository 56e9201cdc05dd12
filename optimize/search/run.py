"""Run a search against a ledger; read a finished one from it."""

import hashlib
import json
import time
from dataclasses import replace
from difflib import get_close_matches
from functools import cache
from importlib.metadata import version

from pydantic import ValidationError

from layers.errors import InputError, SolverError
from layers.files.explain import explain
from layers.files.paths import StrPath
from layers.files.sources import digest_of, sources_of
from optimize.compute.evaluator import Evaluator, model_version_under
from optimize.compute.one import Elsewhere
from optimize.compute.pool import computing
from optimize.ledger.decisions import of_run, read_events
from optimize.ledger.events import named
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import RunRecord
from optimize.scenario.brief import Scenario, read_scenario
from optimize.scenario.space import Row, Space
from optimize.scenario.start import start_rows
from optimize.search.answer import answer
from optimize.search.generation import with_population
from optimize.search.loop import Report, Search
from optimize.search.refine import fine_evaluator, refined
from optimize.search.result import Interrupted, Run


def run_search(
    scenario: Scenario | StrPath,
    ledger: Ledger | StrPath,
    workers: int | Elsewhere = 1,
    progress: Report | None = None,
    who: str | None = None,
) -> Run:
    """Search a scenario's builds; the same call again resumes where it was stopped.

    Parameters
    ----------
    scenario : Scenario, str or path
        Design variables, goals, limits, seed and budget; or its file.
    ledger : Ledger, str or path
        Where every evaluation is read or written; or its file.
    workers : int, Cluster or OnCard
        Processes that compute, or a cluster's workers; the answer does not depend on it, to the
        last bit. Or a graphics card, whose search is a run of its own. A script that asks for more
        than one process keeps its own code under ``if __name__ == "__main__":``, because each
        process imports it.
    progress : callable, optional
        Called with a `Progress` after every build.
    who : str, optional
        Who starts it, see `optimize.ledger.events.named`: the ledger says so, neither the run's id
        nor its answer depends on it.

    Returns
    -------
    Run
        The answer.

    Raises
    ------
    Interrupted
        On Ctrl-C; what was computed is in the ledger.
    SolverError
        If every build failed, worker processes keep dying, or a cluster is lost.
    InputError
        If the scenario or the ledger cannot be read or written, or a cluster cannot be used.
    """
    if not isinstance(scenario, Scenario):
        scenario = read_scenario(scenario)
    if not isinstance(ledger, Ledger):
        with Ledger(ledger) as opened:
            return run_search(scenario, opened, workers, progress, who)
    scenario, started = with_population(scenario, workers), time.perf_counter()
    run, versions = name_run(scenario, workers)
    who, conditions = named(who), scenario.estimate_conditions()
    start_rows(Space(scenario))  # one that does not fit is told before the run is begun
    read_events(ledger)  # damage is told before anything is computed
    done, begun = 0, False
    try:
        with computing(workers, conditions) as compute:
            text = scenario.model_dump_json()
            ledger.begin(run, scenario.name, text, scenario.seed, versions, who)
            begun = True
            evaluator = Evaluator(ledger, compute, versions["model"], conditions, workers=workers)
            search = Search(scenario, run, evaluator, progress)
            try:
                search.explore()
                search.probe()
                found = answer(search)
            finally:
                done = search.evaluated
        if scenario.shortlist_mesh == "fine":
            with computing(workers, scenario.estimate_conditions(), "fine") as compute:
                found = refined(found, fine_evaluator(ledger, compute, versions["model"]))
        ledger.end(run, "finished")
    except (KeyboardInterrupt, SolverError) as stop:
        if begun:  # not where the processes were still starting
            ledger.end(run, "interrupted")
        if isinstance(stop, SolverError):
            raise
        raise Interrupted(
            f"Stopped after {done} of {scenario.evaluations} builds; all of them are in "
            f"{ledger.path}. The same search with this ledger goes on from there."
        ) from None
    return replace(_with_events(found, ledger), seconds=time.perf_counter() - started)


def _with_events(run: Run, ledger: Ledger) -> Run:
    builds = {member.key for member in run.short_list}
    return replace(run, events=of_run(read_events(ledger), run.id, builds))


def name_run(scenario: Scenario, workers: int | Elsewhere = 1) -> tuple[str, dict[str, str]]:
    """Return a run's id and the versions in it: everything that its answer hangs on.

    The conditions of a scenario that states its own are part of the model's version: its figures
    are kept apart in the ledger, while scenarios under the shipped conditions share theirs. A
    graphics card is part of it too.
    """
    model = model_version_under(scenario.estimate_conditions(), workers)
    libraries = ["numpy", "pymoo"]
    if scenario.method == "emulator":
        libraries += ["scikit-learn", "scipy"]
    versions = {"model": model, "search": _search_version()}
    versions |= {library: version(library) for library in libraries}
    # Units of output change nothing that is computed.
    text = json.dumps(
        [scenario.model_dump(mode="json", exclude={"units"}), versions], sort_keys=True
    )
    return hashlib.sha256(text.encode()).hexdigest()[:12], versions


@cache
def _search_version() -> str:
    """Digest all that a search imports: one by other code is another run.

    Both methods share it. What another method's code costs is a new id, not a new computation: the
    builds of an interrupted run are in the ledger and are found there.
    """
    return digest_of(sources_of(__name__, ("layers", "optimize")))


def load_run(ledger: Ledger | StrPath, name: str) -> Run:
    """Rebuild a finished run from the ledger, without computing.

    Parameters
    ----------
    ledger : Ledger, str or path
        Where the run is kept; or its file.
    name : str
        A run's id, or a scenario's name: its latest finished run is taken.

    Raises
    ------
    InputError
        If there is no such run, it is not finished, its figures are missing, or the ledger is
        damaged.
    """
    if not isinstance(ledger, Ledger):
        with Ledger(ledger, reading=True) as opened:
            return load_run(opened, name)
    ledger.check_count()
    record = _find(ledger, name)
    try:
        scenario = Scenario.model_validate_json(record.scenario)
    except ValidationError as error:
        raise explain(error, f"the scenario of run {record.id}") from error
    conditions = scenario.estimate_conditions()
    reader = Evaluator(ledger, None, record.versions["model"], conditions)
    search = Search(scenario, record.id, reader, report=None)
    proposals = ledger.proposals(record.id)
    sizes = search.space.sizes.tolist()
    if not all(_fits(proposal.row, sizes) for proposal in proposals):
        raise InputError(
            f"{ledger.path} is damaged: run {record.id} looked at a build that its scenario does "
            f"not have; search it again."
        )
    search.recall(proposals)
    found = _with_events(answer(search), ledger)
    if scenario.shortlist_mesh == "fine":
        found = refined(found, fine_evaluator(ledger, None, record.versions["model"]))
    if found.lacking and name_run(scenario)[0] == record.id:  # by this version: nothing else picked
        raise InputError(f"{ledger.path} lacks figures of this run: search it again.")
    return found


def refine_run(ledger: Ledger | StrPath, name: str, workers: int | Elsewhere = 1) -> Run:
    """Compute the short list of a finished run on the fine mesh; the builds stay the same.

    Parameters
    ----------
    ledger : Ledger, str or path
        Where the run is kept, and where the figures of the fine mesh are read or written.
    name : str
        A run's id, or a scenario's name.
    workers : int or Cluster
        As for `run_search`.

    Raises
    ------
    InputError
        If there is no such run, it is not finished, or the ledger cannot be written.
    """
    if not isinstance(ledger, Ledger):
        with Ledger(ledger) as opened:
            return refine_run(opened, name, workers)
    run = load_run(ledger, name)
    if run.mesh == "fine":
        return run
    with computing(workers, run.scenario.estimate_conditions(), "fine") as compute:
        return refined(run, fine_evaluator(ledger, compute, run.model_version))


def _fits(row: Row, sizes: list[int]) -> bool:
    return len(row) == len(sizes) and all(0 <= i < n for i, n in zip(row, sizes, strict=True))


def _find(ledger: Ledger, name: str) -> RunRecord:
    runs = ledger.runs()
    named = [run for run in runs if name in (run.id, run.name)]
    finished = [run for run in named if run.status == "finished"]
    if finished:
        return finished[0]
    if named:
        raise InputError(
            f"run {name!r} in {ledger.path} is not finished; the same search with this ledger "
            f"goes on from where it stopped."
        )
    known = list(dict.fromkeys(run.name for run in runs))
    near = get_close_matches(name, known, n=3, cutoff=0.4) or known[:5]
    hint = f"it has {', '.join(map(repr, near))}" if near else "it has none yet"
    raise InputError(f"there is no run {name!r} in {ledger.path}; {hint}.")
