"""What a ledger holds, counted; and whether every row of it is as it was written."""

from collections import Counter
from collections.abc import Callable
from typing import Any

from layers.model_version import MODEL_VERSION
from optimize.ledger.decisions import read_events
from optimize.ledger.file import explained
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import whole
from optimize.ledger.seal import ENTRY, Damage

_STEP = 5000


def counts(ledger: Ledger) -> dict[str, Any]:
    """Count what a ledger holds, as plain data.

    Returns
    -------
    dict
        ``ledger``, ``format``, ``bytes``, ``evaluations`` and ``proposals``; ``by_model``:
        evaluations of each version of the model; ``runs``: by status; ``events``: by kind;
        ``model``: today's version.
    """
    ((version,),) = ledger.rows("PRAGMA user_version")
    with ledger.snapshot():
        ledger.check_count()
        by_model = dict(
            ledger.rows("SELECT model_version, count(*) FROM evaluation GROUP BY model_version")
        )
        for model_version in by_model:
            _check_version(ledger, model_version)
        rows = ledger.run_rows()
        by_status = dict(sorted(Counter(row.status for row in rows).items()))
        proposals = sum(row.proposals for row in rows)
        by_kind = dict(sorted(Counter(event.kind for event in read_events(ledger)).items()))
    return {
        "ledger": str(ledger.path),
        "format": version,
        "bytes": ledger.path.stat().st_size,
        "model": MODEL_VERSION,
        "evaluations": sum(by_model.values()),
        "by_model": by_model,
        "runs": by_status,
        "proposals": proposals,
        "events": by_kind,
    }


def _check_version(ledger: Ledger, version: str) -> None:
    """Refuse a version that only the index knows, from which they are counted."""
    query = f"SELECT id, {ENTRY} FROM evaluation WHERE model_version = ? LIMIT 1"
    with explained(ledger.path):
        rows = ledger.rows(query, (version,))
        if [whole(number, cells).model_version for number, *cells in rows] != [version]:
            raise Damage("its index does not fit its rows")


def check_ledger(ledger: Ledger, report: Callable[[int, int], None]) -> int:
    """Check every row and the file's structure.

    Parameters
    ----------
    ledger : Ledger
        The ledger.
    report : callable
        Told the number of evaluations checked, and of all.

    Returns
    -------
    int
        The number of evaluations.

    Raises
    ------
    InputError
        If anything is not as it was written.
    """
    with explained(ledger.path), ledger.snapshot():
        total, count = len(ledger), 0
        for count, _ in enumerate(ledger.entries(), start=1):
            if count % _STEP == 0:
                report(count, total)
        looked = sum(1 for row in ledger.run_rows() for _ in ledger.looked_at(row))
        ((proposals,),) = ledger.rows("SELECT count(*) FROM proposal")
        if proposals != looked:
            raise Damage("it holds proposals of no run")
        read_events(ledger)
        if ledger.rows("PRAGMA integrity_check(1)") != [("ok",)]:
            raise Damage("its index does not fit its rows")
    return count
