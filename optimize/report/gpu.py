"""The check of graphics cards as tables and as plain data."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from layers.gpu.card import Card
from layers.gpu.check import LIMITS, Check, Together
from optimize.report.tables import Section, columns

_WHAT = ("ball_speed", "launch_angle", "spin")


@dataclass(frozen=True)
class Checked:
    """The check of one card or several.

    Attributes
    ----------
    cards : dict of Card to list of Check
        Of each, a check a precision.
    together : list of Together
        All at once, a precision each; empty for one card.
    """

    cards: Mapping[Card, Sequence[Check]]
    together: Sequence[Together]

    @property
    def alike(self) -> bool:
        """Whether all cards are of one kind, and so must give the same bits."""
        return len({card.name for card in self.cards}) == 1

    @property
    def passed(self) -> bool:
        """Whether every card passed, and those of one kind gave the same bits."""
        each = all(one.passed for found in self.cards.values() for one in found)
        return each and all(one.same for one in self.together if self.alike)


def check_sections(found: Checked) -> list[Section]:
    """Tabulate differences from the CPU and throughput: a table a card, a row a precision."""
    sections = [_card_section(card, checks) for card, checks in found.cards.items()]
    if found.together:
        rows = tuple(
            (one.precision, "yes" if one.same else "no", f"{one.per_second:,.0f}")
            for one in found.together
        )
        heads = columns("precision", "same bits on all", ">/s")
        notes = () if found.alike else ("Cards of several kinds need not give the same bits.",)
        sections.append(Section(f"All {len(found.cards)} cards at once", heads, rows, notes))
    return sections


def _card_section(card: Card, checks: Sequence[Check]) -> Section:
    rows = tuple(
        (
            one.precision,
            *(f"{value:.1e}" for value in one.largest),
            str(one.flags),
            "yes" if one.repeats else "no",
            f"{one.per_second:,.0f}",
            "yes" if one.passed else "no",
        )
        for one in checks
    )
    heads = columns(
        "precision", ">speed", ">angle", ">spin", ">other flags", "two runs same", ">/s", "passed"
    )
    notes = (
        "Largest relative differences from the CPU in double precision over 400 impacts; impacts "
        "a second with packing and upload.",
        "Allowed: "
        + "; ".join(
            f"{precision} {', '.join(f'{limit:g}' for limit in limits)}"
            for precision, limits in LIMITS.items()
        )
        + ".",
    )
    return Section(f"Check of card {card.number}, {card.name}", heads, rows, notes)


def check_record(found: Checked) -> dict[str, Any]:
    """Return the same as plain data."""
    return {
        "passed": found.passed,
        "cards": [
            {"number": card.number, "card": card.name, "precision": _precisions(checks)}
            for card, checks in found.cards.items()
        ],
        "all_at_once": {
            one.precision: {"same_bits": one.same, "impacts_per_s": one.per_second}
            for one in found.together
        },
    }


def _precisions(checks: Sequence[Check]) -> dict[str, Any]:
    return {
        one.precision: {
            "largest_relative_difference": dict(zip(_WHAT, one.largest.tolist(), strict=True)),
            "root_mean_square": dict(zip(_WHAT, one.root_mean_square.tolist(), strict=True)),
            "allowed": dict(zip(_WHAT, LIMITS[one.precision], strict=True)),
            "other_flags": one.flags,
            "two_runs_same_bits": one.repeats,
            "impacts_per_s": one.per_second,
            "passed": one.passed,
        }
        for one in checks
    }
