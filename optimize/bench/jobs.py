"""A build to compute for a place on a page, and the news that its page gets."""

from collections.abc import Callable
from dataclasses import dataclass, field

from layers.ball import Ball
from optimize.bench.figures import Test
from optimize.ledger.rows import Known


@dataclass(frozen=True)
class News:
    """News of a job: figures of a test, a notice, or its end.

    `end` is empty while more is to come, else ``done``, ``superseded`` or ``closed``.
    """

    known: Known = field(default_factory=lambda: Known({}, {}))
    notice: str = ""
    end: str = ""


@dataclass(eq=False)
class Job:
    """One build to be computed for a place on a page; `urgent` ones go first."""

    place: str
    ball: Ball
    tests: list[Test]
    urgent: bool
    send: Callable[[News], None]


class TooBusy(Exception):
    """More builds wait than the bench accepts."""
