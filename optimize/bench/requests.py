"""Reading what a page sends: so much, so deep, so long, and numbers that are numbers."""

import asyncio
import json
from typing import Any, NoReturn

from starlette.requests import Request

from layers.files.text import check_values
from optimize.bench.guard import Refused

MOST_BYTES = 64 * 1024
_MOST_SECONDS = 10.0


async def read_json(request: Request) -> dict[str, Any]:
    """Read a request's body, a JSON object.

    Raises
    ------
    Refused
        If it is too large, too slow, or no JSON object.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise Refused(415, "The request's body must be JSON, content type application/json.")
    try:
        raw = await asyncio.wait_for(_read(request), _MOST_SECONDS)
    except TimeoutError:
        raise Refused(408, f"The request's body took longer than {_MOST_SECONDS:g} s.") from None
    try:
        table = json.loads(raw.decode("utf-8"), parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else str(error)[:200]
        raise Refused(400, f"The request's body is not JSON: {reason}.") from error
    if not isinstance(table, dict):
        raise Refused(400, "The request's body must be a JSON object.")
    check_values(table, "the request")
    return table


async def _read(request: Request) -> bytes:
    length = request.headers.get("content-length", "0")
    if length.isdecimal() and len(length) < 20 and int(length) > MOST_BYTES:
        raise Refused(413, f"The request's body must be at most {MOST_BYTES} bytes.")
    raw = b""
    async for chunk in request.stream():
        raw += chunk
        if len(raw) > MOST_BYTES:
            raise Refused(413, f"The request's body must be at most {MOST_BYTES} bytes.")
    return raw


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is not a number")
