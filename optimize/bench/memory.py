"""What was computed on the bench: kept while it runs, and in the ledger if there is one."""

import sqlite3
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path

from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimation import MODEL_VERSION
from layers.figures import Estimate
from optimize.ledger.ledger import Known, Ledger
from optimize.scenario.space import content_of, key_of

_MOST = 2000
_NOTHING = Known({}, {})


class Memory:
    """Figures by build. Used from one thread, which is also the one that opens the ledger.

    Parameters
    ----------
    path : Path or None
        The ledger.
    conditions : Conditions or None
        What figures of launch and flight rest on; the ledger keeps others apart.
    """

    def __init__(self, path: Path | None, conditions: Conditions | None) -> None:
        self._known: OrderedDict[str, Known] = OrderedDict()
        self._version = MODEL_VERSION
        if conditions:
            self._version += f"+{conditions.fingerprint()}"
        self._ledger = Ledger(path) if path else None
        self.trouble = ""

    def close(self) -> None:
        """Close the ledger."""
        if self._ledger is not None:
            self._ledger.close()
        self._ledger = None

    def known(self, balls: Sequence[Ball]) -> list[Known]:
        """Return what is known of each build, from here or from the ledger."""
        keys = [key(ball) for ball in balls]
        strange = [k for k in dict.fromkeys(keys) if k not in self._known]
        if self._ledger is not None and strange:
            try:
                for k, found in self._ledger.known(strange, self._version).items():
                    self._keep(k, found)
            except (InputError, sqlite3.Error) as error:
                self._give_up(error)
        return [self._known.get(k, _NOTHING) for k in keys]

    def add(self, ball: Ball, found: Estimate, lasting: bool) -> None:
        """Keep the figures of one test; what is not the build's doing is for this session only."""
        k = key(ball)
        self._keep(k, self._known.get(k, _NOTHING).joined(found.figures, found.failed))
        if self._ledger is not None and lasting:
            try:
                self._ledger.add(k, content_of(ball), self._version, found)
            except (InputError, sqlite3.Error) as error:
                self._give_up(error)

    def _keep(self, k: str, found: Known) -> None:
        self._known[k] = found
        self._known.move_to_end(k)
        if len(self._known) > _MOST:
            self._known.popitem(last=False)

    def _give_up(self, error: Exception) -> None:
        """Go on without the ledger: the bench is of use without one."""
        self.trouble = f"The ledger is no longer written: {error}"
        self.close()


def key(ball: Ball) -> str:
    """Return the name of a build: of its numbers."""
    return key_of(content_of(ball))
