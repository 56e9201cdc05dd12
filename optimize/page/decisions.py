"""Decisions and notes of the ledger on the page."""

from optimize.ledger.events import NOT_RECORDED
from optimize.report.decisions import decided, event_words, moment_words
from optimize.search.result import Run


def decisions_of(run: Run) -> list[dict[str, str]]:
    """Return what somebody decided, noted or made of the run or its builds, by moment."""
    return [
        {
            "build": event.build,
            "label": event.label or event.build[:12],
            "what": event_words(event),
            "who": event.who or NOT_RECORDED,
            "text": event.text,
            "file": event.file,
            "when": moment_words(event.moment),
        }
        for event in decided(run.events)
    ]
