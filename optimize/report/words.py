"""What the page calls things: figures in words, units as they are printed, sentences."""

import re
from collections.abc import Iterable

from layers.figures import QUANTITIES, parse_figure
from optimize.scenario.brief import Scenario
from optimize.scenario.goals import Bound, Goal
from optimize.scenario.variables import FILL_DENSITY
from optimize.search.result import Run

_PRINTED = {"1": "", "us": "µs", "deg": "°", "g cm2": "g cm²", "g/cm3": "g/cm³"}


def unit_of(figure: str) -> str:
    """Return a figure's unit as it is printed; empty for a ratio."""
    unit = "g/cm3" if figure == FILL_DENSITY else QUANTITIES[parse_figure(figure).quantity].unit
    return _PRINTED.get(unit, unit)


def short_of(figure: str) -> str:
    """Return a figure's name in words, without its unit and without whose it is.

    Examples
    --------
    >>> short_of("driver fast.carry_m"), short_of("cor@43.83")
    ('carry', 'speed ratio at 43.83 m/s')
    """
    if figure == FILL_DENSITY:
        return "density of the filled layer"
    parsed = parse_figure(figure)
    known = QUANTITIES[parsed.quantity]
    ending = "_" + known.unit.lower().replace("/", "_").replace(" ", "_")
    words = parsed.quantity.removesuffix(ending).replace("_", " ")
    condition = figure.partition("@")[2]
    if condition:
        unit = "N" if known.condition == "loads" else "m/s"
        words += f" at {condition.replace('-', ' to ')} {unit}"
    return words


def owner_of(figure: str) -> str:
    """Return the swing, club or stage that a figure belongs to; empty for the ball."""
    if figure == FILL_DENSITY:
        return ""
    parsed = parse_figure(figure)
    return parsed.swing or (f"stage {parsed.stage}" if parsed.stage else "")


def label_of(figure: str) -> str:
    """Return a figure's name in words, without its unit.

    Examples
    --------
    >>> label_of("driver fast.carry_m"), label_of("stage1.mass_g"), label_of("frequency_hz")
    ('carry of driver fast', 'mass of stage 1', 'mode')
    """
    owner = owner_of(figure)
    return f"{short_of(figure)} of {owner}" if owner else short_of(figure)


def in_words(sentence: str, figures: Iterable[str]) -> str:
    """Put figures' words in place of their names in a sentence, and print its units.

    Examples
    --------
    >>> in_words("highest driver fast.carry_m", ["driver fast.carry_m", "mass_g"])
    'highest carry of driver fast'
    """
    either = "|".join(map(re.escape, sorted(figures, key=len, reverse=True))) or r"(?!)"
    named = re.sub(rf"(?<![\w.@])(?:{either})(?![\w@])", lambda m: label_of(m[0]), sentence)
    return re.sub(r"\bg( c|/c)m([23])\b", lambda m: _PRINTED[m[0]], named)


def help_of(figure: str) -> str:
    """Return a figure's one-line explanation."""
    if figure == FILL_DENSITY:
        return "density that filler gives the layer which brings the ball to its mass"
    return QUANTITIES[parse_figure(figure).quantity].help


def with_unit(value: float, figure: str) -> str:
    """Write a bound or target with its unit."""
    unit = unit_of(figure)
    return f"{value:g}{unit if unit == '°' else f' {unit}'}".rstrip()


def goal_words(goal: Goal) -> str:
    """Say a goal in words.

    Examples
    --------
    >>> goal_words(Goal(figure="frequency_hz", aim="target", target=2700, band=50))
    'bring mode to 2700 Hz, give or take 50 Hz'
    """
    label = label_of(goal.figure)
    if goal.target is None:
        return f"{'raise' if goal.aim == 'maximize' else 'lower'} {label}"
    band = f", give or take {with_unit(goal.band, goal.figure)}" if goal.band else ""
    return f"bring {label} to {with_unit(goal.target, goal.figure)}{band}"


def bound_words(bound: Bound) -> str:
    """Say a bound in words, with the margin to keep from it."""
    kept = f", kept by {with_unit(bound.margin, bound.figure)}" if bound.margin else ""
    return f"{label_of(bound.figure)} {bound.side} {with_unit(bound.value, bound.figure)}{kept}"


def question_of(run: Run) -> str:
    """Return the scenario's question, or one made of its goals."""
    if run.scenario.question:
        return run.scenario.question
    goals = [goal_words(goal) for goal in run.scenario.goal]
    first = ", ".join(goals[:-1])
    return (
        f"Which builds {first} and {goals[-1]}?"
        if first
        else f"Which build does best to {goals[0]}?"
    )


def summary_of(run: Run, shown: int) -> str:
    """Say in a few sentences what came out of a run.

    Parameters
    ----------
    run : Run
        A finished search.
    shown : int
        How many of its builds the page holds.
    """
    many = len(run.short_list)
    computed = f"{run.evaluated} builds were" if run.evaluated != 1 else "1 build was"
    if run.feasible:
        found = f"{run.feasible} keep{'s' * (run.feasible == 1)} every limit"
        stand = f"{many} stand on the short list" if many != 1 else "one stands on the short list"
    else:
        found = "none keeps every limit"
        stand = f"the {many} nearest misses are shown" if many else "none could be made"
    said = f"{computed} computed, {found}; {stand}."
    if shown < run.evaluated:
        said += (
            f" The page holds {shown}: the front, the short list and others evenly over the search."
        )
    return said


def layer_names(scenario: Scenario) -> list[str]:
    """Name the scenario's layers by role, numbered where two have the same."""
    roles = [layer.role for layer in scenario.layer]
    return [
        role if roles.count(role) == 1 else f"{role} {roles[: i + 1].count(role)}"
        for i, role in enumerate(roles)
    ]
