"""Decisions, notes and the history of a build as tables and plain data."""

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import Any

from optimize.ledger.decisions import Dispute, disputes
from optimize.ledger.events import NOT_RECORDED, Event
from optimize.report.tables import Section, columns
from optimize.search.history import History

_STARTS = ("started", "resumed")
_WORDS = {
    "note": "note",
    "sheet": "prototype sheet",
    "calibrated": "calibrated on it",
    "reopened": "reopened as a start",
}


def decided(events: Iterable[Event]) -> tuple[Event, ...]:
    """Keep what somebody decided, noted or made: all but who started runs."""
    return tuple(event for event in events if event.kind not in _STARTS)


def moment_words(moment: str) -> str:
    """Write a moment to the minute, in UTC."""
    return moment[:16].replace("T", " ")


def who_words(names: Sequence[str]) -> str:
    """Join names of people; those not recorded are said so."""
    return ", ".join(name or NOT_RECORDED for name in names) or NOT_RECORDED


def event_words(event: Event) -> str:
    """Say what somebody did."""
    return _WORDS.get(event.kind, event.kind)


def decisions_sections(events: Sequence[Event], title: str = "Decisions") -> list[Section]:
    """Tabulate decisions and notes by moment; no table where there are none.

    Parameters
    ----------
    events : sequence of Event
        By moment.
    title : str
        Of the table.
    """
    kept = decided(events)
    if not kept:
        return []
    several = len({event.run for event in kept}) > 1
    rows = []
    for e in kept:
        run = [e.run or "-"] if several else []
        rows.append((moment_words(e.moment), *run, _build(e), event_words(e), *_rest(e)))
    heads = columns(
        "UTC", *(["run"] if several else []), "build", "what", "who", "~reason, note", "~file"
    )
    notes = tuple(f"Disputed: {dispute.words()}." for dispute in disputes(kept))
    return [Section(title, heads, tuple(rows), notes)]


def _build(event: Event) -> str:
    return event.label or event.build[:12] or "the run"


def _rest(event: Event) -> tuple[str, str, str]:
    file = f"{event.file} ({event.file_digest[:12]})" if event.file else ""
    return event.who or NOT_RECORDED, event.text, file


def decisions_record(events: Sequence[Event]) -> dict[str, Any]:
    """Return decisions, notes and disputes as plain data."""
    kept = decided(events)
    return {
        "decisions": [asdict(event) for event in kept],
        "disputes": [asdict(dispute) for dispute in disputes(kept)],
    }


def dispute_sentence(found: Sequence[Dispute]) -> str:
    """Say how many builds are disputed, and name some of them."""
    named = "; ".join(dispute.words() for dispute in found[:5])
    more = f"; and {len(found) - 5} more" if len(found) > 5 else ""
    return f"Disputed: {named}{more}."


def history_sections(history: History, starters: dict[str, tuple[str, ...]]) -> list[Section]:
    """Tabulate a build's history by moment: brief, run, figures, decisions, sheets, readings.

    Parameters
    ----------
    history : History
        The build's.
    starters : dict of str to tuple of str
        Who started each run.
    """
    lines: list[tuple[str, str, str, str, str]] = []
    for looked in history.looked:
        who = who_words(starters.get(looked.run, ()))
        text = f"{looked.name!r}, digest {looked.brief}"
        lines.append((looked.started, "brief", who, text, ""))
        how = "computed" if looked.computed else "ruled out"
        lines.append(
            (looked.started, f"run {looked.run}", who, f"build {looked.number}, {how}", "")
        )
    lines += [(when, "figures", "", f"model {model}", "") for model, when in history.evaluated]
    for event in history.events:
        label = f" {event.label} of run {event.run}" if event.label else ""
        lines.append((event.moment, f"{event_words(event)}{label}", *_rest(event)))
    for record in history.started:
        who = who_words(starters.get(record.id, ()))
        lines.append((record.started, f"starts run {record.id}", who, repr(record.name), ""))
    rows = [(moment_words(when), *rest) for when, *rest in sorted(lines, key=lambda row: row[0])]
    heads = columns("UTC", "what", "who", "~reason, note", "~file")
    notes = tuple(f"Disputed: {dispute.words()}." for dispute in disputes(history.events))
    return [Section(f"History of build {history.build}", heads, tuple(rows), notes)]


def history_record(history: History, starters: dict[str, tuple[str, ...]]) -> dict[str, Any]:
    """Return a build's history as plain data; names are empty where not recorded."""
    return {
        "build": history.build,
        "runs": [
            asdict(looked) | {"started_by": list(starters.get(looked.run, ()))}
            for looked in history.looked
        ],
        "evaluations": [
            {"model_version": model, "written": when} for model, when in history.evaluated
        ],
        **decisions_record(history.events),
        "starts_runs": [
            {
                "run": record.id,
                "name": record.name,
                "started": record.started,
                "started_by": list(starters.get(record.id, ())),
            }
            for record in history.started
        ],
    }
