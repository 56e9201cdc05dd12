"""Which freedom pays for which figure, as an engineer reads it: in words, tables, plain records."""

from collections.abc import Iterator
from itertools import permutations
from typing import Any

from layers.figures import QUANTITIES, parse_figure
from optimize.report.ball import version
from optimize.report.tables import Section, columns
from optimize.report.words import label_of, layer_names, unit_of
from optimize.scenario.space import Gene, What
from optimize.sensitivity.shares import DOUBTED, FigureShares, Shares
from optimize.sensitivity.sobol import Index

WORDS: dict[What, str] = {
    "present": "in or out",
    "thickness_mm": "thickness",
    "material": "material",
    "youngs_modulus_mpa": "modulus",
    "density_g_cm3": "density",
}

# Shares that are told in sentences, and how many of them; those too small for a row of their own.
_NAMED, _MOST_NAMED, _NO_ROW = 0.05, 3, 0.005
# A freedom moves one goal and not another if its totals surely lie on either side of these.
_MOVES, _LEAVES = 0.10, 0.05
# Shares of the combinations that can be made: with less, what freedoms do together is no longer
# 1 - their sum; with more, it need not be spoken of.
_NEARLY_ALL, _ALL = 0.95, 0.999


def freedom_words(shares: Shares, gene: Gene) -> str:
    """Name a freedom, such as ``cover material``."""
    return f"{layer_names(shares.run.scenario)[gene.layer]} {WORDS[gene.what]}"


def percent(share: float) -> str:
    """Write a share in percent, to a tenth where it is small."""
    return f"{100.0 * share:.0f}" if share >= 0.0995 else f"{100.0 * share:.1f}"


def _between(index: Index) -> str:
    return f"{percent(index.low)} to {percent(index.high)}"


def shares_sections(shares: Shares) -> list[Section]:
    """Tabulate the shares, in words first."""
    return [
        Section("In words", notes=tuple(sentences(shares))),
        *(_figure_section(shares, figure) for figure in shares.figures),
        _layers_section(shares),
        _trust_section(shares),
    ]


def sentences(shares: Shares) -> list[str]:
    """Say where each figure's spread comes from, and what moves one goal without another."""
    return [*(_sentence(shares, f) for f in shares.figures), *_pairs(shares)]


def _sentence(shares: Shares, figure: FigureShares) -> str:
    order = sorted(range(len(shares.genes)), key=lambda i: -figure.first[i].value)
    parts = [
        f"{percent(figure.first[i].value)} % from {freedom_words(shares, shares.genes[i])}"
        for i in order[:_MOST_NAMED]
        if figure.first[i].value >= _NAMED
    ]
    alone = f"{_joined(parts)} alone" if parts else "no freedom alone makes a twentieth"
    together = 1.0 - sum(index.value for index in figure.first)
    rest = ""
    if shares.makeable >= _NEARLY_ALL and together >= _NAMED:
        rest = f"; about {percent(together)} % only from freedoms acting together"
    doubt = " (doubtful: see below)" if figure.doubted else ""
    return f"Spread of {label_of(figure.figure)}: {alone}{rest}{doubt}."


