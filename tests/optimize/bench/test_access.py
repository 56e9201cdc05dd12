"""Who is answered by the live bench, what is refused and how."""

import re
import socket

import pytest

from optimize.bench.app import FILES
from tests.helpers.bench import TOKEN, moved

API = ("/api/about", "/api/state", "/api/quick", "/api/finite", "/api/toml")


# Who is answered.


def test_the_pages_files_come_with_safe_headers_and_without_a_token(place):
    for address, (_, _, kind) in FILES.items():
        answer = place.ask("GET", address, X_Orbwright_Token=None)
        assert answer.status == 200
        assert answer.headers["content-type"].startswith(kind)
        assert answer.headers["cache-control"] == "no-store"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["content-security-policy"].startswith("default-src 'none'; ")
        assert "unsafe" not in answer.headers["content-security-policy"]
        assert not [name for name in answer.headers if name.startswith("access-control")]
        assert "server" not in answer.headers


def test_files_hold_no_address_of_another_host(place):
    for address in FILES:
        text = place.ask("GET", address).body.decode()
        found = set(re.findall(r"(?:https?:)?//[a-z0-9.-]+\.[a-z]+", text))
        assert found <= {"http://www.w3.org"}, address  # the name of SVG's elements


@pytest.mark.parametrize(
    "host",
    [
        None,
        "",
        "bench.example",
        "bench.example:{port}",
        "127.0.0.1",
        "127.0.0.1:1",
        "127.0.0.1.example:{port}",
        "0.0.0.0:{port}",
        "127.0.0.1:{port}@bench.example",
        "LOCALHOST.:{port}",
    ],
)
def test_foreign_hosts_are_refused(place, host):
    host = host and host.format(port=place.port)
    for path in ("/", "/api/about"):
        answer = place.ask("GET", path, Host=host)
        assert answer.status in (400, 421), path  # the server itself refuses none at all
        assert b"sliders" not in answer.body


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost", "LocalHost", "[::1]"])
def test_loopback_names_are_answered(place, name):
    assert place.ask("GET", "/api/about", Host=f"{name}:{place.port}").status == 200


@pytest.mark.parametrize(
    "origin",
    ["null", "http://bench.example", "https://127.0.0.1:{port}", "http://127.0.0.1:1", "file://"],
)
def test_foreign_origins_are_refused(place, origin):
    start = place.start()
    for path in API[2:]:
        answer = place.ask("POST", path, start, Origin=origin.format(port=place.port))
        assert answer.status == 403
        assert "origin" in answer.record["error"]


def test_own_origin_is_answered_and_other_sites_are_not(place):
    start, own = place.start(), f"http://127.0.0.1:{place.port}"
    headers = {"Origin": own, "Sec_Fetch_Site": "same-origin"}
    assert place.ask("POST", "/api/quick", start, **headers).status == 200
    for site in ("cross-site", "same-site"):
        assert place.ask("POST", "/api/quick", start, Sec_Fetch_Site=site).status == 403
        assert place.ask("GET", "/", Sec_Fetch_Site=site).status == 403


@pytest.mark.parametrize("token", [None, "", "a-token-for-test", TOKEN.upper(), "\xe9" * 17])
def test_without_the_sessions_token_nothing_is_told_or_done(place, token):
    start = place.start()
    for path in API:
        answer = place.ask("POST", path, start, X_Orbwright_Token=token)
        assert answer.status == 403
        assert place.ask("GET", path, X_Orbwright_Token=token).status == 403
        assert list(answer.record) == ["error"]


def test_preflight_of_another_site_gets_no_leave(place):
    headers = {"Origin": "http://bench.example", "Access_Control_Request_Method": "POST"}
    answer = place.ask("OPTIONS", "/api/quick", X_Orbwright_Token=None, **headers)
    assert answer.status == 403
    assert not [name for name in answer.headers if name.startswith("access-control")]


