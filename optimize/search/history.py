"""From a build back to the briefs and runs that found it, and on to what came of it."""

import hashlib
import re
from dataclasses import dataclass

from pydantic import ValidationError

from layers.errors import InputError
from layers.files.explain import explain
from optimize.ledger.decisions import named_run, of_build, read_events
from optimize.ledger.events import Event
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import RunRecord, record_of
from optimize.ledger.seal import RunRow
from optimize.scenario.brief import Scenario
from optimize.scenario.space import Row, Space, content_of, key_of
from optimize.scenario.start import start_of, start_rows
from optimize.search.run import load_run

# A build's key by its beginning: so many digits at least, so that no letter is taken for one.
_KEY = re.compile(r"[0-9a-f]{6,32}")


@dataclass(frozen=True)
class Named:
    """A build of a run: the run's id, the build's key, its letter on the short list or ""."""

    run: str
    build: str
    label: str


@dataclass(frozen=True)
class Looked:
    """A run that looked at a build.

    Attributes
    ----------
    run, name, started : str
        The run's id, its scenario's name, when it started.
    brief : str
        Digest of the scenario, see `brief_digest`.
    number : int
        Which of the builds that the run looked at, from 1.
    computed : bool
        Whether it was computed, or ruled out by a closed form.
    """

    run: str
    name: str
    started: str
    brief: str
    number: int
    computed: bool


@dataclass(frozen=True)
class History:
    """All that a ledger has of a build.

    Attributes
    ----------
    build : str
        Its key.
    looked : tuple of Looked
        The runs that looked at it, the earliest first.
    evaluated : tuple of (str, str)
        Version of the model, and when its first figures were written.
    events : tuple of Event
        Decisions, notes, sheets, readings and calibrations of it, by moment.
    started : tuple of RunRecord
        Runs whose scenario starts from it, the earliest first.
    """

    build: str
    looked: tuple[Looked, ...]
    evaluated: tuple[tuple[str, str], ...]
    events: tuple[Event, ...]
    started: tuple[RunRecord, ...]


def brief_digest(scenario: str) -> str:
    """Return the first 12 hexadecimal digits of the SHA-256 of a scenario as a run keeps it.

    Parameters
    ----------
    scenario : str
        Its JSON.
    """
    return hashlib.sha256(scenario.encode()).hexdigest()[:12]


def build_of(ledger: Ledger, run: str, build: str) -> Named:
    """Find a build of a run.

    Parameters
    ----------
    ledger : Ledger
        Where the run is kept.
    run : str
        Its id, or its scenario's name for the latest run.
    build : str
        Its letter on the short list of the finished run, or at least six digits of the key of any
        build that the run looked at.

    Raises
    ------
    InputError
        If there is no such run or build; the message names the letters that there are.
    """
    if _KEY.fullmatch(build):
        name = named_run(ledger, run).id
        looked = (proposal.key or "" for proposal in ledger.proposals(name))
        keys = sorted({key for key in looked if key.startswith(build)})
        if len(keys) != 1:
            raise InputError(_not_one(keys, f"build {build!r} of run {name}", ledger))
        return Named(name, keys[0], "")
    found = load_run(ledger, run)
    keys_of = {member.label: member.key for member in found.short_list}
    if build not in keys_of:
        raise InputError(
            f"run {found.id} has no build {build!r} on its short list; it has: "
            f"{', '.join(keys_of) or 'none'}; or give six or more digits of a build's key."
        )
    return Named(found.id, keys_of[build], build)


def key_in(ledger: Ledger, beginning: str) -> str | None:
    """Return the key of the build that begins so; None if the text is no beginning of a key.

    Raises
    ------
    InputError
        If the ledger has no such build, or several.
    """
    if not _KEY.fullmatch(beginning) or any(beginning in (r.id, r.name) for r in ledger.runs()):
        return None
    query = " UNION ".join(
        f"SELECT build FROM {table} WHERE lower(hex(build)) LIKE ?"
        for table in ("evaluation", "proposal")
    )
    keys: set[str] = {key.hex() for (key,) in ledger.rows(query, (f"{beginning}%",) * 2)}
    keys |= {e.build for e in read_events(ledger) if e.build.startswith(beginning)}
    if len(keys) != 1:
        raise InputError(_not_one(sorted(keys), f"build {beginning!r}", ledger))
    return keys.pop()


def _not_one(keys: list[str], what: str, ledger: Ledger) -> str:
    if not keys:
        return f"there is no {what} in {ledger.path}."
    return f"{what} is one of {len(keys)} in {ledger.path}: give more digits of its key."


def history_of(ledger: Ledger, build: str) -> History:
    """Gather all that a ledger has of a build.

    Parameters
    ----------
    ledger : Ledger
        The ledger.
    build : str
        Its key.

    Raises
    ------
    InputError
        If the ledger is damaged.
    """
    with ledger.snapshot():
        written: dict[str, str] = {}
        # All are read: one whose build's name is damaged would be missed by that name.
        for entry in ledger.entries():
            if entry.build.hex() == build:
                written.setdefault(entry.model_version, entry.written)
        rows = ledger.run_rows()[::-1]
        looked = [one for row in rows if (one := _looked(ledger, row, build))]
        started = [record_of(row) for row in rows if build in _starts(row)]
        events = of_build(read_events(ledger), build)
    return History(build, tuple(looked), tuple(written.items()), events, tuple(started))


def _looked(ledger: Ledger, row: RunRow, build: str) -> Looked | None:
    """Say whether a run looked at a build; one that was ruled out may be computed later."""
    met = [(n, p) for n, p in enumerate(ledger.looked_at(row), start=1) if p.key == build]
    if not met:
        return None
    computed = any(proposal.computed for _, proposal in met)
    return Looked(row.id, row.name, row.started, brief_digest(row.scenario), met[0][0], computed)


def _starts(record: RunRow) -> set[str]:
    """Return the keys of the builds that a run starts from."""
    if '"start":[{' not in record.scenario:
        return set()
    space = Space(_scenario(record))
    balls = (space.decode(row).ball for row in start_rows(space))
    return {key_of(content_of(ball)) for ball in balls if ball is not None}


def _scenario(record: RunRow | RunRecord) -> Scenario:
    try:
        return Scenario.model_validate_json(record.scenario)
    except ValidationError as error:
        raise explain(error, f"the scenario of run {record.id}") from error


def reopened(ledger: Ledger, named: Named) -> Scenario:
    """Return the scenario of a run, started from one of its builds.

    Parameters
    ----------
    ledger : Ledger
        Where the run is kept.
    named : Named
        See `build_of`.

    Raises
    ------
    InputError
        If the ledger is damaged.
    """
    record = named_run(ledger, named.run)
    scenario = _scenario(record)
    label = f"build {named.label or named.build[:12]} of run {record.id}"
    row = _row_of(ledger, named)
    start = start_of(Space(scenario), row, label)
    name = f"{scenario.name[:80].rstrip()}, from {label}"
    return scenario.model_copy(update={"name": name, "start": (start,)})


def _row_of(ledger: Ledger, named: Named) -> Row:
    rows = (p.row for p in ledger.proposals(named.run) if p.key == named.build)
    row = next(rows, None)
    if row is None:
        raise InputError(f"run {named.run} did not look at build {named.build} itself.")
    return row
