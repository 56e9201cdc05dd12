"""Recipe and press cycle for a wanted profile, as a trade-off with the time in the press."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from layers.arrays import FloatArray
from layers.compound.recipe import (
    Ingredient,
    Recipe,
    default_ingredients,
    filler_for_density,
    with_active,
)
from layers.cure.chemistry import Chemistry
from layers.cure.cycle import Cycle, cycle_from_table
from layers.cure.hardening import Hardening, HardnessProfile, log_modulus, predict, shore_c
from layers.cure.history import HOTTEST_CELSIUS, PEROXIDE_LEFT, SCORCHED, History, cure_core
from layers.cure.stock import Stock, stock_of
from layers.errors import find_named
from layers.files.csv import Column
from optimize.cure.wanted import Wanted

# Times in the press that are tried, starts of each, shells, and error of a step of time, K.
_TIMES, _STARTS, _SHELLS, _STEP = 8, 3, 40, 0.05
# What the search keeps clear of the limits, and points of hardness that going beyond a limit by
# this much of it counts as.
_CLEAR, _PENALTY = 0.9, 40.0
# Share of a range over which the slopes are taken.
_DIFFERENCE = 0.02


@dataclass(frozen=True)
class Task:
    """What is to be reached from where.

    Attributes
    ----------
    recipe : Recipe
        With one co-agent and one peroxide.
    cycle : Cycle
        Its preform, times before closing, contact and cooling are kept; its steps are replaced.
    wanted : Wanted
        The profile.
    diameter_mm : float
        Of the core as moulded.
    hardening : Hardening
        The map.
    chemistry : Chemistry
        Cards of peroxides and co-agents.
    ranges : mapping of str to Column
        What may vary, see `optimize.cure.wanted.RANGES`.
    density : (str, float) or None
        A filler, and the density that it shall bring the compound to, g/cm3.
    steps : int
        Platen temperatures of the cycle, 1 or 2.
    """

    recipe: Recipe
    cycle: Cycle
    wanted: Wanted
    diameter_mm: float
    hardening: Hardening
    chemistry: Chemistry
    ranges: Mapping[str, Column]
    density: tuple[str, float] | None = None
    steps: int = 1


@dataclass(frozen=True)
class Candidate:
    """A recipe and a cycle with the profile that they are expected to give.

    Attributes
    ----------
    recipe, stock, cycle : Recipe, Stock, Cycle
        What is cured, how.
    misfit : float
        Root mean square of expected less wanted hardness, Shore C.
    profile : HardnessProfile
        At the wanted positions.
    flags : tuple of str
        What is wrong with the cycle; empty for a sound one.
    """

    recipe: Recipe
    stock: Stock
    cycle: Cycle
    misfit: float
    profile: HardnessProfile
    flags: tuple[str, ...]


def candidates(task: Task, peroxides: Sequence[str] = ()) -> tuple[Candidate, ...]:
    """Search recipes and cycles: for each time in the press those of the least misfit.

    At each time, Gauss and Newton's least squares from several starts on platen temperature,
    co-agent and peroxide, with scorch, peroxide left, hottest place and heat after demoulding as
    penalties. Only those stay to which no other is as quick and as close.

    Parameters
    ----------
    task : Task
        What is to be reached.
    peroxides : sequence of str
        Cards of peroxides to try in place of the recipe's, each by itself.

    Returns
    -------
    tuple of Candidate
        Quickest first; those with flags only where no sound one was found.

    Raises
    ------
    InputError
        If a peroxide has no card, the recipe has not one line of peroxide and of co-agent, or the
        density is out of reach.
    """
    recipes = [with_peroxide(task.recipe, name, task.chemistry) for name in peroxides]
    minutes = task.ranges["minutes"]
    found = [
        _best(task, recipe, float(time))
        for recipe in recipes or [task.recipe]
        for time in np.linspace(minutes.low, minutes.high, _TIMES)
    ]
    sound = [c for c in found if not c.flags] or found
    front = [c for c in sound if not any(_better(other, c) for other in sound)]
    return tuple(sorted(front, key=lambda c: c.cycle.minutes))


def _better(a: Candidate, b: Candidate) -> bool:
    """Whether a is as quick as b and as close within 0.05 points, and better in one of both."""
    return (
        a.cycle.minutes <= b.cycle.minutes
        and a.misfit <= b.misfit + 0.05
        and (a.cycle.minutes < b.cycle.minutes or a.misfit < b.misfit)
    )


def with_peroxide(recipe: Recipe, name: str, chemistry: Chemistry) -> Recipe:
    """Return the recipe with its one peroxide replaced by another, pure, at as many active parts.

    Parameters
    ----------
    recipe : Recipe
        With one line of peroxide.
    name : str
        Card of the other.
    chemistry : Chemistry
        The cards.

    Raises
    ------
    InputError
        If there is no such card, or not one line.
    """
    card = find_named(chemistry.peroxide, name, "peroxide", "chemistry cards")
    phr = recipe.phr("peroxide")
    with_active(recipe, "peroxide", phr)  # refuses several lines
    shipped = {c.name: c for c in default_ingredients().cards if c.role == "peroxide"}

    def pure(of: Ingredient) -> Ingredient:
        own = {"name": card.name, "chemistry": card.name, "active_percent": 100.0}
        return shipped.get(card.name) or of.model_copy(update=own)

    parts = tuple(
        part.model_copy(update={"ingredient": pure(part.ingredient), "phr": phr})
        if part.ingredient.role == "peroxide"
        else part
        for part in recipe.part
    )
    return recipe.model_copy(update={"part": parts})


def settled(
    task: Task, recipe: Recipe, settings: Mapping[str, float]
) -> tuple[Recipe, Stock, Cycle]:
    """Apply settings to the recipe and the cycle.

    Parameters
    ----------
    task : Task
        What is to be reached.
    recipe : Recipe
        Its recipe, perhaps with another peroxide.
    settings : mapping of str to float
        Of `optimize.cure.wanted.RANGES`; with ``second_celsius`` and ``first_share`` a cycle of two
        steps, the first for this share of the time.
    """
    recipe = with_active(recipe, "co-agent", settings["coagent_phr"])
    recipe = with_active(recipe, "peroxide", settings["peroxide_phr"])
    if task.density:
        recipe = filler_for_density(recipe, *task.density)
    platen, minutes = settings["platen_celsius"], settings["minutes"]
    rows = [{"platen_celsius": platen, "minutes": minutes}]
    if "second_celsius" in settings:
        first = settings["first_share"] * minutes
        rows = [
            {"platen_celsius": platen, "minutes": first},
            {"platen_celsius": settings["second_celsius"], "minutes": minutes - first},
        ]
    told = ", then ".join(f"{r['platen_celsius']:.1f} C for {r['minutes']:.1f} min" for r in rows)
    table = {**task.cycle.model_dump(), "name": told, "step": rows}
    return recipe, stock_of(recipe, task.chemistry), cycle_from_table(table, told)


def _free(task: Task) -> dict[str, Column]:
    """Return the settings that the search varies at a given time."""
    free = {name: column for name, column in task.ranges.items() if name != "minutes"}
    if task.steps == 2:
        free["second_celsius"] = task.ranges["platen_celsius"]
        free["first_share"] = Column("1", "share of the first step", 0.2, 0.8)
    return free


def _best(task: Task, recipe: Recipe, minutes: float) -> Candidate:
    free = _free(task)
    low = np.array([column.low for column in free.values()])
    width = np.array([column.high for column in free.values()]) - low

    def made(x: FloatArray) -> tuple[Recipe, Stock, Cycle]:
        values = dict(zip(free, (low + width * x).tolist(), strict=True))
        return settled(task, recipe, {**values, "minutes": minutes})

    def miss(x: FloatArray) -> FloatArray:
        _, stock, cycle = made(x)
        history = cure_core(stock, cycle, task.diameter_mm, task.hardening.law, _SHELLS, _STEP)
        return np.concatenate([_off(task, history), _PENALTY * _beyond(history)])

    starts = np.linspace(0.0, 1.0, _STARTS + 2)[1:-1]
    answers = [
        least_squares(
            miss,
            np.full(len(free), start),
            bounds=(0.0, 1.0),
            diff_step=np.full(len(free), _DIFFERENCE),
            max_nfev=12,
            xtol=1e-3,
            ftol=1e-4,
        )
        for start in starts
    ]
    best = min(answers, key=lambda answer: float(answer.cost))
    made_of, stock, cycle = made(best.x)
    return judged(task, made_of, stock, cycle)


def judged(task: Task, recipe: Recipe, stock: Stock, cycle: Cycle) -> Candidate:
    """Compute what a recipe and a cycle give, with every shell.

    Parameters
    ----------
    task : Task
        What is to be reached.
    recipe, stock, cycle : Recipe, Stock, Cycle
        What is cured, how.
    """
    history = cure_core(stock, cycle, task.diameter_mm, task.hardening.law)
    profile = predict(task.hardening, stock, cycle, task.diameter_mm, task.wanted.position_mm)
    misfit = float(np.sqrt(np.mean(np.square(_off(task, history)))))
    return Candidate(recipe, stock, cycle, misfit, profile, history.flags())


def _off(task: Task, history: History) -> FloatArray:
    modulus = np.exp(log_modulus(task.hardening.mean, history, task.wanted.position_mm))
    return shore_c(modulus) - task.wanted.shore_c


def _beyond(history: History) -> FloatArray:
    """How far a cure is beyond each limit of `History.flags`, of the limit; 0 within."""
    hottest, _, when = history.peak
    rest = float(history.left[history.demoulded].max())
    scorch = history.scorch()
    over = np.array(
        [
            max(scorch.index, scorch.before) / (_CLEAR * SCORCHED) - 1.0,
            # The logarithm keeps a slope where nothing has decomposed yet.
            np.log(max(rest, 1e-12) / (_CLEAR * PEROXIDE_LEFT)),
            (hottest - HOTTEST_CELSIUS) / 20.0 + 0.02,
            when / history.cycle.minutes - 0.98,
        ]
    )
    return np.asarray(np.maximum(over, 0.0))
