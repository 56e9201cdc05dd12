"""Global sensitivities of a run: Sobol indices in sentences, tables and plain records."""

from collections.abc import Iterator
from itertools import permutations
from typing import Any

from layers.figures import QUANTITIES, parse_figure
from optimize.report.ball import version
from optimize.report.direct_shares import direct_notes, direct_record, emulator_section
from optimize.report.tables import Section, columns
from optimize.report.words import label_of, layer_names, unit_of
from optimize.scenario.space import Gene, What
from optimize.sensitivity.result import LARGEST_ERROR, FigureShares, Shares
from optimize.sensitivity.sobol import Index

LABELS: dict[What, str] = {
    "present": "present or absent",
    "thickness_mm": "thickness",
    "material": "material",
    "youngs_modulus_mpa": "modulus",
    "surface_over_centre": "surface over centre",
    "shape": "profile shape",
    "density_g_cm3": "density",
    "dimple_pattern": "dimple pattern",
}

# Indices below the first are not named in sentences, nor more than so many; indices below the last
# get no row.
_LEAST_NAMED, _MOST_NAMED, _LEAST_ROW = 0.05, 3, 0.005
# A variable changes one goal and not another if its totals surely lie on either side of these.
_CHANGES, _LEAVES = 0.10, 0.05
# Shares of the combinations that can be made: below the first, interactions are no longer
# 1 - the sum of first-order indices; above the second, dependence need not be mentioned.
_NEARLY_ALL, _ALL = 0.95, 0.999


def variable_name(shares: Shares, gene: Gene) -> str:
    """Name a design variable, such as ``cover material``."""
    return f"{layer_names(shares.scenario)[gene.layer]} {LABELS[gene.what]}"


def percent(share: float) -> str:
    """Write a share in percent, to a tenth where it is small."""
    return f"{100.0 * share:.0f}" if share >= 0.0995 else f"{100.0 * share:.1f}"


def _interval(index: Index) -> str:
    return f"{percent(index.low)} to {percent(index.high)}"


def shares_sections(shares: Shares) -> list[Section]:
    """Tabulate the indices, a summary in sentences first."""
    return [
        Section("Summary", notes=tuple(sentences(shares))),
        *(_figure_section(shares, figure) for figure in shares.figures),
        _layers_section(shares),
        *_sources(shares),
    ]


def _sources(shares: Shares) -> Iterator[Section]:
    """Say what the indices are from, and how far its error goes."""
    if shares.direct is None:
        yield _emulator_section(shares)
        return
    if shares.direct.emulator:
        yield emulator_section(shares.direct)
    yield Section("Computed builds", notes=tuple(notes(shares)))


def sentences(shares: Shares) -> list[str]:
    """Say where each figure's variance comes from, and what changes one goal without another."""
    return [*(_sentence(shares, f) for f in shares.figures), *_separations(shares)]


def _sentence(shares: Shares, figure: FigureShares) -> str:
    order = sorted(range(len(shares.genes)), key=lambda i: -figure.first[i].value)
    parts = [
        f"{percent(figure.first[i].value)} % from {variable_name(shares, shares.genes[i])}"
        for i in order[:_MOST_NAMED]
        if figure.first[i].value >= _LEAST_NAMED
    ]
    first = f"{_joined(parts)} (first-order)" if parts else "no first-order index reaches 5 %"
    interactions = 1.0 - sum(index.value for index in figure.first)
    rest = ""
    if shares.makeable >= _NEARLY_ALL and interactions >= _LEAST_NAMED:
        rest = f"; interactions: about {percent(interactions)} %"
    warning = "; unreliable, see below" if figure.unreliable else ""
    return f"Variance of {label_of(figure.figure)}: {first}{rest}{warning}."


