"""Work in parts by processes that share graphics cards; this process keeps the ledger.

Making balls and judging figures takes a core longer than a card takes for their impacts: each
process does both for its part.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, NamedTuple, TypeVar, cast

from layers.conditions import Conditions
from layers.estimates import Estimate
from layers.gpu.batch import Device
from optimize.compute.card import OnCard
from optimize.compute.card_processes import CardProcesses
from optimize.compute.evaluator import Evaluator, model_version_under
from optimize.compute.pool import computing
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Entry, Known

# Builds of a part: their impacts fill a card a dozen times over.
PART = 1024

Part = TypeVar("Part")


class Done(NamedTuple):
    """What came of a part, its evaluations, and builds found in the ledger and computed."""

    found: Any
    entries: list[Entry]
    reused: int
    computed: int


@dataclass
class _Noting:
    """A ledger that is read, and what would be written to it."""

    ledger: Ledger
    entries: list[Entry] = field(default_factory=list)

    @property
    def path(self) -> Path:
        return self.ledger.path

    def known(self, keys: Sequence[str], model_version: str) -> dict[str, Known]:
        return self.ledger.known(keys, model_version)

    def add(self, key: str, content: str, model_version: str, estimate: Estimate) -> None:
        self.entries.append(Entry.of(key, content, model_version, estimate))


def in_parts(
    card: OnCard,
    conditions: Conditions | None,
    ledger: Ledger,
    work: Callable[[Evaluator, Part], Any],
    parts: Iterable[Part],
) -> Iterator[Done]:
    """Work on parts in processes, and yield what came of them in order.

    Parameters
    ----------
    card : OnCard
        The graphics cards, and how many processes share them.
    conditions : Conditions or None
        Swings, aerodynamics, air and precision; the shipped ones if None.
    ledger : Ledger
        Where figures are found; it has a part's own by the time that the part is yielded.
    work : callable
        Takes an `Evaluator` and a part; it is sent to the processes, as are the parts.
    parts : iterable
        Read as the work goes on.

    Raises
    ------
    SolverError
        If a process ends.
    """
    cards = CardProcesses(card.devices, card.workers, conditions)
    most = 2 * cards.each * len(cards.devices)
    waiting: deque[Future[Done]] = deque()
    left = iter(parts)
    try:
        with cards.watched():
            while True:
                for part in islice(left, most - len(waiting)):
                    waiting.append(cards.submit(_done, work, part, conditions, ledger.path))
                if not waiting:
                    return
                done = waiting.popleft().result()
                with ledger.transaction():
                    ledger.insert(done.entries)
                yield done
    except BaseException:
        cards.abandon()
        raise
    finally:
        cards.close()


def _done(
    device: Device,
    work: Callable[[Evaluator, Any], Any],
    part: Any,
    conditions: Conditions | None,
    path: Path,
) -> Done:
    """Work on a part, in a process of its own."""
    card = OnCard((device,))
    with Ledger(path, reading=True) as ledger, computing(card, conditions) as compute:
        noting = _Noting(ledger)
        version = model_version_under(conditions, card)
        evaluator = Evaluator(cast(Ledger, noting), compute, version, conditions, workers=card)
        found = work(evaluator, part)
    return Done(found, noting.entries, evaluator.reused, evaluator.computed)
