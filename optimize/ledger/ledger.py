"""Every evaluation on disk: append-only, found again by what was built.

One SQLite file. A row of ``evaluation`` says what a build's figures are under one version of the
model, whatever scenario asked: any later search that meets the build reuses them. ``run`` and
``proposal`` say which search looked at which build, in order, and what came of it, so that a run
can be shown again without computing.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import astuple, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, NamedTuple

from layers.errors import InputError
from layers.figures import Estimate, Figure
from optimize.ledger.file import (
    DAMAGED,
    Tell,
    explained,
    open_file,
    open_file_to_read,
    patiently,
    transaction,
)

_ENTRY = "build, model_version, content, figures, digest, written"
# Figures are written in this order; rows of before `caution` end one short, and read as none.
_FIELDS = ("value", "unit", "basis", "difference_error", "absolute_error", "flag", "caution")


@dataclass(frozen=True)
class Known:
    """What the ledger holds of a build: figures, and why others could not be computed."""

    figures: dict[str, Figure]
    failed: dict[str, str]

    def covers(self, names: Iterable[str]) -> bool:
        """Whether every name is settled, one way or the other."""
        return all(name in self.figures or name in self.failed for name in names)

    def joined(self, figures: dict[str, Figure], failed: dict[str, str]) -> "Known":
        """Return this with more; what stood already stays."""
        return Known(figures | self.figures, failed | self.failed)


@dataclass(frozen=True)
class RunRecord:
    """A row of ``run``."""

    id: str
    name: str
    scenario: str
    seed: int
    versions: dict[str, str]
    status: Literal["running", "interrupted", "finished"]
    started: str
    finished: str | None


@dataclass(frozen=True)
class Guess:
    """What an emulator expected of a figure before it was computed.

    Attributes
    ----------
    mean, sd : float
        Of the figure, in its unit, or of its natural logarithm.
    log : bool
        Which of the two.
    """

    mean: float
    sd: float
    log: bool


@dataclass(frozen=True)
class Proposal:
    """A build that a run looked at: `computed` in full, or ruled out by a closed-form limit."""

    row: tuple[int, ...]
    key: str | None
    computed: bool
    guesses: Mapping[str, Guess] = field(default_factory=dict)


class Entry(NamedTuple):
    """A row of ``evaluation``, as it stands on disk."""

    build: bytes
    model_version: str
    content: str
    figures: str
    digest: bytes
    written: str

    @classmethod
    def of(cls, key: str, content: str, model_version: str, estimate: Estimate) -> "Entry":
        """Make the row of one evaluation, written now."""
        build, figures = bytes.fromhex(key), _as_json(estimate)
        digest = _digest(build, model_version, content, figures)
        return cls(build, model_version, content, figures, digest, _now())

    def is_whole(self) -> bool:
        """Whether the row is as it was written."""
        return self.digest == _digest(self.build, self.model_version, self.content, self.figures)

    def known(self) -> Known:
        """Read the figures."""
        record = json.loads(self.figures)
        figures = {name: Figure(name, *values) for name, values in record["figures"].items()}
        return Known(figures, record["failed"])


class Ledger:
    """An open ledger; use it as a context manager.

    Parameters
    ----------
    path : Path
        The file; created with its tables if it is not there.
    reading : bool
        Only read: the file must be there, and may be read-only or of an older format. Otherwise an
        older format is brought up to date.
    tell : callable, optional
        Told in a sentence when an older format is brought up to date.

    Raises
    ------
    InputError
        If it cannot be opened or written, is damaged, or belongs to another program or a later
        version.
    """

    def __init__(self, path: Path, *, reading: bool = False, tell: Tell | None = None) -> None:
        self.path = path
        self.db = open_file_to_read(path) if reading else open_file(path, tell)

    def __enter__(self) -> "Ledger":
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.db.close()

    def transaction(self) -> AbstractContextManager[None]:
        """Write all or nothing, whatever interrupts it."""
        return transaction(self.db, self.path)

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Read one state of the file, whatever others write to it meanwhile."""
        with explained(self.path):
            self.db.execute("BEGIN")
            try:
                yield
            finally:
                self.db.execute("ROLLBACK")

    def rows(self, query: str, parameters: Iterable[Any] = ()) -> list[Any]:
        """Return all rows of a query."""
        with explained(self.path):
            return patiently(lambda: self.db.execute(query, tuple(parameters)).fetchall())

    def known(self, keys: Sequence[str], model_version: str) -> dict[str, Known]:
        """Look builds up.

        Parameters
        ----------
        keys : sequence of str
            Names of builds, see `optimize.scenario.space.key_of`.
        model_version : str
            Figures of other versions do not count.

        Returns
        -------
        dict of str to Known
            Only of the builds that are in the ledger; figures of all rows of a build joined.

        Raises
        ------
        InputError
            If a row is damaged.
        """
        found: dict[str, Known] = {}
        for start in range(0, len(keys), 500):
            blobs = [bytes.fromhex(key) for key in keys[start : start + 500]]
            marks = ",".join("?" * len(blobs))
            query = (
                f"SELECT {_ENTRY} FROM evaluation "
                f"WHERE model_version = ? AND build IN ({marks}) ORDER BY id"
            )
            for entry in map(Entry._make, self.rows(query, (model_version, *blobs))):
                self._check(entry)
                name, more = entry.build.hex(), entry.known()
                found[name] = (
                    found[name].joined(more.figures, more.failed) if name in found else more
                )
        return found

    def entries(self, where: str = "TRUE", parameters: Sequence[Any] = ()) -> Iterator[Entry]:
        """Read evaluations one by one, in the order in which they were written.

        Parameters
        ----------
        where : str
            Which rows of ``evaluation``, in SQL.
        parameters : sequence
            What stands for its question marks.

        Raises
        ------
        InputError
            If a row is damaged.
        """
        query = f"SELECT {_ENTRY} FROM evaluation WHERE {where} ORDER BY id"
        with explained(self.path):
            for row in self.db.execute(query, parameters):
                entry = Entry._make(row)
                self._check(entry)
                yield entry

    def _check(self, entry: Entry) -> None:
        if not entry.is_whole():
            raise InputError(DAMAGED.format(path=self.path))

    def add(self, key: str, content: str, model_version: str, estimate: Estimate) -> None:
        """Append the outcome of one evaluation, in a transaction of its own.

        The same outcome again, to the last bit, changes nothing.

        Raises
        ------
        InputError
            If the disk is full or the ledger cannot be written.
        """
        with self.transaction():
            self.insert([Entry.of(key, content, model_version, estimate)])

    def insert(self, entries: Iterable[Entry]) -> int:
        """Append rows that are not there yet, within the caller's transaction; count them."""
        before = self.db.total_changes
        self.db.executemany(
            f"INSERT INTO evaluation ({_ENTRY}) VALUES (?, ?, ?, ?, ?, ?) "
            "ON CONFLICT (model_version, build, digest) DO NOTHING",
            entries,
        )
        return self.db.total_changes - before

    def begin(
        self, run: str, name: str, scenario: str, seed: int, versions: dict[str, str]
    ) -> None:
        """Note that a run starts, or goes on; a finished one stays finished, whoever repeats it."""
        with self.transaction():
            self.db.execute(
                "INSERT INTO run (id, name, scenario, seed, versions, status, started) "
                "VALUES (?, ?, ?, ?, ?, 'running', ?) "
                "ON CONFLICT (id) DO UPDATE SET status = 'running', finished = NULL "
                "WHERE status != 'finished'",
                (run, name, scenario, seed, json.dumps(versions), _now()),
            )

    def note(self, run: str, first: int, proposals: Sequence[Proposal]) -> None:
        """Note which builds a run looked at; the same ones again change nothing."""
        rows = [
            (
                run,
                first + i,
                json.dumps(p.row),
                None if p.key is None else bytes.fromhex(p.key),
                "computed" if p.computed else "ruled out",
                json.dumps({k: astuple(g) for k, g in p.guesses.items()}) if p.guesses else None,
            )
            for i, p in enumerate(proposals)
        ]
        with self.transaction():
            self.db.executemany("INSERT OR IGNORE INTO proposal VALUES (?, ?, ?, ?, ?, ?)", rows)

    def end(self, run: str, status: Literal["interrupted", "finished"]) -> None:
        """Note that a run has stopped."""
        with self.transaction():
            self.db.execute(
                "UPDATE run SET status = ?, finished = ? WHERE id = ? AND status != 'finished'",
                (status, _now(), run),
            )

    def runs(self) -> tuple[RunRecord, ...]:
        """List the runs, the latest first."""
        query = (
            "SELECT id, name, scenario, seed, versions, status, started, finished FROM run "
            "ORDER BY started DESC, id"
        )
        rows = self.rows(query)
        return tuple(
            RunRecord(run, name, scenario, seed, json.loads(versions), status, started, finished)
            for run, name, scenario, seed, versions, status, started, finished in rows
        )

    def proposals(self, run: str) -> tuple[Proposal, ...]:
        """List the builds that a run looked at, in order."""
        what = f"row, build, outcome, {self.guesses_column()}"
        rows = self.rows(f"SELECT {what} FROM proposal WHERE run = ? ORDER BY ordinal", (run,))
        return tuple(
            Proposal(
                tuple(json.loads(row)),
                build and build.hex(),
                outcome == "computed",
                {name: Guess(*guess) for name, guess in json.loads(guesses or "{}").items()},
            )
            for row, build, outcome, guesses in rows
        )

    def guesses_column(self) -> str:
        """Return what to select for the guesses: format 1, read as it is, has none."""
        names = [column[1] for column in self.rows("PRAGMA table_info(proposal)")]
        return "guesses" if "guesses" in names else "NULL AS guesses"

    def __len__(self) -> int:
        """Return the number of evaluations."""
        return int(self.rows("SELECT count(*) FROM evaluation")[0][0])


def _as_json(estimate: Estimate) -> str:
    """Write figures so that every bit of every number is read back; no number may be infinite."""
    figures = {
        name: [getattr(figure, field) for field in _FIELDS]
        for name, figure in estimate.figures.items()
    }
    record = {"figures": figures, "failed": estimate.failed}
    return json.dumps(record, separators=(",", ":"), allow_nan=False)


def _digest(build: bytes, model_version: str, content: str, figures: str) -> bytes:
    text = "\n".join((build.hex(), model_version, content, figures))
    return hashlib.sha256(text.encode()).digest()[:8]


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")
