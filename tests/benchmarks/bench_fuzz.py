"""Fuzzed requests to a real bench: none may end in an unhandled error, and it must still answer.

python -m tests.benchmarks.bench_fuzz [REQUESTS] [SEED]
"""

import io
import json
import logging
import random
import socket
import string
import sys
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from layers.ball_file import read_ball
from optimize.bench.app import FILES
from optimize.bench.serve import LOOPBACK
from tests.helpers.bench import TOKEN, Served, served

BALL = Path(__file__).parents[2] / "scenarios" / "balls" / "two_layer_distance.toml"
THREADS = 4
METHODS = ("GET", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "CONNECT", "BREW")
API = (
    "/api/about",
    "/api/state",
    "/api/quick",
    "/api/finite",
    "/api/toml",
    "/api/differences",
    "/api/impact",
)
STRANGE = (
    *("/..", "/../../etc/passwd", "/%2e%2e%2f", "/api/quick/../about", "//", "/*", "*", "", "?"),
    *("/?a=1", "/%00", "/%", "/%zz", "/\\..\\", "/api/%71uick", "/bench.js#x", "http://x/"),
    "/" + "a" * 9000,
)
NUMBERS: tuple[Any, ...] = (
    *(0, -1, 1, 42.7, 1e308, -1e308, 5e-324, 10**400, 2**63, float("nan"), float("inf"), -0.0),
    *(0.2, 25, 3000, 12, 0.4, 30, 60, True, None, "", "1", "nan", [], {}, [[1]], "\ud800", "\x00"),
    "<script>",
)
HEADERS = (b"Origin", b"Sec-Fetch-Site", b"Referer", b"Cookie", b"Host", b"Expect", b"Upgrade")
LENGTHS = (b"-1", b"1e3", b"99999999999", b"x", b"5")


def _value(dice: random.Random) -> Any:
    if dice.random() < 0.7:
        return dice.choice(NUMBERS)
    return dice.uniform(-10.0, 100.0) * 10.0 ** dice.randint(-6, 6)


def _mangled(setting: dict[str, Any], dice: random.Random) -> dict[str, Any]:
    """Change, drop or add fields anywhere in a setting."""
    table: dict[str, Any] = json.loads(json.dumps(setting))
    for _ in range(dice.randint(0, 3)):
        target = dice.choice([table, *[row for row in table["layer"] if isinstance(row, dict)]]) \
            if isinstance(table.get("layer"), list) else table  # fmt: skip
        field = dice.choice([*target, "place", "page", "hold_mass", "name", "\ud800", "é"])
        if dice.random() < 0.15:
            target.pop(field, None)
        elif field == "hold_mass":
            target[field] = {"layer": _value(dice), "mass_g": _value(dice)}
        else:
            target[field] = _value(dice)
    return table


def _body(setting: dict[str, Any], dice: random.Random) -> bytes:
    kind = dice.random()
    if kind < 0.55:
        return json.dumps(_mangled(setting, dice)).encode("utf-8", "surrogatepass")
    if kind < 0.65:
        whole = bytearray(json.dumps(setting).encode())
        for _ in range(dice.randint(1, 6)):
            whole[dice.randrange(len(whole))] = dice.randrange(256)
        return bytes(whole)
    if kind < 0.72:
        deep = dice.randint(10, 30_000)
        return dice.choice((b"[", b'{"layer":')) * deep + b"]" * dice.choice((0, deep))
    if kind < 0.80:
        return json.dumps(setting).encode()[: dice.randint(0, 200)]
    if kind < 0.85:
        return b'{"outer_diameter_mm":' + b"9" * dice.randint(1, 60_000) + b"}"
    if kind < 0.90:
        return b" " * dice.randint(0, 140_000)
    return dice.randbytes(dice.randint(0, 3000))


def _header_text(dice: random.Random) -> bytes:
    letters = string.printable if dice.random() < 0.1 else string.ascii_letters + string.digits
    return "".join(dice.choices(letters, k=dice.randint(0, 40))).encode()


