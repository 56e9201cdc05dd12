"""Every evaluation on disk: append-only, found again by what was built.

One SQLite file. A row of ``evaluation`` says what a build's figures are under one version of the
model, whatever scenario asked: any later search that meets the build reuses them. ``run`` and
``proposal`` say which search looked at which build, in order, and what came of it, so that a run
can be shown again without computing. What binds the rows is in `optimize.ledger.seal`.
"""

import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from functools import partial
from pathlib import Path
from types import ModuleType, TracebackType
from typing import TYPE_CHECKING, Any, Literal

from layers.estimates import Estimate
from layers.files.paths import StrPath
from optimize.ledger import seal, tables
from optimize.ledger.columns import OF_BUILD, build_cells, figure_cells
from optimize.ledger.events import Event, cells_of_event
from optimize.ledger.file import (
    Tell,
    explained,
    open_file,
    open_file_to_read,
    patiently,
    transaction,
)
from optimize.ledger.rows import (
    Entry,
    Known,
    Proposal,
    RunRecord,
    cells_of,
    now,
    proposal_of,
    record_of,
    whole,
)
from optimize.ledger.seal import ENTRY, Damage, RunRow

if TYPE_CHECKING:
    import pandas as pd


class Ledger:
    """An open ledger; use it as a context manager.

    Parameters
    ----------
    path : str or path
        The file; created with its tables if it is not there.
    reading : bool
        Only read: the file must be there, and may be read-only or of an older format. Otherwise an
        older format is brought up to date.
    tell : callable, optional
        Told in a sentence when an older format is brought up to date, or the file lies on a
        network file system.

    Raises
    ------
    InputError
        If it cannot be opened or written, is damaged, or belongs to another program or a later
        version.
    """

    def __init__(self, path: StrPath, *, reading: bool = False, tell: Tell | None = None) -> None:
        self.path = Path(path)
        self.db = open_file_to_read(self.path) if reading else open_file(self.path, tell)
        with explained(self.path):
            self._sealed = not reading or tables.has_seal(self.db)
        # Reads all rows, or those of one run: an older format is read as it is.
        self._reader: ModuleType = seal if self._sealed else tables
        if self._sealed:
            # Text that is none is met as text, so that its row is found not to be as written.
            self.db.text_factory = partial(str, encoding="utf-8", errors="replace")

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
            if self.db.in_transaction:
                yield
                return
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
        met: dict[str, int] = {}
        nth = "nth" if self._sealed else "NULL"
        for start in range(0, len(keys), 500):
            blobs = [bytes.fromhex(key) for key in keys[start : start + 500]]
            marks = ",".join("?" * len(blobs))
            query = (
                f"SELECT id, {nth}, {ENTRY} FROM evaluation "
                f"WHERE model_version = ? AND build IN ({marks}) ORDER BY id"
            )
            with explained(self.path):
                for number, before, *cells in self.rows(query, (model_version, *blobs)):
                    entry = whole(number, cells)
                    name, more = entry.build.hex(), entry.known()
                    if before not in (None, met.get(name, 0)):
                        raise Damage(f"an evaluation of build {name} is gone")
                    met[name] = met.get(name, 0) + 1
                    found[name] = (
                        found[name].joined(more.figures, more.failed) if name in found else more
                    )
        return found

    def entries(self) -> Iterator[Entry]:
        """Read all evaluations one by one, in the order in which they were written.

        Raises
        ------
        InputError
            If a row is damaged, or one is gone, added or moved.
        """
        with self.snapshot():
            for number, cells in enumerate(self._reader.evaluations(self.db), start=1):
                yield whole(number, cells)

    def entries_where(self, where: str, parameters: Sequence[Any]) -> Iterator[Entry]:
        """Read some evaluations one by one, in the order in which they were written.

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
        query = f"SELECT id, {ENTRY} FROM evaluation WHERE {where} ORDER BY id"
        with explained(self.path):
            for number, *cells in self.db.execute(query, parameters):
                yield whole(number, cells)

    def to_frame(self) -> "pd.DataFrame":
        """Return a table of a row a build and version of the model, as first written.

        Returns
        -------
        pandas.DataFrame
            The columns of `optimize.ledger.export`.

        Raises
        ------
        InputError
            If a row is damaged, or one is gone, added or moved.
        """
        import pandas as pd

        found: dict[tuple[bytes, str], tuple[Entry, Known]] = {}
        for entry in self.entries():
            key = (entry.build, entry.model_version)
            more = entry.known()
            first, known = found.get(key, (entry, more))
            found[key] = (first, known.joined(more.figures, more.failed))
        rows = [
            dict(zip(OF_BUILD, (e.build.hex(), e.model_version, e.written), strict=False))
            | build_cells(e.content)
            | figure_cells(known.figures, known.failed)
            for e, known in found.values()
        ]
        return pd.DataFrame(rows)

    def __repr__(self) -> str:
        """Return the file and the number of evaluations."""
        return f"Ledger({str(self.path)!r}, {len(self)} evaluations)"

    def add(self, key: str, content: str, model_version: str, estimate: Estimate) -> None:
        """Append the outcome of one evaluation, in a transaction of its own.

        The same outcome again, to the last bit, changes nothing.

        Parameters
        ----------
        key, content : str
            Hash of the build, and the text that was hashed (`optimize.scenario.space.content_of`).
        model_version : str
            Of the model that computed it.
        estimate : Estimate
            Its figures, and why others failed.

        Raises
        ------
        InputError
            If the disk is full or the ledger cannot be written.
        """
        with self.transaction():
            self.insert([Entry.of(key, content, model_version, estimate)])

    def insert(self, entries: Iterable[Entry]) -> int:
        """Append rows that are not there yet, within the caller's transaction; count them."""
        return seal.append_evaluations(self.db, entries)

    def begin(
        self, run: str, name: str, scenario: str, seed: int, versions: dict[str, str], who: str = ""
    ) -> None:
        """Note that a run starts, or goes on; a finished one stays finished, whoever repeats it.

        One that is damaged starts anew: all that it rests on is found or computed again.

        Parameters
        ----------
        run, name : str
            The run's id, and its scenario's name.
        scenario : str
            The scenario as JSON.
        seed : int
            Of the search.
        versions : dict of str to str
            Of the model, the search and the libraries that decide the answer.
        who : str
            Who starts it or goes on with it; an event says so.
        """
        with self.transaction():
            stands = self._standing(run)
            event = Event("resumed" if stands else "started", run=run, who=who)
            if stands is None:
                self.db.execute("DELETE FROM proposal WHERE run = ?", (run,))
                text = json.dumps(versions)
                stands = RunRow(run, name, scenario, seed, text, "running", now(), None)
            if stands.status != "finished":
                stands = stands._replace(status="running", finished=None)
                seal.write_run(self.db, stands)
                seal.append_events(self.db, [cells_of_event(event)])

    def _standing(self, run: str) -> RunRow | None:
        """Return the row of a run that is whole."""
        try:
            row = seal.run(self.db, run)
            for _ in seal.proposals(self.db, row) if row else ():
                pass
        except Damage:
            return None
        return row

    def note(self, run: str, first: int, proposals: Sequence[Proposal]) -> None:
        """Note which builds a run looked at; those noted already change nothing.

        Parameters
        ----------
        run : str
            The run's id.
        first : int
            Number of the first of these proposals in the run's sequence, from 0.
        proposals : sequence of Proposal
            In the order in which they were proposed.
        """
        with self.transaction():
            row = self._begun(run)
            if row.status == "finished":
                return
            if first > row.proposals:
                raise Damage(f"run {run} holds fewer proposals than were written")
            fresh = proposals[row.proposals - first :]
            if fresh:
                row = seal.append_proposals(self.db, row, map(cells_of, fresh))
                seal.write_run(self.db, row)

    def end(self, run: str, status: Literal["interrupted", "finished"]) -> None:
        """Note that a run has stopped."""
        with self.transaction():
            row = self._begun(run)
            if row.status != "finished":
                seal.write_run(self.db, row._replace(status=status, finished=now()))

    def _begun(self, run: str) -> RunRow:
        row = seal.run(self.db, run)
        if row is None:
            raise Damage(f"run {run} is gone")
        return row

    def take_run(self, row: RunRow, proposals: Iterable[Proposal]) -> None:
        """Write a run of another ledger over the same run here, within the caller's transaction."""
        self.db.execute("DELETE FROM proposal WHERE run = ?", (row.id,))
        bare = row._replace(proposals=0, head=b"")
        cells = map(cells_of, proposals)
        seal.write_run(self.db, seal.append_proposals(self.db, bare, cells))

    def run_rows(self) -> list[RunRow]:
        """Return the runs as they stand on disk, the latest first.

        Raises
        ------
        InputError
            If one is damaged or gone.
        """
        with self.snapshot():
            return list(self._reader.runs(self.db))

    def runs(self) -> tuple[RunRecord, ...]:
        """List the runs, the latest first.

        Raises
        ------
        InputError
            If one is damaged or gone.
        """
        with explained(self.path):
            return tuple(record_of(row) for row in self.run_rows())

    def looked_at(self, row: RunRow) -> Iterator[Proposal]:
        """Read the builds that a run looked at one by one, in order.

        Raises
        ------
        InputError
            If one is damaged, or one is gone, added or moved.
        """
        with self.snapshot():
            for ordinal, cells in enumerate(self._reader.proposals(self.db, row), start=1):
                yield proposal_of(f"proposal {ordinal} of run {row.id}", cells)

    def proposals(self, run: str) -> tuple[Proposal, ...]:
        """List the builds that a run looked at, in order.

        Raises
        ------
        InputError
            If one is damaged, or one is gone, added or moved.
        """
        with self.snapshot():
            row = self._reader.run(self.db, run)
            return tuple(self.looked_at(row)) if row else ()

    def check_count(self) -> None:
        """Refuse a ledger that lacks evaluations: a lookup cannot tell them from those never made.

        Raises
        ------
        InputError
            If there are not as many as were written.
        """
        with self.snapshot():
            ((count,),) = self.rows("SELECT count(*) FROM evaluation")
            if count != len(self):
                raise Damage(
                    f"it holds {count} evaluations, which are not the {len(self)} that were written"
                )

    def __len__(self) -> int:
        """Return the number of evaluations that were written."""
        with explained(self.path):
            return int(patiently(lambda: self._reader.count(self.db)))
