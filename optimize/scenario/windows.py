"""Limits and fences of a file, and the screen of any build against them.

`screen_windows` takes a build and its figures; `Windows.figures` says which figures it needs.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationError, model_validator

from layers.ball import Ball
from layers.estimates import Figure
from layers.figures import parse_figure
from layers.files.explain import explain
from layers.files.fields import Table
from layers.files.paths import StrPath
from layers.files.text import Text, read_text
from layers.files.toml import parse_toml, told_by_line
from optimize.scenario.fences import Fence, FenceRange, WayOut, ways_out
from optimize.scenario.goals import Limit, sides_of
from optimize.scenario.measures import is_clearance, parse_measure

Verdict = Literal["met", "met within error", "violated within error", "violated", "not known"]


class Windows(Table):
    """Limits to meet and fences to stay out of; a scenario's file serves too."""

    name: Text = Field("windows", max_length=120, description="name of the windows")
    limit: tuple[Limit, ...] = Field((), max_length=40, description="limits that a build meets")
    fence: tuple[Fence, ...] = Field((), max_length=40, description="windows to stay out of")

    @model_validator(mode="after")
    def _something_is_limited(self) -> "Windows":
        if not self.limit and not self.fence:
            raise ValueError("limit and fence are missing; add a [[limit]] or a [[fence]]")
        refuse_twins(self.fence)
        return self

    def figures(self, layers: int | None = None) -> tuple[str, ...]:
        """Return the names of the figures that the windows need, each once.

        Parameters
        ----------
        layers : int, optional
            Leave out stages beyond so many layers.
        """
        names = [n for limit in self.limit for n in parse_measure(limit.figure).figures]
        names += [name for fence in self.fence for name in fence.figures]
        most = math.inf if layers is None else layers
        return tuple(n for n in dict.fromkeys(names) if (parse_figure(n).stage or 1) <= most)


@dataclass(frozen=True)
class LimitScreen:
    """One side of a limit: value, margin to it (positive inside), absolute error, verdict."""

    figure: str
    side: str
    bound: float
    value: float | None
    margin: float | None
    error: float
    verdict: Verdict


@dataclass(frozen=True)
class FenceScreen:
    """A fence and a build.

    Attributes
    ----------
    fence : str
        Its name.
    way : tuple of WayOut
        Of each range, farthest outside first; the first is the clearance, or the nearest way out.
    clearance_percent, error_percent : float
        Clearance, negative inside, and the absolute error of its number in the same measure.
    verdict : str
        ``met`` outside of the fence.
    """

    fence: str
    way: tuple[WayOut, ...]
    clearance_percent: float
    error_percent: float
    verdict: Verdict


@dataclass(frozen=True)
class WindowScreen:
    """A build screened against windows: one row a side of a limit, and one a fence."""

    limit: tuple[LimitScreen, ...]
    fence: tuple[FenceScreen, ...]

    @property
    def refused(self) -> bool:
        """Whether a limit is violated or the build is inside a fence, errors aside."""
        verdicts = [row.verdict for row in self.limit] + [row.verdict for row in self.fence]
        return any(verdict.startswith("violated") for verdict in verdicts)


def screen_windows(windows: Windows, ball: Ball, figures: Mapping[str, Figure]) -> WindowScreen:
    """Screen a build against limits and fences: a screen, no legal advice.

    Parameters
    ----------
    windows : Windows
        Limits and fences.
    ball : Ball
        The build.
    figures : mapping of str to Figure
        Its figures, those of `Windows.figures`; a missing one gives ``not known``.
    """
    limits = [row for limit in windows.limit for row in _limit_screens(limit, ball, figures)]
    return WindowScreen(
        tuple(limits), tuple(fence_screen(fence, ball, figures) for fence in windows.fence)
    )


