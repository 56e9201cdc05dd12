"""Figures in words, for screens, page, bench and plots: labels and units from the figure table."""

import re
from collections.abc import Iterable
from contextvars import ContextVar
from typing import TYPE_CHECKING

from layers.figures import QUANTITIES, FigureName, Quantity, parse_figure, printed
from layers.strike.swings import default_swings
from optimize.scenario.measures import is_figure, words_of
from optimize.scenario.variables import FILL_DENSITY

if TYPE_CHECKING:
    from optimize.lab.process import Process
    from optimize.scenario.brief import Scenario
    from optimize.scenario.goals import Bound, Goal
    from optimize.search.result import Run

_CURRENCY = "currency"
_currency: ContextVar[str] = ContextVar("currency of costs", default=_CURRENCY)

# Not a figure of the model: what the search chooses to bring a build to its mass.
_FILL = Quantity(
    "density of the filled layer",
    "ρ",
    "g/cm3",
    "density that filler gives the layer which brings the ball to its mass",
    "closed form",
    0.0,
    0.0,
)


def _known(figure: str) -> Quantity:
    if figure != FILL_DENSITY and not is_figure(figure):
        label, unit = words_of(figure)
        return Quantity(label, "", unit, label, "finite element", 0.0, 0.0)
    return _FILL if figure == FILL_DENSITY else QUANTITIES[parse_figure(figure).quantity]


def use_currency_of(process: "Process | None") -> None:
    """Have costs name this process's currency from here on.

    Parameters
    ----------
    process : Process or None
        The lab's; without one, or with no currency, a cost's unit is 'currency'.
    """
    _currency.set((process.currency if process else "") or _CURRENCY)


def unit_of(figure: str) -> str:
    """Return a figure's unit as it is printed; empty for a ratio."""
    unit = _known(figure).printed_unit
    return _currency.get() if unit == _CURRENCY else unit


def help_of(figure: str) -> str:
    """Return a figure's one-line explanation."""
    return _known(figure).help


def at_words(figure: FigureName) -> str:
    """Say a figure's condition, such as 'at 43.83 m/s' or 'from 98.07 to 1275 N'; '' for none."""
    values = [f"{value:.4g}" for value in figure.condition]
    if not values:
        return ""
    if QUANTITIES[figure.quantity].condition == "loads":
        return f"from {' to '.join(values)} N"
    return f"{'at' if len(values) == 1 else 'from'} {' to '.join(values)} m/s"


def short_of(figure: str) -> str:
    """Return a figure's label without its unit and without whose it is.

    With its condition where the name has one.

    Examples
    --------
    >>> short_of("driver fast.carry_m"), short_of("cor@43.83")
    ('carry', 'impact speed ratio (COR) at 43.83 m/s')
    """
    return _with_condition(_known(figure).label, figure)


def described_of(figure: str) -> str:
    """Return the same with the condition also where it is the usual one.

    Examples
    --------
    >>> described_of("cor"), described_of("stage1.deflection_mm@98-1275")
    ('impact speed ratio (COR) at 38.1 m/s', 'deflection from 98 to 1275 N')
    """
    return _with_condition(_known(figure).label, figure, usual=True)


def _with_condition(words: str, figure: str, usual: bool = False) -> str:
    if not is_figure(figure):
        return words
    said = at_words(parse_figure(figure)) if usual or "@" in figure else ""
    return f"{words} {said}".rstrip()


def owner_of(figure: str) -> str:
    """Return the swing, club or stage that a figure belongs to; empty for the ball."""
    if not is_figure(figure):
        return ""
    parsed = parse_figure(figure)
    return parsed.swing or (f"stage {parsed.stage}" if parsed.stage else "")


def label_of(figure: str) -> str:
    """Return a figure's label with whose it is, without its unit.

    Examples
    --------
    >>> label_of("driver fast.ball_speed_m_s"), label_of("driver.carry_range_m")
    ('driver ball speed (fast player)', 'driver carry range over the players')
    >>> label_of("stage1.mass_g"), label_of("cor@38.1")
    ('mass of stage 1', 'impact speed ratio (COR) at 38.1 m/s')
    """
    return _owned(short_of(figure), figure)


def line_of(figure: str) -> str:
    """Return label, condition, whose it is and unit: the head of a table's row."""
    return _and_unit(_owned(described_of(figure), figure), figure)


def brief_of(figure: str) -> str:
    """Return a figure's short label with whose it is, for sentences.

    Examples
    --------
    >>> brief_of("cor@43.83"), brief_of("stage1.moi_g_cm2")
    ('COR at 43.83 m/s', 'MOI of stage 1')
    """
    known = _known(figure)
    return _owned(_with_condition(known.short or known.label, figure), figure)


def heading_of(figure: str) -> str:
    """Return a figure's short label with its unit, for the head of a column.

    Examples
    --------
    >>> heading_of("cor@43.83"), heading_of("wedge half slow.spin_rpm")
    ('COR at 43.83 m/s', 'wedge half spin (slow player), rpm')
    """
    return _and_unit(brief_of(figure), figure)


def _and_unit(words: str, figure: str) -> str:
    return f"{words}, {unit_of(figure)}".removesuffix(", ")


