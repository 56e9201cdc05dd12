"""Provenance of a page's numbers, so that they can be reproduced."""

import hashlib
import json
from collections import Counter
from collections.abc import Iterable
from datetime import datetime
from importlib import metadata
from typing import Any

from layers.estimates import Figure
from layers.materials import Datum
from optimize.page.launches import Launches, is_present_model
from optimize.report.ball import TRUST, version
from optimize.report.run import CHECK_HEADS, CHECK_NOTES, check_rows
from optimize.report.words import owner_of, short_of
from optimize.search.result import Run

_LIBRARIES = ("numpy", "numba", "scipy", "pymoo", "scikit-learn")


def evaluation_hash(run: Run) -> str:
    """Return the hash of a run's evaluations.

    SHA-256 of one line for each computed build, in the order of evaluation: the build's key, then
    for each figure of goals and limits its name, value and two errors, every number as the
    shortest text that reads back to the same bits. The same run on any machine and in any file
    has the same hash, whatever else its ledger holds.

    Returns
    -------
    str
        64 hexadecimal digits.
    """
    names = run.scenario.figures()
    digest = hashlib.sha256()
    for build in run.builds:
        cells = [_bits(build.figures[name]) for name in names]
        digest.update((" ".join([build.key, *cells]) + "\n").encode())
    return digest.hexdigest()


def _bits(figure: Figure) -> str:
    numbers = (figure.value, figure.difference_error, figure.absolute_error)
    return " ".join([figure.name, *map(repr, map(float, numbers))])


def provenance_record(run: Run, found: Launches, ledger: str, written: datetime) -> dict[str, Any]:
    """Return facts, the basis of each figure, cards, emulator checks, notes, the scenario.

    Parameters
    ----------
    run, found : Run, Launches
        What the page shows.
    ledger : str
        File of the evaluations.
    written : datetime
        When the page is written.
    """
    return {
        "facts": _facts(run, ledger, written),
        "bases": _bases(run, found),
        "materials": _materials(run),
        "checks": {"heads": CHECK_HEADS, "rows": check_rows(run), "notes": CHECK_NOTES},
        "notes": _notes(run, found),
        "scenario": json.dumps(
            run.scenario.model_dump(mode="json", exclude_none=True), indent=1, ensure_ascii=False
        ),
    }


def _facts(run: Run, ledger: str, written: datetime) -> list[list[str]]:
    libraries = ", ".join(f"{name} {metadata.version(name)}" for name in _LIBRARIES)
    ruled_out = f"; {run.ruled_out} more ruled out by closed forms" if run.ruled_out else ""
    failed = "".join(f"; {count} failed: {why}" for why, count in run.failed.items())
    return [
        ["Scenario", run.scenario.name],
        ["Run", run.id],
        ["Seed", str(run.seed)],
        [
            "Builds",
            f"{run.evaluated} computed, {run.feasible} meet all constraints{ruled_out}{failed}",
        ],
        ["Ledger", ledger],
        ["Hash of the run's evaluations (SHA-256)", evaluation_hash(run)],
        ["Model", run.model_version],
        ["Versions", f"orbwright {version()}, {libraries}"],
        *([["Lacking", run.lacking]] if run.lacking else []),
        ["Page written", written.isoformat(timespec="seconds")],
    ]


def _bases(run: Run, found: Launches) -> list[list[str]]:
    """Count the short list's figures by basis, and name them."""
    names: dict[str, dict[str, None]] = {}
    for member in run.short_list:
        flown = found.known.get(member.label)
        more = flown.figures if flown else {}
        for name, figure in (member.estimate.figures | more).items():
            names.setdefault(figure.basis, {})[name] = None
    return [[basis, str(len(which)), _grouped(which)] for basis, which in names.items()]


def _grouped(names: Iterable[str]) -> str:
    """List figures, those of several stages or swings once with all their owners."""
    owners: dict[str, list[str]] = {}
    for name in names:
        owners.setdefault(short_of(name), []).append(owner_of(name))
    lists: dict[tuple[str, ...], list[str]] = {}
    for short, whose in owners.items():
        lists.setdefault(tuple(whose), []).append(short)
    phrases = []
    for all_of, shorts in lists.items():
        of = ", ".join(owner or "the ball" for owner in all_of)
        phrases.append(", ".join(shorts) + (f" of {of}" if any(all_of) else ""))
    return "; ".join(phrases)


def _materials(run: Run) -> list[list[str]]:
    """Return the grade and source of each material card of the scenario."""
    rows = []
    for card in run.scenario.material:
        grades = Counter(
            datum.grade
            for datum in (card.youngs_modulus_mpa, card.dynamic_modulus_ratio, card.density_g_cm3)
        )
        grades[card.relaxation_grade] += 1
        words = ", ".join(f"{count} of {sum(grades.values())} {g}" for g, count in grades.items())
        rows.append([card.name, words, card.youngs_modulus_mpa.source])
    return rows


def _notes(run: Run, found: Launches) -> list[str]:
    notes = [*TRUST, _calibrated(run)]
    if not is_present_model(run):
        notes.append("This run was computed by an earlier version of the model than is installed.")
    if found.unkept:
        notes.append(f"Flights were computed for this page and not stored: {found.unkept}")
    return notes


def _calibrated(run: Run) -> str:
    """Name the numbers of the cards that were fitted to measurements."""
    fitted = []
    for card in run.scenario.material:
        sources = {field: datum.source for field, datum in card if isinstance(datum, Datum)}
        sources["relaxation"] = card.relaxation_source
        names = [field for field, source in sources.items() if source.startswith("calibrated")]
        if names:
            fitted.append(f"{', '.join(names)} of {card.name}")
    if not fitted:
        return "Nothing here is calibrated: no number was fitted to measurements."
    return f"Calibrated on measurements: {'; '.join(fitted)}. All other numbers are not."
