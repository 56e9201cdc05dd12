"""Connections to the bench: a time limit for headers, a number limit for those without the token.

A connection that has not sent the session's token may be a browser that loads the page's own files,
or any program of this machine. As all are on loopback, no address tells them apart; so together
they have a fixed number of places, and a new one closes the oldest. Half-open connections thus
cannot block the page.
"""

import asyncio
from functools import partial
from typing import Any

import h11
from starlette.datastructures import Headers
from uvicorn.protocols.http.h11_impl import H11Protocol

from optimize.bench.guard import Access

# From a connection's first moment, or a later request's first byte, to the end of its header.
HEADER_S = 10.0
# A browser opens some six connections to load a page.
MOST_WITHOUT_TOKEN = 32


class Connection(H11Protocol):
    """HTTP/1.1 on one connection.

    Parameters
    ----------
    access : Access
        Knows the token.
    without_token : dict
        Connections that have not sent it, oldest first; shared by all connections.
    header_s : float
        How long a header may take, s.
    **options
        As the server gives them.
    """

    def __init__(
        self,
        access: Access,
        without_token: "dict[Connection, None]",
        header_s: float,
        **options: Any,
    ) -> None:
        super().__init__(**options)
        self._access = access
        self._without_token = without_token
        self._header_s = header_s
        self._header_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Enter the connections without the token."""
        super().connection_made(transport)
        if len(self._without_token) >= MOST_WITHOUT_TOKEN:
            next(iter(self._without_token)).abort()
        self._without_token[self] = None
        self._watch_header()

    def data_received(self, data: bytes) -> None:
        """Handle data; stop the timer when a header is complete."""
        super().data_received(data)
        self._watch_header()
        if self.headers and self._access.has_token(Headers(raw=self.headers)):
            self._without_token.pop(self, None)

    def connection_lost(self, exc: Exception | None) -> None:
        """Leave the connections without the token."""
        self._without_token.pop(self, None)
        self._stop_watching()
        super().connection_lost(exc)

    def abort(self) -> None:
        """End the connection at once."""
        self._without_token.pop(self, None)
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


def connection_factory(access: Access, header_s: float) -> Any:
    """Return the factory of the server's connections.

    Parameters
    ----------
    access : Access
        Knows the token.
    header_s : float
        How long a header may take, s.
    """
    return partial(Connection, access, {}, header_s)
