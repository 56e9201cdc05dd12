"""A graphics card's check as a table and as plain data."""

from collections.abc import Sequence
from typing import Any

from layers.gpu.check import LIMITS, Check
from optimize.report.tables import Section, columns

_WHAT = ("ball_speed", "launch_angle", "spin")


def check_sections(card: str, found: Sequence[Check]) -> list[Section]:
    """Tabulate differences from the CPU and throughput, a row a precision."""
    rows = tuple(
        (
            one.precision,
            *(f"{value:.1e}" for value in one.largest),
            str(one.flags),
            "yes" if one.repeats else "no",
            f"{one.per_second:,.0f}",
            "yes" if one.passed else "no",
        )
        for one in found
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
    return [Section(f"Check of {card}", heads, rows, notes)]


def check_record(card: str, found: Sequence[Check]) -> dict[str, Any]:
    """Return the same as plain data."""
    return {
        "card": card,
        "passed": all(one.passed for one in found),
        "precision": {
            one.precision: {
                "largest_relative_difference": dict(zip(_WHAT, one.largest.tolist(), strict=True)),
                "root_mean_square": dict(zip(_WHAT, one.root_mean_square.tolist(), strict=True)),
                "allowed": dict(zip(_WHAT, LIMITS[one.precision], strict=True)),
                "other_flags": one.flags,
                "two_runs_same_bits": one.repeats,
                "impacts_per_s": one.per_second,
                "passed": one.passed,
            }
            for one in found
        },
    }