def _request(place: Served, setting: dict[str, Any], dice: random.Random) -> bytes:
    """Write a request, mostly well formed, so that many pass access control."""
    host = f"{LOOPBACK}:{place.port}".encode()
    path = dice.choice(dice.choices((API, tuple(FILES), STRANGE), (8, 1, 1))[0])
    if dice.random() < 0.05:
        path += "".join(chr(dice.randrange(33, 256)) for _ in range(dice.randint(1, 20)))
    usual = "POST" if path in API[2:] else "GET"
    method = usual if dice.random() < 0.9 else dice.choice(METHODS)
    body = _body(setting, dice) if method == "POST" or dice.random() < 0.2 else b""
    headers: list[tuple[bytes, bytes]] = [
        (b"Host", host if dice.random() < 0.95 else _header_text(dice)),
        (b"X-Orbwright-Token", TOKEN.encode() if dice.random() < 0.93 else _header_text(dice)),
        (b"Content-Type", b"application/json" if dice.random() < 0.93 else _header_text(dice)),
        (b"Connection", b"close"),
    ]
    if dice.random() < 0.1:
        names = (
            b"Origin",
            b"Sec-Fetch-Site",
            b"Referer",
            b"Cookie",
            b"Host",
            b"Expect",
            b"Upgrade",
        )
        headers.append((dice.choice(names), _header_text(dice)))
    if dice.random() < 0.03:
        headers.append((_header_text(dice), _header_text(dice) * dice.choice((1, 1, 600))))
    if dice.random() < 0.9:
        headers.append((b"Content-Length", str(len(body)).encode()))
    elif dice.random() < 0.5:
        headers.append((b"Content-Length", dice.choice(LENGTHS)))
    else:
        headers.append((b"Transfer-Encoding", b"chunked"))
        if dice.random() < 0.7:
            body = f"{len(body):x}\r\n".encode() + body + b"\r\n0\r\n\r\n"
    dice.shuffle(headers)
    lines = b"".join(name + b": " + value + b"\r\n" for name, value in headers)
    first = f"{method} {path} HTTP/1.1\r\n".encode("latin-1", "replace")
    whole = first + lines + b"\r\n" + body
    if dice.random() < 0.03:
        whole = dice.randbytes(dice.randint(1, 400))
    return whole[: dice.randint(1, len(whole))] if dice.random() < 0.03 else whole


def _sent(place: Served, request: bytes, dice: random.Random) -> str:
    """Send a request; return the answer's status, or how it ended without one."""
    with socket.create_connection((LOOPBACK, place.port), timeout=600) as line:
        try:
            line.sendall(request)
            if dice.random() < 0.02:
                return "left without reading"
            line.shutdown(socket.SHUT_WR) if dice.random() < 0.1 else None
            line.settimeout(0.4)
            first = line.recv(4096)
        except TimeoutError:
            return "still waiting for the rest"
        except OSError:
            return "closed"
    words = first.split(b" ", 2)
    return words[1].decode("latin-1") if len(words) > 1 else "closed"


def fuzz(place: Served, requests: int, seed: int) -> Counter[str]:
    """Send fuzzed requests and count the answers' statuses."""
    setting = place.start()

    def some(thread: int) -> Counter[str]:
        dice = random.Random(f"{seed} {thread}")
        share = len(range(thread, requests, THREADS))
        return Counter(_sent(place, _request(place, setting, dice), dice) for _ in range(share))

    with ThreadPoolExecutor(THREADS) as threads:
        return sum(threads.map(some, range(THREADS)), Counter())


def fuzzed(requests: int, seed: int) -> tuple[Counter[str], str]:
    """Fuzz a bench of its own; return the statuses and all that the server logged."""
    logged = io.StringIO()
    handler = logging.StreamHandler(logged)
    watched = [logging.getLogger(name) for name in ("orbwright.bench", "uvicorn.error", "asyncio")]
    for log in watched:
        log.addHandler(handler)
    try:
        with served(read_ball(BALL), swings=["wedge half fast"], training_builds=0) as place:
            statuses = fuzz(place, requests, seed)
            assert place.ask("GET", "/api/about").status == 200, "it no longer answers"
            assert place.ask("POST", "/api/quick", place.start()).status == 200
    finally:
        for log in watched:
            log.removeHandler(handler)
    return statuses, logged.getvalue()


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    begun = time.monotonic()
    found, log_text = fuzzed(number, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    print(f"{number} requests in {time.monotonic() - begun:.0f} s")
    for status, count in sorted(found.items()):
        print(f"{status:>28} {count}")
    print(f"server errors: {sum(v for k, v in found.items() if k.startswith('5') and k != '503')}")
    print(f"logged: {log_text or 'nothing'}")
