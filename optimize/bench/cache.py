"""Computed figures by build: in memory while the bench runs, and in the ledger if it has one."""

import sqlite3
from collections import OrderedDict
from collections.abc import Sequence
from pathlib import Path

from layers.ball import Ball
from layers.conditions import Conditions
from layers.errors import InputError
from layers.estimates import Estimate
from layers.model_version import MODEL_VERSION
from optimize.ledger.ledger import Ledger
from optimize.ledger.rows import Known
from optimize.scenario.space import content_of, key_of

_MOST = 2000
_MOST_ROWS = 20_000  # of a ledger, searched for builds of the past
_NOTHING = Known({}, {})


class Cache:
    """Figures by build, for one thread, which also opens the ledger.

    Parameters
    ----------
    path : Path or None
        The ledger.
    conditions : Conditions or None
        Of launch and flight; part of the key in the ledger.
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
        missing = [k for k in dict.fromkeys(keys) if k not in self._known]
        if self._ledger is not None and missing:
            try:
                for k, found in self._ledger.known(missing, self._version).items():
                    self._keep(k, found)
            except (InputError, sqlite3.Error) as error:
                self._drop_ledger(error)
        return [self._known.get(k, _NOTHING) for k in keys]

    def past(self) -> list[tuple[str, Known]]:
        """Return content and figures of the ledger's latest builds of this model, newest first."""
        if self._ledger is None:
            return []
        where = "model_version = ? AND id > (SELECT MAX(id) FROM evaluation) - ?"
        found: dict[str, Known] = {}
        try:
            for entry in self._ledger.entries_where(where, (self._version, _MOST_ROWS)):
                more = entry.known()
                before = found.pop(entry.content, _NOTHING)
                found[entry.content] = before.joined(more.figures, more.failed)
        except (InputError, sqlite3.Error) as error:
            self._drop_ledger(error)
        return list(reversed(found.items()))

    def add(self, ball: Ball, found: Estimate, lasting: bool) -> None:
        """Keep the result of one test.

        Parameters
        ----------
        ball : Ball
            The build.
        found : Estimate
            Figures and failures.
        lasting : bool
            False for a failure that is not the build's: it is not written to the ledger.
        """
        k = key(ball)
        self._keep(k, self._known.get(k, _NOTHING).joined(found.figures, found.failed))
        if self._ledger is not None and lasting:
            try:
                self._ledger.add(k, content_of(ball), self._version, found)
            except (InputError, sqlite3.Error) as error:
                self._drop_ledger(error)

    def _keep(self, k: str, found: Known) -> None:
        self._known[k] = found
        self._known.move_to_end(k)
        if len(self._known) > _MOST:
            self._known.popitem(last=False)

    def _drop_ledger(self, error: Exception) -> None:
        """Continue without the ledger."""
        self.trouble = f"The ledger is no longer written: {error}"
        self.close()


def key(ball: Ball) -> str:
    """Return the key of a build, from its numbers."""
    return key_of(content_of(ball))
