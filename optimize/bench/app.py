"""The routes: the page's own files from a fixed table, and its requests."""

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
from optimize.bench.build import read_build, read_builds, read_materials
from optimize.bench.guard import Access, Guard, Refused, json_bytes
from optimize.bench.jobs import BARRIER, News, TooBusy
from optimize.bench.requests import read_json
from optimize.ledger.rows import Known

_OURS, _SHARED = "optimize.bench.static", "optimize.web"
_CSS, _JS = "text/css", "text/javascript"
_SCRIPTS = {
    _OURS: (
        *("bench", "differences", "emulator", "figures", "flight", "impact_view", "limits"),
        *("pins", "requests", "section", "sliders", "units"),
    ),
    _SHARED: ("elements", "numbers", "cross_section", "impact", "theme"),
}
# Every file that is served, by its address; no request reaches any other file.
FILES = {
    "/": (_OURS, "bench.html", "text/html"),
    "/icon.svg": (_OURS, "icon.svg", "image/svg+xml"),
    "/bench.css": (_OURS, "bench.css", _CSS),
    "/page.css": (_SHARED, "page.css", _CSS),
    **{
        f"/{name}.js": (folder, f"{name}.js", _JS)
        for folder, names in _SCRIPTS.items()
        for name in names
    },
}
_PLACES = ("bench", "pin 1", "pin 2", "pin 3", "pin 4")
_MOST_PAGE = 64  # characters of a page's own id
_BEAT_S = 15.0
_LINES = "application/x-ndjson"

Endpoint = Callable[[Request], Awaitable[Response]]


def create_app(bench: Bench, access: Access) -> ASGIApp:
    """Return the application, guarded.

    Parameters
    ----------
    bench : Bench
        Started and closed by the caller.
    access : Access
        Which requests are answered.
    """
    routes: list[Route] = [
        Route(address, partial(_file, address), methods=["GET"]) for address in FILES
    ]
    routes += [
        Route("/api/about", partial(_about, bench), methods=["GET"]),
        Route("/api/state", partial(_state, bench), methods=["GET"]),
        Route("/api/panel", partial(_panel, bench), methods=["POST"]),
        Route("/api/quick", partial(_quick, bench), methods=["POST"]),
        Route("/api/finite", partial(_finite, bench), methods=["POST"]),
        Route("/api/impact", partial(_impact, bench), methods=["POST"]),
        Route("/api/differences", partial(_differences, bench), methods=["POST"]),
        Route("/api/toml", partial(_toml, bench), methods=["POST"]),
    ]
    handlers: Any = {Refused: _refused, InputError: _bad_input, HTTPException: _http}
    app = Starlette(routes=routes, exception_handlers=handlers)
    app.router.redirect_slashes = False
    return Guard(app, access)


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


async def _panel(bench: Bench, request: Request) -> Response:
    """Answer with the sliders of a choice of materials."""
    materials = read_materials(await read_json(request), bench.choices)
    return _json(bench.panel(materials))


async def _quick(bench: Bench, request: Request) -> Response:
    """Answer with two lines of JSON: the figures at once, then the flights, which take longer."""
    setting, ball = read_build(await read_json(request), bench.choices)
    record, figures = await run_in_threadpool(bench.quick, setting, ball)

    async def stream() -> AsyncIterator[bytes]:
        yield json_bytes(record) + b"\n"
        flights = await run_in_threadpool(bench.flights, ball, figures)
        yield json_bytes({"flights": flights}) + b"\n"

    return StreamingResponse(stream(), media_type=_LINES)


async def _toml(bench: Bench, request: Request) -> Response:
    _, ball = read_build(await read_json(request), bench.choices)
    return Response(
        ball_toml(ball),
        media_type="application/toml; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="build.toml"'},
    )


async def _differences(bench: Bench, request: Request) -> Response:
    """Answer with the differences of builds from a reference, each with its error."""
    reference, others = read_builds(await read_json(request), bench.choices)
    return _json({"differences": await run_in_threadpool(bench.differences, reference, others)})


async def _finite(bench: Bench, request: Request) -> Response:
    """Stream a build's finite-element figures, a line of JSON for each test as it is done."""
    table = await read_json(request)
    place = table.pop("place", _PLACES[0])
    if place not in _PLACES:
        raise InputError(f"the request: place is {place!r}, but must be one of: "
                         f"{', '.join(_PLACES)}.")  # fmt: skip
    return _stream(bench, table, place, urgent=place == _PLACES[0])


async def _impact(bench: Bench, request: Request) -> Response:
    """Stream a look into an impact of a build: that it is begun, then what came of it."""
    table = await read_json(request)
    impact, known = table.pop("impact", BARRIER), (BARRIER, *bench.swings)
    if impact not in known:
        raise InputError(f"the request: impact is {impact!r}, but must be one of: "
                         f"{', '.join(known)}.")  # fmt: skip
    return _stream(bench, table, "impact", urgent=True, impact=impact)


def _stream(
    bench: Bench, table: dict[str, Any], place: str, urgent: bool, impact: str = ""
) -> Response:
    """Submit a build for a place on a page, and answer with a line of JSON for each of its news."""
    page = table.pop("page", "")
    if not isinstance(page, str) or len(page) > _MOST_PAGE:
        raise InputError(f"the request: page must be a text of at most {_MOST_PAGE} characters.")
    _, ball = read_build(table, bench.choices)
    loop, lines = asyncio.get_running_loop(), asyncio.Queue[News]()

    def send(news: News) -> None:
        loop.call_soon_threadsafe(lines.put_nowait, news)

    try:
        job = bench.queue.submit(f"{page}/{place}", ball, urgent, send, impact)
    except TooBusy:
        raise Refused(503, "The bench has as many builds to compute as it accepts; close a page "
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
            bench.queue.cancel(job)

    return StreamingResponse(stream(), media_type=_LINES)


async def _line(bench: Bench, ball: Ball, news: News) -> dict[str, Any]:
    if news.begun or news.impact:
        return {"begun": news.begun, "impact": news.impact, "end": news.end}
    known: Known = news.known
    bench.shelf.put(ball, known.figures)
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
