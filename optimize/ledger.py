"""Every evaluation on disk: append-only, found again by what was built.

One SQLite file. A row of ``evaluation`` says what a build's figures are under one version of the
model, whatever scenario asked: any later search that meets the build reuses them. ``run`` and
``proposal`` say which search looked at which build, in order, and what came of it, so that a run
can be shown again without computing.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Literal

from layers.errors import InputError
from layers.figures import Estimate, Figure

SCHEMA_VERSION = 1
_APPLICATION_ID = 0x4F524257  # "ORBW", so that another program's database is told apart

_SCHEMA = """
CREATE TABLE evaluation (
    id INTEGER PRIMARY KEY,
    build BLOB NOT NULL,          -- first 16 bytes of the SHA-256 of content
    model_version TEXT NOT NULL,
    content TEXT NOT NULL,        -- every number of the build, JSON
    figures TEXT NOT NULL,        -- {"figures": {name: [value, unit, ...]}, "failed": {name: why}}
    digest BLOB NOT NULL,         -- of all the above: a damaged row is noticed
    written TEXT NOT NULL
);
CREATE INDEX evaluation_by_build ON evaluation (build, model_version);
CREATE TABLE run (
    id TEXT PRIMARY KEY,
    name TEXT NOT NULL,
    scenario TEXT NOT NULL,
    seed INTEGER NOT NULL,
    versions TEXT NOT NULL,       -- of the model and of the libraries that the answer hangs on
    status TEXT NOT NULL,         -- running, interrupted, finished
    started TEXT NOT NULL,
    finished TEXT
);
CREATE INDEX run_by_name ON run (name, started);
CREATE TABLE proposal (
    run TEXT NOT NULL REFERENCES run (id),
    ordinal INTEGER NOT NULL,
    row TEXT NOT NULL,            -- the choice of every freedom, JSON
    build BLOB,                   -- NULL where the choices make no ball
    outcome TEXT NOT NULL,        -- computed, ruled out
    PRIMARY KEY (run, ordinal)
) WITHOUT ROWID;
"""

# Up to this size the whole file is checked when it is opened; a larger one row by row, as read.
_CHECK_BYTES = 50_000_000
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
class Proposal:
    """A build that a run looked at: `computed` in full, or ruled out by a closed-form limit."""

    row: tuple[int, ...]
    key: str | None
    computed: bool


class Ledger:
    """An open ledger; use it as a context manager.

    Parameters
    ----------
    path : Path
        The file; created with its tables if it is not there.

    Raises
    ------
    InputError
        If it cannot be opened or written, is damaged, or belongs to another program or a later
        version.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        with self._explained():
            self._db = sqlite3.connect(path, timeout=30.0, isolation_level=None)
        try:
            with self._explained():
                self._prepare()
        except BaseException:
            self._db.close()
            raise

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
        self._db.close()

    def _prepare(self) -> None:
        tables = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        (application,) = self._db.execute("PRAGMA application_id").fetchone()
        if tables and application != _APPLICATION_ID:
            raise InputError(f"{self.path} is a database of another program, not a ledger.")
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        if version > SCHEMA_VERSION:
            raise InputError(
                f"{self.path} was written by a later version of orbwright (ledger format "
                f"{version}, here at most {SCHEMA_VERSION}): update orbwright or use a new ledger."
            )
        # In write-ahead mode a killed process loses at most the transaction it was in.
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = NORMAL")
        if not tables:
            with self._transaction():
                # Another process may have been first: its tables then stand already.
                if not self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                    for statement in _SCHEMA.split(";\n"):
                        self._db.execute(statement)
                    self._db.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
                    self._db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")
        elif self.path.stat().st_size <= _CHECK_BYTES:
            (verdict,) = self._db.execute("PRAGMA quick_check(1)").fetchone()
            if verdict != "ok":
                raise sqlite3.DatabaseError(verdict)

    @contextmanager
    def _explained(self) -> Iterator[None]:
        """Turn the database's errors into one sentence."""
        try:
            yield
        except sqlite3.Error as error:
            raise InputError(_explain(self.path, error)) from error

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """Write all or nothing, whatever interrupts it."""
        with self._explained():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def known(self, keys: Sequence[str], model_version: str) -> dict[str, Known]:
        """Look builds up.

        Parameters
        ----------
        keys : sequence of str
            Names of builds, see `optimize.space.key_of`.
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
                "SELECT build, content, figures, digest FROM evaluation "
                f"WHERE model_version = ? AND build IN ({marks}) ORDER BY id"
            )
            with self._explained():
                rows = self._db.execute(query, (model_version, *blobs)).fetchall()
            for build, content, figures, digest in rows:
                if digest != _digest(build, model_version, content, figures):
                    raise InputError(_DAMAGED.format(path=self.path))
                record = json.loads(figures)
                more = {name: Figure(name, *values) for name, values in record["figures"].items()}
                known = found.get(build.hex(), Known({}, {}))
                found[build.hex()] = known.joined(more, record["failed"])
        return found

    def add(self, key: str, content: str, model_version: str, estimate: Estimate) -> None:
        """Append the outcome of one evaluation, in a transaction of its own.

        Raises
        ------
        InputError
            If the disk is full or the ledger cannot be written.
        """
        build, figures = bytes.fromhex(key), _as_json(estimate)
        digest = _digest(build, model_version, content, figures)
        with self._transaction():
            self._db.execute(
                "INSERT INTO evaluation (build, model_version, content, figures, digest, written) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (build, model_version, content, figures, digest, _now()),
            )

    def begin(
        self, run: str, name: str, scenario: str, seed: int, versions: dict[str, str]
    ) -> None:
        """Note that a run starts, or goes on."""
        with self._transaction():
            self._db.execute(
                "INSERT INTO run (id, name, scenario, seed, versions, status, started) "
                "VALUES (?, ?, ?, ?, ?, 'running', ?) "
                "ON CONFLICT (id) DO UPDATE SET status = 'running', finished = NULL",
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
            )
            for i, p in enumerate(proposals)
        ]
        with self._transaction():
            self._db.executemany("INSERT OR IGNORE INTO proposal VALUES (?, ?, ?, ?, ?)", rows)

    def end(self, run: str, status: Literal["interrupted", "finished"]) -> None:
        """Note that a run has stopped."""
        with self._transaction():
            self._db.execute(
                "UPDATE run SET status = ?, finished = ? WHERE id = ?", (status, _now(), run)
            )

    def runs(self) -> tuple[RunRecord, ...]:
        """List the runs, the latest first."""
        query = (
            "SELECT id, name, scenario, seed, versions, status, started, finished FROM run "
            "ORDER BY started DESC, id"
        )
        with self._explained():
            rows = self._db.execute(query).fetchall()
        return tuple(
            RunRecord(run, name, scenario, seed, json.loads(versions), status, started, finished)
            for run, name, scenario, seed, versions, status, started, finished in rows
        )

    def proposals(self, run: str) -> tuple[Proposal, ...]:
        """List the builds that a run looked at, in order."""
        query = "SELECT row, build, outcome FROM proposal WHERE run = ? ORDER BY ordinal"
        with self._explained():
            rows = self._db.execute(query, (run,)).fetchall()
        return tuple(
            Proposal(tuple(json.loads(row)), build and build.hex(), outcome == "computed")
            for row, build, outcome in rows
        )

    def __len__(self) -> int:
        """Return the number of evaluations."""
        with self._explained():
            return int(self._db.execute("SELECT count(*) FROM evaluation").fetchone()[0])


_DAMAGED = "{path} is damaged: restore a copy of it, or name another ledger and search again."


def _explain(path: Path, error: sqlite3.Error) -> str:
    text = str(error)
    if "full" in text:
        return f"{path} cannot grow: the disk is full; free some space, then run the same again."
    if "readonly" in text or "read-only" in text:
        return f"{path} cannot be written: the file or its folder is read-only."
    if "unable to open" in text:
        reason = "its folder does not exist or cannot be written"
        return f"{path} cannot be opened: {reason}; name another ledger."
    if "locked" in text:
        return f"{path} is held by another process for more than 30 s; try again when it is done."
    if isinstance(error, sqlite3.OperationalError) and "disk I/O" in text:
        return f"{path} cannot be read or written: the disk reports an error ({text})."
    return _DAMAGED.format(path=path)


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