def fence_screen(fence: Fence, ball: Ball, figures: Mapping[str, Figure]) -> FenceScreen:
    """Screen a build against one fence.

    Parameters
    ----------
    fence : Fence
        The windows to stay out of.
    ball : Ball
        The build.
    figures : mapping of str to Figure
        Its figures.
    """
    values = {name: figure.value for name, figure in figures.items()}
    ways = ways_out(fence, ball, values)
    first = ways[0]
    measure = parse_measure(first.figure)
    found = measure.figure_of(ball, figures)
    error = 100.0 * found.absolute_error / measure.scale_of(ball, values) if found else 0.0
    missing = [
        name
        for name in fence.figures
        if name not in figures and (parse_figure(name).stage or 1) <= len(ball.layer)
    ]
    over = first.percent - fence.margin_percent
    verdict: Verdict = "not known" if missing else _verdict(over, error)
    return FenceScreen(fence.name, ways, first.percent, error, verdict)


def bounded_figure(
    name: str, fences: Sequence[Fence], ball: Ball, figures: Mapping[str, Figure]
) -> Figure | None:
    """Return what a bound is on, of a build: a figure, a measure or the clearance of a fence.

    Parameters
    ----------
    name : str
        The bound's figure; None is returned where the build has no such layer or figure.
    fences : sequence of Fence
        Those of the scenario.
    ball : Ball
        The build.
    figures : mapping of str to Figure
        Its figures.
    """
    if name in figures:
        return figures[name]
    if not is_clearance(name):
        return parse_measure(name).figure_of(ball, figures)
    fence = next(fence for fence in fences if fence.bound().figure == name)
    found = fence_screen(fence, ball, figures)
    if found.verdict == "not known":
        return None
    return Figure(name, found.clearance_percent, "%", "finite element", 0.0, found.error_percent)


def _limit_screens(limit: Limit, ball: Ball, figures: Mapping[str, Figure]) -> list[LimitScreen]:
    found = parse_measure(limit.figure).figure_of(ball, figures)
    rows = []
    for bound in sides_of(limit.figure, limit.at_least, limit.at_most, limit.margin, "limit"):
        if found is None:
            rows.append(
                LimitScreen(limit.figure, bound.side, bound.value, None, None, 0.0, "not known")
            )
            continue
        sign = 1.0 if bound.side == "at least" else -1.0
        margin = sign * (found.value - bound.value) - bound.margin
        if not bound.excess(found.value):
            margin = max(margin, 0.0)
        error = found.absolute_error
        verdict = _verdict(margin, error if found.basis != "closed form" else 0.0)
        rows.append(
            LimitScreen(limit.figure, bound.side, bound.value, found.value, margin, error, verdict)
        )
    return rows


def _verdict(margin: float, error: float) -> Verdict:
    if abs(margin) < error:
        return "met within error" if margin >= 0.0 else "violated within error"
    return "met" if margin >= 0.0 else "violated"


def refuse_twins(fences: tuple[Fence, ...]) -> None:
    """Raise a ValueError if two fences have one name."""
    names = [fence.name for fence in fences]
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise ValueError(f"there are two fences {twice[0]!r}; name each once")


def windows_from_toml(text: str, what: str = "windows") -> Windows:
    """Read windows from TOML; of a scenario, its limits and fences.

    Raises
    ------
    InputError
        On bad TOML, an unknown figure or property, or a value out of range.
    """
    table = parse_toml(text, what)
    if "layer" in table and "goal" in table:
        table = {key: table[key] for key in Windows.model_fields if key in table}
    known = [n for t in (Windows, Limit, Fence, FenceRange) for n in t.model_fields]
    with told_by_line(text, what):
        try:
            return Windows.model_validate(table)
        except ValidationError as error:
            raise explain(error, what, tuple(dict.fromkeys(known)), (Windows,)) from error


def read_windows(path: StrPath) -> Windows:
    """Read windows from a TOML file; see `windows_from_toml`.

    Raises
    ------
    InputError
        If the file is missing, unreadable, not TOML or without a limit or fence.
    """
    path = Path(path)
    return windows_from_toml(read_text(path), path.name)
