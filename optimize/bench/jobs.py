"""A build to compute for a place on a page, and the news that its page gets."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from layers.ball import Ball
from optimize.bench.figures import Test
from optimize.ledger.rows import Known

BARRIER = "rigid barrier"


@dataclass(frozen=True)
class News:
    """News of a job: figures of a test, a notice, an impact, or its end.

    `begun` tells that an impact is being computed, `impact` what came of it. `end` is empty while
    more is to come, else ``done``, ``superseded`` or ``closed``.
    """

    known: Known = field(default_factory=lambda: Known({}, {}))
    notice: str = ""
    end: str = ""
    begun: bool = False
    impact: dict[str, Any] | None = None


@dataclass(eq=False)
class Job:
    """One build to be computed for a place on a page; `urgent` ones go first.

    `impact` asks for a look into one impact instead of the tests: a swing's name, or `BARRIER`.
    """

    place: str
    ball: Ball
    tests: list[Test]
    urgent: bool
    send: Callable[[News], None]
    impact: str = ""


class TooBusy(Exception):
    """More builds wait than the bench accepts."""
