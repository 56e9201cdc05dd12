"""Sobol indices for the page, by an emulator of the run or from builds that are all computed."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from layers.arrays import FloatArray
from layers.errors import InputError
from optimize.compute.card import OnCard
from optimize.compute.compiled import compiled_for
from optimize.compute.one import Elsewhere
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known
from optimize.page.maps import maps_record
from optimize.report.direct_shares import source_of
from optimize.report.shares import error_text, notes, sentences, variable_name
from optimize.report.words import in_words, label_of
from optimize.search.result import Run
from optimize.sensitivity.direct import direct_shares, planned
from optimize.sensitivity.more_builds import computed
from optimize.sensitivity.result import Shares
from optimize.sensitivity.shares import shares


@dataclass(frozen=True)
class Sobol:
    """Sobol indices of figures over the design space.

    Attributes
    ----------
    figures, variables : tuple of str
        Labels of the rows and of the columns.
    first, total : (figures, variables) array
        First-order index S_i and total index S_Ti; 1.
    low, high : (figures, variables) array
        Ends of the 95 % interval of `total`; 1.
    source : str
        What the indices were computed from, in a sentence or two.
    sentences, notes : tuple of str
        The main indices in words, and what they mean, with their limits.
    maps : tuple of dict
        Figures over the whole space, see `optimize.page.maps`; none by an emulator.
    """

    figures: tuple[str, ...]
    variables: tuple[str, ...]
    first: FloatArray
    total: FloatArray
    low: FloatArray
    high: FloatArray
    source: str
    sentences: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    maps: tuple[dict[str, Any], ...] = ()


def sobol_of(run: Run, known: Mapping[str, Known]) -> Sobol | None:
    """Return the Sobol indices of the figures of goals and limits.

    Parameters
    ----------
    run : Run
        A finished search.
    known : mapping of str to Known
        Figures of its builds in the ledger, by key.

    Returns
    -------
    Sobol or None
        None where no variable is free, no figure varies, or builds are too few.
    """
    try:
        found = shares(run, computed(run, known))
    except InputError:
        return None
    return sobol_from(found)


def direct_sobol_of(
    run: Run,
    ledger: Ledger,
    builds: int,
    workers: int | Elsewhere,
    report: Callable[[int, int], None],
) -> Sobol | None:
    """Return the indices from computed builds in place of an emulator's.

    Parameters
    ----------
    run : Run
        A finished search.
    ledger : Ledger
        Where the builds are found, as `orbwright sensitivity direct` left them, or written.
    builds : int
        Random builds.
    workers : int, Cluster or OnCard
        What computes; a card's figures are looked for among its own.
    report : callable
        Called with the builds done and in all.
    """
    plan = planned(run.scenario, builds)
    wanted = run.scenario.figures()
    left = compiled_for(wanted, workers) if isinstance(workers, OnCard) else set()
    names = tuple(name for name in wanted if name not in left)
    conditions = run.scenario.estimate_conditions()
    return sobol_from(direct_shares(plan, names, ledger, workers, conditions, report))


def joined(computed_ones: Sobol, emulated: Sobol | None) -> Sobol:
    """Return computed indices, and the emulator's of figures that were not computed, marked so.

    Parameters
    ----------
    computed_ones : Sobol
        From `direct_sobol_of`.
    emulated : Sobol or None
        From `sobol_of` of the same run.
    """
    missing = [
        i
        for i, f in enumerate(emulated.figures if emulated else ())
        if f not in computed_ones.figures
    ]
    if emulated is None or not missing:
        return computed_ones
    names = [f"{emulated.figures[i]} (emulator)" for i in missing]

    def both(name: str) -> FloatArray:
        return np.vstack([getattr(computed_ones, name), getattr(emulated, name)[missing]])

    return replace(
        computed_ones,
        figures=(*computed_ones.figures, *names),
        first=both("first"),
        total=both("total"),
        low=both("low"),
        high=both("high"),
        source=f"{computed_ones.source} Those marked: {emulated.source}",
    )


def sobol_from(found: Shares) -> Sobol | None:
    """Label indices for the page; None if no figure of goals and limits varies."""
    needed = found.scenario.figures()
    figures = [figure for figure in found.figures if figure.figure in needed]
    if not figures:
        return None
    worst = max(figure.error or 0.0 for figure in figures)
    source = (
        f"Over all builds that the scenario allows, by Gaussian processes fitted to {found.builds} "
        f"computed builds; their leave-one-out mean square error is at most "
        f"{error_text(worst)} of the variance."
    )
    if found.direct:
        source = f"Over all builds that the scenario allows. {source_of(found.direct)}"
    return Sobol(
        figures=tuple(label_of(figure.figure) for figure in figures),
        variables=tuple(variable_name(found, gene) for gene in found.genes),
        first=np.array([[index.value for index in figure.first] for figure in figures]),
        total=np.array([[index.value for index in figure.total] for figure in figures]),
        low=np.array([[index.low for index in figure.total] for figure in figures]),
        high=np.array([[index.high for index in figure.total] for figure in figures]),
        source=source,
        sentences=tuple(sentences(found)),
        notes=tuple(in_words(note, found.constant) for note in notes(found)),
        maps=tuple(maps_record(found)),
    )
