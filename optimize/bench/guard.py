"""Access control before every route: which requests are answered, and their limits.

A page on another site, a foreign name that resolves to this machine, another user's program: none
of them has the session's token, and none is answered.
"""

import asyncio
import hmac
import json
import logging
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from h11 import LocalProtocolError
from starlette.datastructures import Headers
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

TOKEN_HEADER = "x-orbwright-token"
# A browser's own has some 0.6 kB.
MOST_HEADER_BYTES = 16 * 1024
_CLOSING_S = 5.0
_LOG = logging.getLogger("orbwright.bench")

_ALWAYS = {
    "cache-control": "no-store",
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
        "img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}


class Refused(Exception):
    """A request is not answered: status and one sentence."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status


@dataclass(frozen=True)
class Access:
    """What a request needs to be answered.

    Attributes
    ----------
    port : int
        The port served; with a loopback name it is the only Host that is answered.
    token : str
        The session's secret, needed for everything but the page's own files.
    """

    port: int
    token: str

    @property
    def hosts(self) -> tuple[str, ...]:
        """Values of the Host header that are answered."""
        names = ("127.0.0.1", "localhost", "[::1]")
        bare = names if self.port == 80 else ()
        return (*(f"{name}:{self.port}" for name in names), *bare)

    def has_token(self, headers: Headers) -> bool:
        """Whether a request carries the session's token."""
        given = headers.get(TOKEN_HEADER, "")
        return hmac.compare_digest(given.encode("utf-8", "replace"), self.token.encode())

    def check(self, method: str, path: str, headers: Headers) -> None:
        """Refuse a request that does not come from the page of this session.

        Parameters
        ----------
        method, path : str
            Of the request.
        headers : Headers
            Of the request.

        Raises
        ------
        Refused
            With the status and why.
        """
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            raise Refused(421, "This bench answers on loopback only, by its own address.")
        origin = headers.get("origin")
        if origin is not None and origin.lower() not in {f"http://{host}" for host in self.hosts}:
            raise Refused(403, "This bench does not answer pages of another origin.")
        site = headers.get("sec-fetch-site", "same-origin")
        if site not in ("same-origin", "none"):
            raise Refused(403, "This bench does not answer pages of another site.")
        if (method not in ("GET", "HEAD") or path.startswith("/api")) and not self.has_token(
            headers
        ):
            raise Refused(
                403,
                "The session's token is missing or wrong; open the page by the "
                "address that the command printed.",
            )


class Guard:
    """ASGI wrapper that checks requests, adds security headers, and keeps tracebacks to itself."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        try:
            await self._answer(scope, receive, send)
        except (ClientDisconnect, LocalProtocolError):
            # The client has gone, or broke the protocol in the middle of a request, which the
            # server has answered by itself: nothing is left to send.
            with suppress(TimeoutError):
                await asyncio.wait_for(_closed(receive), _CLOSING_S)

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun = False

        async def safe_send(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                ours = {name.encode() for name in _ALWAYS}
                kept = [(k, v) for k, v in message.get("headers", []) if k.lower() not in ours]
                added = [(k.encode(), v.encode()) for k, v in _ALWAYS.items()]
                message = {**message, "headers": [*kept, *added]}
            await send(message)

        try:
            _check_size(scope)
            self._access.check(scope["method"], scope["path"], Headers(scope=scope))
            await self._app(scope, receive, safe_send)
        except (ClientDisconnect, LocalProtocolError):
            raise
        except Refused as refused:
            if not begun:
                await _say(safe_send, refused.status, str(refused))
        except Exception:
            _LOG.exception("an unexpected error")
            if not begun:
                await _say(safe_send, 500, "The bench had an internal error; see its terminal.")


def _check_size(scope: Scope) -> None:
    """Refuse a header that came in one piece, which the server takes whatever its size."""
    address = len(scope["raw_path"]) + len(scope["query_string"])
    if address + sum(len(n) + len(v) + 4 for n, v in scope["headers"]) > MOST_HEADER_BYTES:
        raise Refused(431, f"The request's header must be at most {MOST_HEADER_BYTES} bytes.")


async def _closed(receive: Receive) -> None:
    """Wait until the connection is closed: the server complains of an answer given up before."""
    while (await receive())["type"] != "http.disconnect":
        pass


async def _say(send: Send, status: int, sentence: str) -> None:
    body = json_bytes({"error": sentence})
    headers = [
        (b"content-type", b"application/json"),
        (b"content-length", str(len(body)).encode()),
        # What is left of an unread request must not be taken for the next one.
        (b"connection", b"close"),
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def json_bytes(record: Any) -> bytes:
    """Write JSON in plain ASCII: any text that was read can be written."""
    return json.dumps(record, allow_nan=False, separators=(",", ":")).encode("ascii")
