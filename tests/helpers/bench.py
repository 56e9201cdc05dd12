"""A bench served on loopback for the tests, and plain requests to it."""

import copy
import http.client
import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from layers.ball import Ball
from optimize.bench.app import create_app
from optimize.bench.bench import Bench
from optimize.bench.connections import HEADER_S
from optimize.bench.guard import Access
from optimize.bench.serve import LOOPBACK, listen, server_of
from optimize.bench.session import open_bench
from optimize.scenario.brief import Scenario

ROOT = Path(__file__).parents[2]
BALLS = ROOT / "scenarios" / "balls"
TWO, FOUR = BALLS / "two_layer_distance.toml", BALLS / "four_layer_speed_feel.toml"
SWING = "wedge half fast"
TOKEN = "a-token-for-tests"


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def record(self) -> Any:
        return json.loads(self.body)

    @property
    def lines(self) -> list[Any]:
        """What was told; the empty lines that keep a slow answer alive are left out."""
        return [line for line in map(json.loads, self.body.splitlines()) if line]


@dataclass(frozen=True)
class Served:
    """A running bench."""

    bench: Bench
    port: int

    @property
    def address(self) -> str:
        return f"http://{LOOPBACK}:{self.port}/#{TOKEN}"

    def ask(self, method: str, path: str, body: Any = None, **headers: str | None) -> Answer:
        """Ask as the page does; a header given as None is left out. `_` in names stands for -."""
        all_headers: dict[str, str | None] = {
            "Host": f"{LOOPBACK}:{self.port}",
            "X-Orbwright-Token": TOKEN,
        }
        if body is not None and not isinstance(body, bytes):
            body = json.dumps(body).encode()
        if body is not None:
            all_headers["Content-Type"] = "application/json"
        all_headers |= {name.replace("_", "-"): value for name, value in headers.items()}
        line = http.client.HTTPConnection(LOOPBACK, self.port, timeout=600)
        try:
            line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            for name, value in all_headers.items():
                if value is not None:
                    line.putheader(name, value)
            if body is not None and "Content-Length" not in all_headers:
                line.putheader("Content-Length", str(len(body)))
            line.endheaders(body)
            answer = line.getresponse()
            found = {name.lower(): value for name, value in answer.getheaders()}
            return Answer(answer.status, found, answer.read())
        finally:
            line.close()

    def start(self) -> dict[str, Any]:
        """Return the setting that the page starts with."""
        return self.ask("GET", "/api/about").record["start"]


@contextmanager
def served(
    ball: Ball, scenario: Scenario | None = None, header_s: float = HEADER_S, **options: Any
) -> Iterator[Served]:
    """Serve a bench on a free port, and end it."""
    bench = open_bench(ball, scenario, **options)
    sock = listen(0)
    port = sock.getsockname()[1]
    access = Access(port, TOKEN)
    server = server_of(create_app(bench, access), access, bench.close, header_s)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [sock]}, daemon=True)
    bench.start()
    thread.start()
    try:
        while not server.started:
            time.sleep(0.01)
        yield Served(bench, port)
    finally:
        server.should_exit = True
        thread.join(20)
        bench.close()
        sock.close()


def until(condition: Callable[[], bool], seconds: float = 600.0) -> None:
    """Wait for a condition, longer than a loaded machine needs: only a hang ends this."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.05)


def moved(setting: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """Return a setting with numbers of its layers changed: cover_thickness_mm=..., core_..."""
    table = copy.deepcopy(setting)
    for name, value in changes.items():
        layer, _, field = name.partition("_")
        table["layer"][{"core": 0, "cover": 1}[layer]][field] = value
    return table
