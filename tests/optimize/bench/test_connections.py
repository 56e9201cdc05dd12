"""The bench under half-open and oversized connections, in a bounded load on loopback."""

import socket
import time
from contextlib import ExitStack, contextmanager

import pytest

from layers.ball_file import read_ball
from optimize.bench.app import FILES
from optimize.bench.connections import MOST_WITHOUT_TOKEN
from optimize.bench.guard import MOST_HEADER_BYTES
from optimize.bench.serve import LOOPBACK
from tests.helpers.bench import SWING, TOKEN, TWO, served

# Well beyond the places that there are.
HALF_OPEN = 200


@pytest.fixture(scope="module")
def place():
    with served(read_ball(TWO), swings=[SWING], training_builds=0) as found:
        yield found


@contextmanager
def half_open(place, beginning: bytes):
    """Hold many connections open that have begun a request and do not go on."""
    with ExitStack() as stack:
        lines = []
        for _ in range(HALF_OPEN):
            lines.append(stack.enter_context(socket.create_connection((LOOPBACK, place.port), 600)))
            lines[-1].sendall(beginning)
        yield lines


def ended(line: socket.socket) -> bool:
    """Wait for the other end to close the connection."""
    try:
        while line.recv(4096):
            pass
    except ConnectionResetError:
        return True
    except TimeoutError:
        return False
    return True


BEGINNINGS = {
    "nothing": b"",
    "half a header": b"GET / HTTP/1.1\r\nHost: 127.0.0.1:1\r\nX-",
    "no body": b"POST /api/quick HTTP/1.1\r\nHost: 127.0.0.1:1\r\nContent-Length: 1000\r\n\r\n",
}


@pytest.mark.parametrize("beginning", BEGINNINGS.values(), ids=BEGINNINGS)
def test_half_open_connections_without_a_token_do_not_hold_the_page(place, beginning):
    with half_open(place, beginning):
        for path in (*FILES, "/api/about", "/api/state"):
            assert place.ask("GET", path).status == 200


def test_the_oldest_connection_without_the_token_is_closed_and_one_with_it_stays(place):
    request = f"GET /api/about HTTP/1.1\r\nHost: {LOOPBACK}:{place.port}\r\n".encode()
    token = f"X-Orbwright-Token: {TOKEN}\r\n\r\n".encode()
    with socket.create_connection((LOOPBACK, place.port), 600) as own:
        own.sendall(request + token)
        assert own.recv(12) == b"HTTP/1.1 200"
        with half_open(place, b"GET") as lines:
            assert all(ended(line) for line in lines[: HALF_OPEN - MOST_WITHOUT_TOKEN])
            own.sendall(request + token)
            own.settimeout(600)
            answer = b""
            while answer.count(b"HTTP/1.1 200") < 1:
                answer += own.recv(65536)


def test_a_header_has_its_time():
    with served(read_ball(TWO), swings=[SWING], training_builds=0, header_s=2.0) as quick:
        first = socket.create_connection((LOOPBACK, quick.port), 600)
        later = socket.create_connection((LOOPBACK, quick.port), 600)
        whole = f"GET / HTTP/1.1\r\nHost: {LOOPBACK}:{quick.port}\r\n\r\n".encode()
        with first, later:
            later.sendall(whole)
            first.sendall(b"GET / HTTP/1.1\r\n")
            assert later.recv(12) == b"HTTP/1.1 200"
            assert ended(first)
            later.sendall(b"G")  # the next request's header on the same connection
            for _ in range(2000):  # a byte now and then does not earn more time
                try:
                    later.sendall(b"x")
                except OSError:
                    break
                time.sleep(0.05)
            assert ended(later)
        assert quick.ask("GET", "/").status == 200


@pytest.mark.parametrize("name", ["X-Long", "Cookie"])
def test_a_header_beyond_its_size_is_refused_however_it_comes(place, name):
    long = "a" * MOST_HEADER_BYTES
    answer = place.ask("GET", "/", **{name: long})
    assert answer.status == 431
    assert "at most 16384 bytes" in answer.record["error"]
    assert place.ask("GET", f"/?{long}").status == 431
    assert place.ask("GET", "/", **{name: long[:-1000]}).status == 200
    with socket.create_connection((LOOPBACK, place.port), 600) as line:
        line.sendall(b"GET / HTTP/1.1\r\nX-Long: ")
        for _ in range(2 * MOST_HEADER_BYTES // 1024):
            try:
                line.sendall(b"a" * 1024)
            except OSError:
                break
            time.sleep(0.001)
        assert ended(line)


def test_many_whole_requests_without_a_token_do_not_hold_the_page(place):
    whole = f"GET / HTTP/1.1\r\nHost: {LOOPBACK}:{place.port}\r\n\r\n".encode()
    with half_open(place, whole * 20):  # answers that nobody reads
        assert place.ask("GET", "/api/about").status == 200