@pytest.mark.parametrize(
    "path",
    [
        "/../pyproject.toml",
        "/..%2f..%2f..%2fpyproject.toml",
        "/%2e%2e/%2e%2e/layers/ball.py",
        "/bench.js/../../app.py",
        "/static/bench.js",
        "/app.py",
        "/bench.js%00.css",
        "//bench.js",
        "/bench.js/",
        "/etc/passwd",
        "/..\\..\\pyproject.toml",
        "/api",
        "/api/about/",
        "http://bench.example/",
    ],
)
def test_no_other_path_leads_to_a_file(place, path):
    answer = place.ask("GET", path)
    assert answer.status in (400, 404)
    assert b"import" not in answer.body


def test_only_loopback_listens(place):
    with pytest.raises(OSError, match=r"refused|unreachable|not available"):
        # Also this machine, but not the address served: bound to all, it would answer.
        socket.create_connection(("127.0.0.2", place.port), timeout=2)


# What is refused, in one sentence.


@pytest.mark.parametrize(
    ("status", "body", "headers"),
    [
        (413, b"{" + b" " * 70_000 + b"}", {}),
        (413, b"{}", {"Content_Length": "9999999999"}),
        (415, b"{}", {"Content_Type": "text/plain"}),
        (415, b"{}", {"Content_Type": None}),
        (400, b"", {}),
        (400, b"{", {}),
        (400, b"[]", {}),
        (400, b"\xff\xfe", {}),
        (400, b'{"outer_diameter_mm": NaN}', {}),
        (400, b'{"outer_diameter_mm": -Infinity}', {}),
        (400, b'{"a": ' * 9_000, {}),
        (400, b'{"a": ' + b"[" * 30_000 + b"]" * 30_000 + b"}", {}),
        (400, b'{"outer_diameter_mm": ' + b"9" * 5000 + b"}", {}),
    ],
)
def test_what_is_no_setting_at_all_is_refused(place, status, body, headers):
    for path in API[2:]:
        answer = place.ask("POST", path, body, **headers)
        assert answer.status == status
        assert list(answer.record) == ["error"]
        assert "Traceback" not in answer.record["error"]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"cover_thickness_mm": 99.0}, "layer 2, thickness_mm is 99.0, but must be at most 25"),
        ({"cover_thickness_mm": None}, "layer 2, thickness_mm is missing"),
        ({"cover_thickness_mm": 19.5}, "leave 3.7 mm for it, but must leave at least 5 mm"),
        ({"core_thickness_mm": 3.0}, "layer 1, thickness_mm is 3, but must not be given"),
        ({"core_youngs_modulus_mpa": "70"}, "layer 1, youngs_modulus_mpa is '70'"),
        (
            {"core_youngs_modulus_mpa": True},
            "layer 1, youngs_modulus_mpa is true, but must be a number in MPa",
        ),
        ({"core_density_g_cm3": -1}, "layer 1, density_g_cm3 is -1, but must be at least 0.4"),
        ({"core_density_g_cm3": 1e308}, "layer 1, density_g_cm3 is 1e+308, but must be at most 12"),
        ({"core_densty_g_cm3": 1.0}, "did you mean density_g_cm3?"),
    ],
)
def test_a_number_out_of_range_is_named_with_its_range(place, changes, words):
    for path in API[2:]:
        answer = place.ask("POST", path, moved(place.start(), **changes))
        assert answer.status == 422
        assert words in answer.record["error"]


def test_other_fields_are_named_too(place):
    start = place.start()
    for changes, words in [
        ({"name": ""}, "name has 0 characters, but must have at least 1"),
        ({"name": "\ud800"}, "name"),
        ({"\ud800": 1}, "control character U+D800"),
        ({"layer": start["layer"] * 2}, "layer has 4 entries, but this ball has 2 layers"),
        ({"outer_diameter_mm": 20}, "outer_diameter_mm is 20, but must be at least 30"),
        ({"hold_mass": {"layer": 3, "mass_g": 45.0}}, "hold_mass, layer is 3, but must be at most"),
        ({"hold_mass": {"layer": 2, "mass_g": 20.0}}, "it would need"),
    ]:
        answer = place.ask("POST", "/api/quick", start | changes)
        assert answer.status == 422
        assert words in answer.record["error"]
    answer = place.ask("POST", "/api/finite", start | {"place": "../pin"})
    assert answer.status == 422
    assert "place is '../pin', but must be one of: bench" in answer.record["error"]