def _owned(words: str, figure: str) -> str:
    owner = owner_of(figure)
    if owner.startswith("stage "):
        return f"{words} of {owner}"
    swing = next((s for s in default_swings().swing if s.name == owner), None)
    if swing and swing.profile != "robot":
        return f"{swing.club} {words} ({swing.profile} player)"
    return f"{owner} {words}".lstrip()


def in_words(sentence: str, figures: Iterable[str]) -> str:
    """Put figures' short labels in place of their names in a sentence, and print its units.

    Examples
    --------
    >>> in_words("highest driver fast.carry_m", ["driver fast.carry_m", "mass_g"])
    'highest driver carry (fast player)'
    """
    either = "|".join(map(re.escape, sorted(figures, key=len, reverse=True))) or r"(?!)"
    named = re.sub(rf"(?<![\w.@])(?:{either})(?![\w@])", lambda m: brief_of(m[0]), sentence)
    return re.sub(r"\bg( c|/c)m([23])\b", lambda m: printed(m[0]), named)


def with_unit(value: float, figure: str) -> str:
    """Write a bound or target with its unit."""
    unit = unit_of(figure)
    return f"{value:g}{unit if unit == '°' else f' {unit}'}".rstrip()


def goal_words(goal: "Goal") -> str:
    """Say a goal in words.

    Examples
    --------
    >>> from optimize.scenario.goals import Goal
    >>> goal_words(Goal(figure="deflection_mm", aim="target", target=3.2, band=0.1))
    'bring deflection to 3.2 mm, give or take 0.1 mm'
    """
    label = label_of(goal.figure)
    if goal.target is None:
        return f"{'raise' if goal.aim == 'maximize' else 'lower'} {label}"
    band = f", give or take {with_unit(goal.band, goal.figure)}" if goal.band else ""
    return f"bring {label} to {with_unit(goal.target, goal.figure)}{band}"


# What more and less of a quantity are called where they have a word of their own.
_MORE_AND_LESS = {
    "mass_g": ("heavier", "lighter"),
    "diameter_mm": ("larger", "smaller"),
    "cost_per_ball": ("dearer", "cheaper"),
    "press_minutes": ("longer", "shorter"),
    "deflection_mm": ("softer", "firmer"),
    "frequency_hz": ("higher pitch", "lower pitch"),
    "cor": ("higher", "lower"),
    "contact_time_us": ("longer", "shorter"),
    "initial_velocity_m_s": ("faster", "slower"),
    "ball_speed_m_s": ("faster", "slower"),
    "launch_angle_deg": ("higher", "lower"),
    "smash_factor": ("higher", "lower"),
    "strike_time_us": ("longer", "shorter"),
    "carry_m": ("longer", "shorter"),
    "apex_m": ("higher", "lower"),
    "descent_angle_deg": ("steeper", "shallower"),
    "flight_time_s": ("longer", "shorter"),
    "total_m": ("longer", "shorter"),
    "carry_range_m": ("wider", "narrower"),
}


def better_words(goal: "Goal") -> str:
    """Say in words which way a goal is better.

    Examples
    --------
    >>> from optimize.scenario.goals import Goal
    >>> better_words(Goal(figure="stage1.deflection_mm", aim="maximize"))
    'softer is better'
    >>> better_words(Goal(figure="deflection_mm", aim="target", target=3.2, band=0.1))
    'nearer to 3.2 mm is better'
    """
    if goal.target is not None:
        return f"nearer to {with_unit(goal.target, goal.figure)} is better"
    more, less = _MORE_AND_LESS.get(parse_figure(goal.figure).quantity, ("more", "less"))
    return f"{more if goal.aim == 'maximize' else less} is better"


def bound_words(bound: "Bound") -> str:
    """Say a bound in words, with the margin to keep from it."""
    margin = f", with a margin of {with_unit(bound.margin, bound.figure)}" if bound.margin else ""
    return f"{label_of(bound.figure)} {bound.side} {with_unit(bound.value, bound.figure)}{margin}"


def question_of(run: "Run") -> str:
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


def summary_of(run: "Run", shown: int) -> str:
    """Say in a few sentences what came out of a run.

    Parameters
    ----------
    run : Run
        A finished search.
    shown : int
        How many of its builds the page shows.
    """
    many = len(run.short_list)
    computed = f"{run.evaluated} builds were" if run.evaluated != 1 else "1 build was"
    if run.feasible:
        found = f"{run.feasible} meet{'s' * (run.feasible == 1)} all constraints"
        listed = f"{many} are on the short list" if many != 1 else "one is on the short list"
    else:
        found = "none meets all constraints"
        listed = f"the {many} closest are shown" if many else "none could be made"
    said = f"{computed} computed, {found}; {listed}."
    if shown < run.evaluated:
        said += (
            f" The page shows {shown}: the front, the short list and a sample evenly spaced over "
            "the search."
        )
    return said


def layer_names(scenario: "Scenario") -> list[str]:
    """Name the scenario's layers by role, numbered where two have the same."""
    roles = [layer.role for layer in scenario.layer]
    return [
        role if roles.count(role) == 1 else f"{role} {roles[: i + 1].count(role)}"
        for i, role in enumerate(roles)
    ]
