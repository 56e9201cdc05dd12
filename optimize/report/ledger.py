"""A ledger's counts as a table."""

from typing import Any

from layers.model_version import MODEL_VERSION
from optimize.ledger.tables import SCHEMA_VERSION
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
