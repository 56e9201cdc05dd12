"""All verdicts of a run together."""

from dataclasses import dataclass

from optimize.search.result import Run
from optimize.verdicts.constraints import IDLE, Constraint, constraints
from optimize.verdicts.edges import Edge, edges
from optimize.verdicts.goals import GoalVerdict, Trade, goal_verdicts, trades
from optimize.verdicts.likeness import Likeness, distinct_words, likenesses
from optimize.verdicts.patterns import PatternVerdict, pattern_verdicts
from optimize.verdicts.prototypes import PrototypePair, prototype_pairs


@dataclass(frozen=True)
class Verdicts:
    """What a finished run decides.

    Attributes
    ----------
    trades : tuple of Trade
        What is traded for what; empty with one goal.
    goals : tuple of GoalVerdict
        Whether each goal is decided.
    likenesses : tuple of Likeness
        Members that the model does not tell apart.
    distinct : str
        Sentence on the members that it tells from every other; may be empty.
    prototypes : tuple of PrototypePair
        Pairs to make, the first first.
    edges : tuple of Edge
        Design variables at the edge of their range.
    constraints : tuple of Constraint
        Every bound; empty where no build is feasible.
    patterns : tuple of PatternVerdict
        Which dimple pattern suits which construction; empty where there is none to choose.
    """

    trades: tuple[Trade, ...]
    goals: tuple[GoalVerdict, ...]
    likenesses: tuple[Likeness, ...]
    distinct: str
    prototypes: tuple[PrototypePair, ...]
    edges: tuple[Edge, ...]
    constraints: tuple[Constraint, ...]
    patterns: tuple[PatternVerdict, ...] = ()

    def groups(self) -> dict[str, tuple[str, ...]]:
        """Return the sentences under the question that each answers; empty ones left out.

        Constraints that neither bind nor have a member at them share one sentence.
        """
        idle = [c for c in self.constraints if not (c.at or c.violating)]
        held = [c.sentence for c in self.constraints if c.at or c.violating]
        if idle:
            names = [c.sentence.removesuffix(IDLE) for c in idle]
            held.append(f"{'' if held else 'None binds. '}Not binding: {'; '.join(names)}.")
        found = {
            "What is traded": tuple(t.sentence for t in self.trades),
            "What is decided": tuple(g.sentence for g in self.goals),
            "Which two to make": tuple(p.sentence for p in self.prototypes),
            "Which pattern suits which construction": tuple(p.sentence for p in self.patterns),
            "Which members are distinct": tuple(
                filter(None, (self.distinct, *(one.sentence for one in self.likenesses)))
            ),
            "At the edge of the ranges": tuple(e.sentence for e in self.edges),
            "Which constraint binds": tuple(held),
        }
        return {title: sentences for title, sentences in found.items() if sentences}


def verdicts_of(run: Run) -> Verdicts:
    """Draw the verdicts from a run's builds; nothing is computed anew.

    Parameters
    ----------
    run : Run
        A finished search.
    """
    alike = likenesses(run)
    return Verdicts(
        trades=trades(run),
        goals=goal_verdicts(run),
        likenesses=alike,
        distinct=distinct_words(run, alike),
        prototypes=prototype_pairs(run),
        edges=edges(run),
        constraints=constraints(run),
        patterns=pattern_verdicts(run),
    )