def _joined(parts: list[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)


def _pairs(shares: Shares) -> Iterator[str]:
    goals = {goal.figure for goal in shares.run.scenario.goal}
    for one, other in permutations((f for f in shares.figures if f.figure in goals), 2):
        found = [
            f"{freedom_words(shares, gene)} ({percent(one.total[i].value)} % against at most "
            f"{percent(other.total[i].high)} %)"
            for i, gene in enumerate(shares.genes)
            if one.total[i].low >= _MOVES and other.total[i].high <= _LEAVES
        ]
        words = f"{label_of(one.figure)} without {label_of(other.figure)}"
        if found:
            yield f"To move {words}: {_joined(found)}."
        else:
            yield f"No freedom moves {words}."


def _figure_section(shares: Shares, figure: FigureShares) -> Section:
    order = sorted(range(len(shares.genes)), key=lambda i: (-figure.total[i].value, i))
    shown = [i for i in order if figure.total[i].value >= _NO_ROW]
    rows = [
        (
            freedom_words(shares, shares.genes[i]),
            percent(figure.first[i].value),
            _between(figure.first[i]),
            percent(figure.total[i].value),
            _between(figure.total[i]),
        )
        for i in shown
    ]
    small = [freedom_words(shares, shares.genes[i]) for i in order if i not in shown]
    notes = (f"Under {percent(_NO_ROW)} % in all: {', '.join(small)}.",) if small else ()
    heads = columns("freedom", ">alone, %", ">95 %", ">with others, %", ">95 %")
    title = (
        f"{figure.figure}: {figure.middle:.4g}, 95 % of builds from "
        f"{figure.low:.4g} to {figure.high:.4g} {unit_of(figure.figure)}".rstrip()
    )
    return Section(title, heads, tuple(rows), notes)


def _layers_section(shares: Shares) -> Section:
    names = layer_names(shares.run.scenario)
    rows = tuple(
        (names[layer], *(_with_interval(figure.layers[i]) for figure in shares.figures))
        for i, layer in enumerate(shares.layers)
    )
    heads = columns("layer", *(f">{figure.figure}" for figure in shares.figures))
    note = "All freedoms of a layer with all that they do together with others, % (95 %)."
    return Section("Layers", heads, rows, (note,))


def _with_interval(index: Index) -> str:
    return f"{percent(index.value)} ({_between(index)})"


def _trust_section(shares: Shares) -> Section:
    checked = any(figure.fresh for figure in shares.figures)
    rows = []
    for figure in shares.figures:
        row = [figure.figure, missed(figure.error)]
        if checked:
            fresh = figure.fresh
            row += [missed(fresh.error), f"{percent(fresh.covered)} %"] if fresh else ["", ""]
        rows.append(tuple(row))
    titles = ["figure", ">missed, left out"]
    if checked:
        titles += [">missed, unseen builds", ">inside 95 %"]
    title = "How far the emulator can be trusted"
    return Section(title, columns(*titles), tuple(rows), tuple(notes(shares)))


def missed(error: float) -> str:
    """Write the emulator's mean square error as a share of the variance."""
    return f"{percent(error)} %" if error >= 0.0005 else "< 0.1 %"


def notes(shares: Shares) -> Iterator[str]:
    """Say what the shares are over, what their intervals hold, and when to doubt them."""
    doubted = [label_of(figure.figure) for figure in shares.figures if figure.doubted]
    if doubted:
        yield (
            f"Doubtful: {', '.join(doubted)}. The emulator misses more than "
            f"{100.0 * DOUBTED:.0f} % of the spread; --builds N (or a larger N) computes builds "
            f"spread over the space for it to learn from."
        )
    if shares.makeable < _ALL:
        yield (
            f"Only {percent(shares.makeable)} % of all combinations can be made, so freedoms hang "
            f"together: their shares alone may overlap, exceed those with others, and need not add "
            f"up."
        )
    if shares.constant:
        yield f"Does not vary: {', '.join(shares.constant)}."
    added = f", {shares.fresh} of them drawn evenly over the space" if shares.fresh else ""
    yield (
        f"Spread is the variance over builds that are uniform over all {percent(shares.makeable)} "
        f"% of the combinations that can be made: those whose centre and filler stay in their "
        f"ranges. Limits on figures are not applied. The figures come from Gaussian processes of "
        f"{shares.builds} computed builds{added}."
    )
    yield (
        "Alone: what of the variance would go if this freedom were settled (first Sobol index). "
        "With others: what would stay if all others were settled (total). The 95 % hold what the "
        "figures may be between computed builds, what the emulator misses, and the sample of "
        "builds; not the error of the finite elements."
    )
    yield (
        "Missed: mean square error of the emulator as a share of the variance. Left out: each "
        "build from the others, counted by the part of the space that lies nearest to it."
    )


def shares_record(shares: Shares) -> dict[str, Any]:
    """Return plain data for JSON."""
    run = shares.run
    return {
        "orbwright": version(),
        "run": run.id,
        "scenario": run.scenario.name,
        "model": run.model_version,
        "builds": shares.builds,
        "builds_drawn_evenly": shares.fresh,
        "makeable_share": shares.makeable,
        "constant": list(shares.constant),
        "figures": [_figure_record(shares, figure) for figure in shares.figures],
        "sentences": sentences(shares),
        "notes": list(notes(shares)),
    }


def _figure_record(shares: Shares, figure: FigureShares) -> dict[str, Any]:
    roles = layer_names(shares.run.scenario)
    goals = [goal.figure for goal in shares.run.scenario.goal]
    quantity = QUANTITIES[parse_figure(figure.figure).quantity]
    return {
        "figure": figure.figure,
        "unit": quantity.unit,
        "goal": figure.figure in goals,
        "low": figure.low,
        "middle": figure.middle,
        "high": figure.high,
        "missed_left_out": figure.error,
        "missed_unseen": figure.fresh.error if figure.fresh else None,
        "unseen_inside_95": figure.fresh.covered if figure.fresh else None,
        "doubted": figure.doubted,
        "freedoms": [
            {
                "layer": gene.layer + 1,
                "role": roles[gene.layer],
                "freedom": gene.what,
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
