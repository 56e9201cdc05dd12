"""Connections to the bench: how long a header may take, and how many may stay without the token.

A connection that has not shown the session's token is a stranger: a browser loading the page's own
files, or any program of this machine. Strangers cannot be told apart by address, all being on
loopback, so together they have a fixed number of places, and a new one takes the oldest one's.
Half-open connections thus never keep the page from being answered.
"""

import asyncio
from functools import partial
from typing import Any

import h11
from starlette.datastructures import Headers
from uvicorn.protocols.http.h11_impl import H11Protocol

from optimize.bench.guard import Door

# From a connection's first moment, or a later request's first byte, to the end of its header.
HEADER_S = 10.0
# A browser opens some six connections to load a page.
MOST_STRANGERS = 32


class Connection(H11Protocol):
    """HTTP/1.1 on one connection.

    Parameters
    ----------
    door : Door
        Knows the token.
    strangers : dict
        The connections that have not shown it, oldest first; shared by all connections.
    header_s : float
        How long a header may take, s.
    **options
        As the server gives them.
    """

    def __init__(
        self, door: Door, strangers: "dict[Connection, None]", header_s: float, **options: Any
    ) -> None:
        super().__init__(**options)
        self._door = door
        self._strangers = strangers
        self._header_s = header_s
        self._header_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take a place among the strangers."""
        super().connection_made(transport)
        if len(self._strangers) >= MOST_STRANGERS:
            next(iter(self._strangers)).abort()
        self._strangers[self] = None
        self._watch_header()

    def data_received(self, data: bytes) -> None:
        """Take in what came; stop the clock when a header is complete."""
        super().data_received(data)
        self._watch_header()
        if self.headers and self._door.shown(Headers(raw=self.headers)):
            self._strangers.pop(self, None)

    def connection_lost(self, exc: Exception | None) -> None:
        """Leave the place to another."""
        self._strangers.pop(self, None)
        self._stop_watching()
        super().connection_lost(exc)

    def abort(self) -> None:
        """End the connection at once."""
        self._strangers.pop(self, None)
        self.transport.abort()

    def _watch_header(self) -> None:
        if self.conn.their_state is not h11.IDLE:
            self._stop_watching()
        elif self._header_timer is None:
            self._header_timer = self.loop.call_later(self._header_s, self.abort)

    def _stop_watching(self) -> None:
        if self._header_timer is not None:
            self._header_timer.cancel()
            self._header_timer = None


def connections(door: Door, header_s: float) -> Any:
    """Return what the server makes its connections with; its annotation asks for a bare class.

    Parameters
    ----------
    door : Door
        Knows the token.
    header_s : float
        How long a header may take, s.
    """
    return partial(Connection, door, {}, header_s)
