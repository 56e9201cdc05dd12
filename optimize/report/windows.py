"""Builds against limits and fences: a screen of numbers, no legal advice."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from optimize.report.tables import Section, columns
from optimize.report.words import label_of, unit_of, with_unit
from optimize.scenario.fences import Fence, WayOut
from optimize.scenario.windows import FenceScreen, LimitScreen, WindowScreen, fence_screen
from optimize.search.result import Run

NO_ADVICE = (
    "A screen of numbers, no legal advice: what a claim covers is for a patent attorney to say."
)


def way_words(way: WayOut) -> str:
    """Say a range and its nearest end: how far outside a number is, or the way out."""
    label = label_of(way.figure)
    if way.value is None or way.end is None:
        return f"no {label}"
    value, end = with_unit(float(f"{way.value:.4g}"), way.figure), with_unit(way.end, way.figure)
    if way.percent > 0.0:
        return f"{label} {value}, outside {end} by {way.percent:.2g} %"
    return f"{label} from {value} past {end}, a change of {-way.percent:.2g} %"


def windows_sections(screens: Sequence[tuple[str, WindowScreen]]) -> list[Section]:
    """Tabulate builds against limits, then against fences.

    Parameters
    ----------
    screens : sequence of (str, WindowScreen)
        Name of each build, and its screen.
    """
    limits = [_limit_row(name, row) for name, found in screens for row in found.limit]
    fences = [_fence_row(name, row) for name, found in screens for row in found.fence]
    sections = []
    if limits:
        heads = columns("build", "~limit", ">value", ">margin", ">± absolute", "unit", "screen")
        sections.append(Section("Limits", heads, tuple(limits)))
    if fences:
        sections.append(Section("Fences", _FENCE_HEADS, tuple(fences), _FENCE_NOTES))
    return [*sections, Section("Warnings", notes=(NO_ADVICE,))]


_FENCE_HEADS = columns(
    "build", "~fence", ">clearance, %", ">± absolute", "screen", "~nearest way out, or farthest out"
)
_FENCE_NOTES = (
    "A build is inside a fence when it is within all of its ranges. Clearance: the change, in "
    "percent, of the number that is farthest outside; negative inside, where it is the smallest "
    "change of one number that leads out.",
)


def _limit_row(name: str, row: LimitScreen) -> tuple[str, ...]:
    words = f"{label_of(row.figure)} {row.side} {with_unit(row.bound, row.figure)}"
    if row.value is None or row.margin is None:
        return name, words, "-", "-", "-", unit_of(row.figure), row.verdict
    return (
        name, words, f"{row.value:.4g}", f"{row.margin:+.3g}", f"{row.error:.2g}",
        unit_of(row.figure), row.verdict,
    )  # fmt: skip


def _fence_row(name: str, row: FenceScreen) -> tuple[str, ...]:
    clear = f"{row.clearance_percent:+.2g}"
    verdict = row.verdict.replace("met", "outside").replace("violated", "inside")
    return (
        name, row.fence, clear, f"{row.error_percent:.2g}", verdict, way_words(row.way[0]),
    )  # fmt: skip


def windows_record(screens: Sequence[tuple[str, WindowScreen]]) -> list[dict[str, Any]]:
    """Return screens as plain data.

    Parameters
    ----------
    screens : sequence of (str, WindowScreen)
        Name of each build, and its screen.
    """
    return [{"build": name, "refused": s.refused, **asdict(s)} for name, s in screens]


def fence_words(fence: Fence) -> str:
    """Write the ranges of a fence."""
    parts = []
    for one in fence.range:
        low, high = one.at_least, one.at_most
        ends = [f"at least {with_unit(low, one.figure)}"] if low is not None else []
        ends += [f"at most {with_unit(high, one.figure)}"] if high is not None else []
        parts.append(f"{label_of(one.figure)} {' and '.join(ends)}")
    return "; ".join(parts)


def fence_sections(run: Run) -> list[Section]:
    """Tabulate a run's fences, how many builds each refused, and each member's distance."""
    if not run.scenario.fence:
        return []
    rows = []
    for fence in run.scenario.fence:
        before, after = run.refused.get(fence.name, (0, 0))
        rows.append((fence.name, fence_words(fence), str(before), str(after), fence.source))
    heads = columns("fence", "~inside when all hold", ">before", ">after", "~from")
    note = "Builds refused before and after finite elements were run."
    sections = [Section("Fences to stay out of", heads, tuple(rows), (note, NO_ADVICE))]
    near = [
        _fence_row(member.label, fence_screen(fence, member.ball, member.estimate.figures))
        for member in run.short_list
        for fence in run.scenario.fence
    ]
    if near:
        sections.append(Section("Distance to the fences", _FENCE_HEADS, tuple(near), _FENCE_NOTES))
    return sections


def fences_record(run: Run) -> list[dict[str, Any]]:
    """Return a run's fences as plain data: builds refused, and each member's distance."""
    return [
        {
            "fence": fence.name,
            "refused_before_finite_elements": run.refused.get(fence.name, (0, 0))[0],
            "refused_after_finite_elements": run.refused.get(fence.name, (0, 0))[1],
            "members": {
                m.label: asdict(fence_screen(fence, m.ball, m.estimate.figures))
                for m in run.short_list
            },
        }
        for fence in run.scenario.fence
    ]
