"""The routes: the page's own files from a fixed table, and what the page asks."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import cache, partial
from importlib import resources
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from layers.ball import Ball
from layers.ball_file import ball_toml
from layers.errors import InputError
from optimize.bench.bench import Bench, records
from optimize.bench.bodies import read_json
from optimize.bench.guard import Door, Guard, Refused, json_bytes
from optimize.bench.hub import News, TooBusy
from optimize.ledger.ledger import Known

_OURS, _SHARED = "optimize.bench.static", "optimize.page.templates"
_CSS, _JS = "text/css", "text/javascript"
# Every file that is served, by its address: nothing else on the disk can be asked for.
FILES = {
    "/": (_OURS, "bench.html", "text/html"),
    "/icon.svg": (_OURS, "icon.svg", "image/svg+xml"),
    "/bench.css": (_OURS, "bench.css", _CSS),
    "/page.css": (_SHARED, "page.css", _CSS),
    "/making.js": (_SHARED, "making.js", _JS),
    **{
        f"/{name}.js": (_OURS, f"{name}.js", _JS)
        for name in ("bench", "talk", "sliders", "section", "flight", "figures", "pins", "words")
    },
}
_PLACES = ("bench", "pin 1", "pin 2", "pin 3", "pin 4")
_MOST_PAGE = 64  # characters of a page's name for itself
_BEAT_S = 15.0
_LINES = "application/x-ndjson"

Endpoint = Callable[[Request], Awaitable[Response]]


def create_app(bench: Bench, door: Door) -> ASGIApp:
    """Return the application, guarded.

    Parameters
    ----------
    bench : Bench
        What it is about; started and closed by the caller.
    door : Door
        Who may ask.
    """
    asked: list[Route] = [
        Route(address, partial(_file, address), methods=["GET"]) for address in FILES
    ]
    asked += [
        Route("/api/about", partial(_about, bench), methods=["GET"]),
        Route("/api/state", partial(_state, bench), methods=["GET"]),
        Route("/api/quick", partial(_quick, bench), methods=["POST"]),
        Route("/api/finite", partial(_finite, bench), methods=["POST"]),
        Route("/api/toml", partial(_toml, bench), methods=["POST"]),
    ]
    handlers: Any = {Refused: _refused, InputError: _bad_input, HTTPException: _http}
    app = Starlette(routes=asked, exception_handlers=handlers)
    app.router.redirect_slashes = False
    return Guard(app, door)


@cache
def _contents(package: str, name: str) -> bytes:
    room, _, folder = package.rpartition(".")
    return resources.files(room).joinpath(folder, name).read_bytes()


async def _file(address: str, request: Request) -> Response:
    package, name, kind = FILES[address]
    return Response(_contents(package, name), media_type=f"{kind}; charset=utf-8")


async def _about(bench: Bench, request: Request) -> Response:
    return _json(bench.about())


async def _state(bench: Bench, request: Request) -> Response:
    return _json(bench.state())


async def _quick(bench: Bench, request: Request) -> Response:
    """Answer with two lines of JSON: the figures at once, and the flights, which take longer."""
    setting, ball = bench.desk.read(await read_json(request))
    told, figures = await run_in_threadpool(bench.quick, setting, ball)

    async def stream() -> AsyncIterator[bytes]:
        yield json_bytes(told) + b"\n"
        flights = await run_in_threadpool(bench.flights, ball, figures)
        yield json_bytes({"flights": flights}) + b"\n"

    return StreamingResponse(stream(), media_type=_LINES)


async def _toml(bench: Bench, request: Request) -> Response:
    _, ball = bench.desk.read(await read_json(request))
    return Response(
        ball_toml(ball),
        media_type="application/toml; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="build.toml"'},
    )


async def _finite(bench: Bench, request: Request) -> Response:
    """Stream a build's finite-element figures, a line of JSON for each test as it is done."""
    table = await read_json(request)
    place, page = table.pop("place", _PLACES[0]), table.pop("page", "")
    if place not in _PLACES:
        raise InputError(f"the request: place is {place!r}, but must be one of: "
                         f"{', '.join(_PLACES)}.")  # fmt: skip
    if not isinstance(page, str) or len(page) > _MOST_PAGE:
        raise InputError(f"the request: page must be a text of at most {_MOST_PAGE} characters.")
    _, ball = bench.desk.read(table)
    loop, lines = asyncio.get_running_loop(), asyncio.Queue[News]()

    def tell(news: News) -> None:
        loop.call_soon_threadsafe(lines.put_nowait, news)

    try:
        job = bench.hub.submit(f"{page}/{place}", ball, place == _PLACES[0], tell)
    except TooBusy:
        raise Refused(503, "The bench has as many builds to compute as it takes; close a page "
                      "or wait.") from None  # fmt: skip

    async def stream() -> AsyncIterator[bytes]:
        try:
            while True:
                try:
                    news = await asyncio.wait_for(lines.get(), _BEAT_S)
                except TimeoutError:
                    yield b"{}\n"  # a reader that has gone is noticed by writing to it
                    continue
                yield json_bytes(await _line(bench, ball, news)) + b"\n"
                if news.end:
                    return
        finally:
            bench.hub.cancel(job)

    return StreamingResponse(stream(), media_type=_LINES)


async def _line(bench: Bench, ball: Ball, news: News) -> dict[str, Any]:
    known: Known = news.found
    line: dict[str, Any] = {"figures": records(known.figures), "failed": known.failed}
    flights = await run_in_threadpool(bench.flights, ball, known.figures)
    line["flights"] = flights
    if news.notice:
        line["notice"] = news.notice
    if news.end:
        line |= {"end": news.end, "state": bench.state()}
    return line


def _json(record: Any, status: int = 200) -> Response:
    return Response(json_bytes(record), status, media_type="application/json")


async def _refused(request: Request, refused: Refused) -> Response:
    return Response(
        json_bytes({"error": str(refused)}),
        refused.status,
        headers={"connection": "close"},
        media_type="application/json",
    )


async def _bad_input(request: Request, error: InputError) -> Response:
    return _json({"error": str(error)}, 422)


async def _http(request: Request, error: HTTPException) -> Response:
    sentence = {404: "There is nothing at this address.", 405: "This address takes another method."}
    return _json({"error": sentence.get(error.status_code, error.detail)}, error.status_code)
