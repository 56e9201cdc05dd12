"""The verdicts of a run as a section and as plain data."""

from dataclasses import asdict
from typing import Any

from optimize.report.tables import Section
from optimize.report.words import in_words
from optimize.search.result import Run
from optimize.verdicts.verdicts import Verdicts, verdicts_of


def capital(sentence: str) -> str:
    """Begin a sentence with a capital letter, whatever figure it begins with."""
    return sentence[:1].upper() + sentence[1:]


def verdict_groups(run: Run) -> dict[str, list[str]]:
    """Return the verdicts' sentences with the figures' labels, under what each answers."""
    names = {*run.scenario.figures(), *(bound.figure for bound in run.scenario.bounds())}
    return {
        title: [capital(in_words(sentence, names)) for sentence in sentences]
        for title, sentences in verdicts_of(run).groups().items()
    }


def verdict_sections(run: Run) -> list[Section]:
    """Put the verdicts together, each under the question that it answers."""
    return [
        Section(title, notes=tuple(sentences)) for title, sentences in verdict_groups(run).items()
    ]


def verdicts_record(found: Verdicts) -> dict[str, Any]:
    """Return the verdicts as plain data for JSON; figures keep their names."""
    return asdict(found)