def _joined(parts: list[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _separations(shares: Shares) -> Iterator[str]:
    goals = {goal.figure for goal in shares.scenario.goal}
    for one, other in permutations((f for f in shares.figures if f.figure in goals), 2):
        names = [
            f"{variable_name(shares, gene)} (S_Ti {percent(one.total[i].value)} % against at most "
            f"{percent(other.total[i].high)} %)"
            for i, gene in enumerate(shares.genes)
            if one.total[i].low >= _CHANGES and other.total[i].high <= _LEAVES
        ]
        change = f"{label_of(one.figure)} without {label_of(other.figure)}"
        if names:
            yield f"To change {change}: {_joined(names)}."
        else:
            yield f"No design variable changes {change}."


def _figure_section(shares: Shares, figure: FigureShares) -> Section:
    order = sorted(range(len(shares.genes)), key=lambda i: (-figure.total[i].value, i))
    shown = [i for i in order if figure.total[i].value >= _LEAST_ROW]
    rows = [
        (
            variable_name(shares, shares.genes[i]),
            percent(figure.first[i].value),
            _interval(figure.first[i]),
            percent(figure.total[i].value),
            _interval(figure.total[i]),
        )
        for i in shown
    ]
    small = [variable_name(shares, shares.genes[i]) for i in order if i not in shown]
    notes = (f"S_Ti below {percent(_LEAST_ROW)} %: {', '.join(small)}.",) if small else ()
    heads = columns("design variable", ">S_i, %", ">95 %", ">S_Ti, %", ">95 %")
    title = (
        f"{figure.figure}: median {figure.middle:.4g}, 95 % of builds from "
        f"{figure.low:.4g} to {figure.high:.4g} {unit_of(figure.figure)}".rstrip()
    )
    return Section(title, heads, tuple(rows), notes)


def _layers_section(shares: Shares) -> Section:
    names = layer_names(shares.scenario)
    rows = tuple(
        (names[layer], *(_with_interval(figure.layers[i]) for figure in shares.figures))
        for i, layer in enumerate(shares.layers)
    )
    heads = columns("layer", *(f">{figure.figure}" for figure in shares.figures))
    note = "Total index of all design variables of a layer together, % (95 %)."
    return Section("Layers", heads, rows, (note,))


def _with_interval(index: Index) -> str:
    return f"{percent(index.value)} ({_interval(index)})"


def _emulator_section(shares: Shares) -> Section:
    validated = any(figure.validation for figure in shares.figures)
    rows = []
    for figure in shares.figures:
        row = [figure.figure, error_text(figure.error or 0.0)]
        if validated:
            found = figure.validation
            row += [error_text(found.error), f"{percent(found.covered)} %"] if found else ["", ""]
        rows.append(tuple(row))
    titles = ["figure", ">leave-one-out error"]
    if validated:
        titles += [">error on new builds", ">new builds inside 95 %"]
    return Section("Emulator", columns(*titles), tuple(rows), tuple(notes(shares)))


def error_text(error: float) -> str:
    """Write the emulator's mean square error as a share of the variance."""
    return f"{percent(error)} %" if error >= 0.0005 else "< 0.1 %"


def notes(shares: Shares) -> Iterator[str]:
    """Say what the indices are over, what their intervals hold, and which are unreliable."""
    unreliable = [label_of(figure.figure) for figure in shares.figures if figure.unreliable]
    if unreliable:
        yield (
            f"Unreliable: {', '.join(unreliable)}. The emulator's error is more than "
            f"{100.0 * LARGEST_ERROR:.0f} % of the variance; --builds N (or a larger N) computes "
            f"more builds, spread over the space, to fit it to."
        )
    if shares.makeable < _ALL:
        yield (
            f"Only {percent(shares.makeable)} % of all combinations can be made, so the design "
            f"variables are dependent: S_i may overlap, exceed S_Ti, and need not sum to 100 % at "
            f"most."
        )
    if shares.constant:
        yield f"Constant: {', '.join(shares.constant)}."
    yield (
        f"The variance is over builds that are uniform over the {percent(shares.makeable)} % of "
        f"all combinations that can be made: those whose centre and filler stay in their ranges. "
        f"Limits on figures are not applied."
    )
    yield (
        "S_i, first-order index: share of the variance that goes, on average, when this variable "
        "is fixed. S_Ti, total index: share that remains when all others are fixed."
    )
    yield from direct_notes(shares.direct) if shares.direct else _emulator_notes(shares)


def _emulator_notes(shares: Shares) -> Iterator[str]:
    added = f", {shares.added} of them spread over the space" if shares.added else ""
    yield (
        f"The figures come from Gaussian processes fitted to {shares.builds} computed "
        f"builds{added}. The 95 % intervals cover the emulator's uncertainty and error and the "
        f"sample of builds, not the error of the finite elements."
    )
    yield (
        "Error: mean square error of the emulator as a share of the variance. Leave-one-out: each "
        "build predicted from the others, weighted by the part of the space nearest to it."
    )


def shares_record(shares: Shares) -> dict[str, Any]:
    """Return plain data for JSON."""
    return {
        "orbwright": version(),
        "run": shares.run,
        "scenario": shares.scenario.name,
        "model": shares.model_version,
        "builds": shares.builds,
        "builds_added": shares.added,
        "makeable_share": shares.makeable,
        "constant": list(shares.constant),
        "figures": [_figure_record(shares, figure) for figure in shares.figures],
        "direct": direct_record(shares.direct) if shares.direct else None,
        "sentences": sentences(shares),
        "notes": list(notes(shares)),
    }


def _figure_record(shares: Shares, figure: FigureShares) -> dict[str, Any]:
    roles = layer_names(shares.scenario)
    goals = [goal.figure for goal in shares.scenario.goal]
    quantity = QUANTITIES[parse_figure(figure.figure).quantity]
    return {
        "figure": figure.figure,
        "unit": quantity.unit,
        "goal": figure.figure in goals,
        "low": figure.low,
        "median": figure.middle,
        "high": figure.high,
        "error_leave_one_out": figure.error,
        "error_new_builds": figure.validation.error if figure.validation else None,
        "new_builds_inside_95": figure.validation.covered if figure.validation else None,
        "unreliable": figure.unreliable,
        "variables": [
            {
                "layer": gene.layer + 1,
                "role": roles[gene.layer],
                "variable": gene.what,
                **_ends("first", figure.first[i]),
                **_ends("total", figure.total[i]),
            }
            for i, gene in enumerate(shares.genes)
        ],
        "layers": [
            {"layer": layer + 1, "role": roles[layer], **_ends("total", figure.layers[i])}
            for i, layer in enumerate(shares.layers)
        ],
    }


def _ends(name: str, index: Index) -> dict[str, float]:
    return {name: index.value, f"{name}_low": index.low, f"{name}_high": index.high}
