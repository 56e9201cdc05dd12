"""Shares of variance for the page, by an emulator of the run over its whole space."""

from collections.abc import Mapping

import numpy as np

from layers.errors import InputError
from optimize.ledger.ledger import Known
from optimize.page.influence import Sobol
from optimize.report.shares import freedom_words, missed, notes, sentences
from optimize.report.words import in_words, label_of
from optimize.search.result import Run
from optimize.sensitivity.more_builds import computed
from optimize.sensitivity.shares import Shares, shares


def sobol_of(run: Run, known: Mapping[str, Known]) -> Sobol | None:
    """Share out the variance of the figures of goals and limits.

    Parameters
    ----------
    run : Run
        A finished search.
    known : mapping of str to Known
        What the ledger knows of its builds, by key.

    Returns
    -------
    Sobol or None
        None where nothing is free, nothing varies or too few builds were computed.
    """
    try:
        found = shares(run, computed(run, known))
    except InputError:
        return None
    return sobol_from(found)


def sobol_from(found: Shares) -> Sobol | None:
    """Put shares in the words of the page; None if no figure of goals and limits varies."""
    asked = found.run.scenario.figures()
    figures = [figure for figure in found.figures if figure.figure in asked]
    if not figures:
        return None
    worst = max(figures, key=lambda figure: figure.error)
    source = (
        f"Over all builds that the scenario allows, by Gaussian processes of {found.builds} "
        f"computed builds; their mean square error is {missed(worst.error)} of the variance at "
        f"most, each build predicted from the others."
    )
    return Sobol(
        figures=tuple(label_of(figure.figure) for figure in figures),
        freedoms=tuple(freedom_words(found, gene) for gene in found.genes),
        first=np.array([[index.value for index in figure.first] for figure in figures]),
        total=np.array([[index.value for index in figure.total] for figure in figures]),
        low=np.array([[index.low for index in figure.total] for figure in figures]),
        high=np.array([[index.high for index in figure.total] for figure in figures]),
        source=source,
        sentences=tuple(sentences(found)),
        notes=tuple(in_words(note, found.constant) for note in notes(found)),
    )
