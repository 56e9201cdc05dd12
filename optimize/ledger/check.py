"""What a ledger holds, counted; and whether every row of it is as it was written."""

from collections.abc import Callable
from typing import Any

from layers.errors import InputError
from layers.estimation import MODEL_VERSION
from optimize.ledger.file import DAMAGED
from optimize.ledger.ledger import Ledger

_STEP = 5000


def counts(ledger: Ledger) -> dict[str, Any]:
    """Count what a ledger holds, as plain data.

    Returns
    -------
    dict
        ``ledger``, ``format``, ``bytes``, ``evaluations`` and ``proposals``; ``by_model``:
        evaluations of each version of the model; ``runs``: by status; ``model``: today's version.
    """
    ((version,),) = ledger.rows("PRAGMA user_version")
    with ledger.snapshot():
        by_model = dict(
            ledger.rows("SELECT model_version, count(*) FROM evaluation GROUP BY model_version")
        )
        by_status = dict(ledger.rows("SELECT status, count(*) FROM run GROUP BY status"))
        ((proposals,),) = ledger.rows("SELECT count(*) FROM proposal")
    return {
        "ledger": str(ledger.path),
        "format": version,
        "bytes": ledger.path.stat().st_size,
        "model": MODEL_VERSION,
        "evaluations": sum(by_model.values()),
        "by_model": by_model,
        "runs": by_status,
        "proposals": proposals,
    }


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
    with ledger.snapshot():
        total, count = len(ledger), 0
        for count, _ in enumerate(ledger.entries(), start=1):
            if count % _STEP == 0:
                report(count, total)
        verdicts = ledger.rows("PRAGMA integrity_check(1)")
    if verdicts != [("ok",)]:
        raise InputError(DAMAGED.format(path=ledger.path))
    return count
