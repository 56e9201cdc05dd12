"""Serving on loopback: the socket, the address, the browser, and the end by Ctrl-C."""

import secrets
import signal
import socket
import sys
import webbrowser
from collections.abc import Callable

import uvicorn
from starlette.types import ASGIApp

from layers.errors import InputError
from optimize.bench.app import create_app
from optimize.bench.bench import Bench
from optimize.bench.connections import HEADER_S, connection_factory
from optimize.bench.guard import MOST_HEADER_BYTES, Access

LOOPBACK = "127.0.0.1"
_MOST_CONNECTIONS = 64


class _Server(uvicorn.Server):
    """Ends the open streams before it waits for them."""

    def __init__(self, config: uvicorn.Config, before_end: Callable[[], None]) -> None:
        super().__init__(config)
        self._before_end = before_end

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._before_end()
        await super().shutdown(sockets)


def listen(port: int) -> socket.socket:
    """Open the loopback socket; port 0 takes a free one.

    Raises
    ------
    InputError
        If the port is taken or not allowed.
    """
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there it would let another program take the port over
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((LOOPBACK, port))
        sock.listen(128)
    except OSError as error:
        sock.close()
        raise InputError(f"--port {port} cannot be used: {error.strerror}.") from error
    return sock


def server_of(
    app: ASGIApp, access: Access, before_end: Callable[[], None], header_s: float = HEADER_S
) -> uvicorn.Server:
    """Return the server, with its limits.

    Parameters
    ----------
    app : callable
        The guarded application.
    access : Access
        Knows the token.
    before_end : callable
        Called when the server begins to end: open streams end first.
    header_s : float
        How long a request's header may take, s.
    """
    config = uvicorn.Config(
        app,
        http=connection_factory(access, header_s),
        ws="none",
        loop="asyncio",
        lifespan="off",
        log_config=None,  # plain lines on standard error, for errors alone
        log_level="error",
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        limit_concurrency=_MOST_CONNECTIONS,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=MOST_HEADER_BYTES,
    )
    return _Server(config, before_end)


def serve(bench: Bench, port: int, browser: bool, announce: Callable[[str], None]) -> None:
    """Serve the bench until Ctrl-C.

    Parameters
    ----------
    bench : Bench
        Started here, and closed at the end.
    port : int
        0 takes a free one.
    browser : bool
        Whether to open the page.
    announce : callable
        Called with the page's address. The token is its fragment, which browsers never send.

    Raises
    ------
    KeyboardInterrupt
        After Ctrl-C, once all is ended.
    InputError
        If the port cannot be used.
    """
    sock = listen(port)
    port = sock.getsockname()[1]
    access = Access(port, secrets.token_urlsafe(24))
    address = f"http://{LOOPBACK}:{port}/#{access.token}"
    server = server_of(create_app(bench, access), access, bench.close)
    interrupted = False

    def end(*_: object) -> None:
        nonlocal interrupted
        interrupted = server.should_exit = True

    # Ours before the address is announced: Ctrl-C may come while the server starts. It handles
    # Ctrl-C itself while it runs, and passes it on when it has ended.
    before = signal.signal(signal.SIGINT, end)
    try:
        bench.start()
        announce(address)
        if browser:
            webbrowser.open(address)
        server.run(sockets=[sock])
    finally:
        bench.close()
        sock.close()
        signal.signal(signal.SIGINT, before)
    if interrupted:
        raise KeyboardInterrupt
