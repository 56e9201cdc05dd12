"""Pictures in a notebook: a ball, several side by side, or the trade-off of a run."""

import io
from collections.abc import Sequence
from dataclasses import dataclass, field

from matplotlib.figure import Figure

from layers.ball import Ball
from layers.conditions import Conditions
from layers.energy.impact import record_impact
from layers.errors import InputError
from layers.estimates import Estimate
from layers.files.paths import StrPath
from optimize.report.pictures import section
from optimize.report.pictures.impact import Shade, draw_impact
from optimize.report.pictures.trade_off import draw_tradeoff
from optimize.search.result import Run


@dataclass(frozen=True)
class Drawing:
    """A picture that a notebook shows by itself; `figure` is matplotlib's."""

    figure: Figure = field(repr=False)
    title: str

    def save(self, path: StrPath) -> None:
        """Write it as SVG or PNG, by the file's ending.

        Raises
        ------
        InputError
            If the ending is another, or the file cannot be written.
        """
        section.save(self.figure, path)

    def _repr_png_(self) -> bytes:
        buffer = io.BytesIO()
        self.figure.savefig(buffer, format="png", dpi=100)
        return buffer.getvalue()


def draw(what: Ball | Estimate | Run | Sequence[Ball]) -> Drawing:
    """Draw a ball's cross-section, several side by side, or a run's trade-off.

    Parameters
    ----------
    what : Ball, Estimate, Run or sequence of Ball
        A ball or an estimate's ball: its quarter cut, true to scale. A run: its goals against
        each other, the front and the short list.

    Returns
    -------
    Drawing
        Shown by a notebook; written to a file by its `save`.

    Raises
    ------
    InputError
        If it is none of these, or there is no ball.
    """
    if isinstance(what, Run):
        return Drawing(draw_tradeoff(what), what.scenario.name)
    if isinstance(what, Estimate):
        what = what.ball
    if isinstance(what, Ball):
        return Drawing(section.draw_ball(what.checked()), what.name)
    balls = list(what) if isinstance(what, Sequence) else []
    if not balls or not all(isinstance(ball, Ball) for ball in balls):
        raise InputError(f"draw takes a ball, balls or a run, not {type(what).__name__}.")
    names = [ball.checked().name for ball in balls]
    return Drawing(section.draw_balls(balls, names), ", ".join(names))


def impact_section(
    ball: Ball,
    swing: str | None = None,
    shade: Shade = "strain",
    conditions: Conditions | None = None,
) -> Drawing:
    """Draw a ball in an impact: its section at greatest compression, and the energy by layer.

    Parameters
    ----------
    ball : Ball
        The build.
    swing : str, optional
        Name of a swing; without one the ball is thrown at a rigid barrier.
    shade : {"strain", "loss"}
        What the section is shaded by.
    conditions : Conditions, optional
        Where the swing is found; the shipped ones otherwise.

    Returns
    -------
    Drawing
        Shown by a notebook; written to a file by its `save`.

    Raises
    ------
    InputError
        If the swing or the shade is unknown.
    SolverError
        If the computation breaks down.
    """
    if shade not in ("strain", "loss"):
        raise InputError(f"shade is {shade!r}, but must be strain or loss.")
    record = record_impact(ball, swing, conditions=conditions)
    return Drawing(draw_impact(record, ball, shade), ball.name)
