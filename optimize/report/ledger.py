"""A ledger's counts and its runs as tables and plain data."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from layers.model_version import MODEL_VERSION
from optimize.ledger.rows import RunRecord
from optimize.ledger.tables import SCHEMA_VERSION
from optimize.report.decisions import who_words
from optimize.report.tables import Section, columns


def counts_section(found: dict[str, Any]) -> Section:
    """Write counts as a table."""
    rows = [(f"evaluations, model {v}{_mark(v)}", f"{n:,}") for v, n in found["by_model"].items()]
    rows += [(f"runs, {status}", f"{n:,}") for status, n in sorted(found["runs"].items())]
    rows += [(f"events, {kind}", f"{n:,}") for kind, n in found["events"].items()]
    rows += [("builds proposed by runs", f"{found['proposals']:,}")]
    rows += [("size, MB", f"{found['bytes'] / 1e6:,.1f}"), ("format", str(found["format"]))]
    notes: tuple[str, ...] = ()
    if found["format"] < SCHEMA_VERSION:
        notes = (f"The next search upgrades it to format {SCHEMA_VERSION}.",)
    return Section(f"Ledger {found['ledger']}", columns("what", ">count"), tuple(rows), notes)


def _mark(model_version: str) -> str:
    return " (current)" if model_version.partition("+")[0] == MODEL_VERSION else ""


def runs_section(
    records: Sequence[RunRecord], started: dict[str, tuple[str, ...]], ledger: str
) -> Section:
    """List the runs of a ledger, the latest first.

    Parameters
    ----------
    records : sequence of RunRecord
        The runs.
    started : dict of str to tuple of str
        Who started each, by id.
    ledger : str
        Their file.
    """
    rows = tuple(
        (r.id, r.status, r.started[:16], str(r.seed), who_words(started.get(r.id, ())), r.name)
        for r in records
    )
    heads = columns("run", "status", "started", ">seed", "~started by", "~scenario")
    return Section(f"Runs in {ledger}", heads, rows, () if rows else ("None yet.",))


def runs_record(
    records: Sequence[RunRecord], started: dict[str, tuple[str, ...]]
) -> list[dict[str, Any]]:
    """Return the runs of a ledger as plain data, as `runs_section` takes them."""
    return [
        {k: v for k, v in asdict(r).items() if k != "scenario"}
        | {"started_by": list(started.get(r.id, ()))}
        for r in records
    ]
