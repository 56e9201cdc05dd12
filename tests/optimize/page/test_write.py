"""The page's file: escaping, policy, size; and the command that writes it."""

import base64
import hashlib
import html.parser
import json
import re

import pytest

from layers.errors import InputError
from optimize.page.write import json_for_html, page_html, write_page
from tests.helpers.pages import CLOSING, PICTURE, SCRIPT, SWINGS, data_of, enlarged
from tests.optimize.commands.test_app import run as command


class _Reader(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags, self.attributes, self.texts = ["html"], [], {}

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, *pair) for pair in attrs]

    def handle_data(self, data):
        self.texts.setdefault(self.tags[-1], []).append(data)


@pytest.fixture(scope="module")
def text(data):
    return page_html(data)


def test_hostile_names_are_text_and_make_no_element(data, text):
    reader = _Reader()
    reader.feed(text)
    assert reader.tags.count("script") == 2
    assert "img" not in reader.tags
    assert "".join(reader.texts["title"]).strip() == SCRIPT
    assert any(CLOSING in part for part in reader.texts["h1"])
    inside = re.search(r'id="page-data">(.*?)</script>', text, re.S)[1]
    assert not set("<>&\u2028\u2029") & set(inside)
    assert json.loads(inside) == json.loads(json.dumps(data))
    assert [PICTURE] in [axis.get("choices") for axis in json.loads(inside)["axes"]]


@pytest.mark.parametrize("name", ["</script>", "<!--<script>", "\u2028\u2029", "&lt;", "{{data}}"])
def test_any_string_survives_inside_a_script_element(name):
    written = json_for_html({"name": name})
    assert not set("<>&\u2028\u2029") & set(written)
    assert json.loads(written) == {"name": name}


def test_placeholders_in_names_are_not_filled(data):
    text = page_html(data | {"title": "{{script}}", "question": "{{data}}"})
    assert "<title>{{script}}</title>" in text
    assert "<h1>{{data}}</h1>" in text


def test_policy_allows_the_one_script_and_style_and_nothing_else(text):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    rules = dict(rule.split(" ", 1) for rule in policy.split("; "))
    assert rules["default-src"] == "'none'"
    for directive, pattern in {
        "script-src": r"<script>(.*?)</script>",
        "style-src": r"<style>(.*?)</style>",
    }.items():
        content = re.search(pattern, text, re.S)[1]
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert rules[directive] == f"'sha256-{digest}'"
    assert "unsafe" not in policy


def test_page_names_no_address_to_fetch(text):
    reader = _Reader()
    reader.feed(text)
    loading = {"src", "srcset", "data", "poster", "background", "action", "style"}
    assert not [a for a in reader.attributes if a[1] in loading or a[1].startswith("on")]
    assert all(value.startswith("#") for tag, name, value in reader.attributes if name == "href")
    outside = set(re.findall(r"https?://[^\s\"'`)]+", text))
    assert outside <= {"http://www.w3.org/2000/svg"}  # a name, which is never fetched
    assert "url(" not in text.replace("`url(#", "")
    assert "@import" not in text


def test_page_of_500_builds_is_far_below_its_bound(found, tmp_path):
    run, launches = found
    record = data_of(enlarged(run, 500), launches)
    assert write_page(record, tmp_path / "page.html") < 6e6
    assert len(record["state"]) == 500


def test_page_that_cannot_be_written_is_told(data, tmp_path):
    with pytest.raises(InputError, match="cannot be written"):
        write_page(data, tmp_path / "missing" / "page.html")


def test_command_writes_the_page_and_export_puts_one_among_its_files(folder, found, tmp_path):
    run, _ = found
    ledger = folder / "ledger.sqlite"
    page = tmp_path / "choose.html"
    options = ("--ledger", ledger, "--swing", SWINGS[0], "--workers", 1)
    options += ("--no-sobol", "--no-impacts")
    code, out, err = command("page", run.id, "--out", page, *options)
    assert (code, out) == (0, ""), err
    assert "open it in a browser" in err
    assert run.id in page.read_text(encoding="utf-8")
    code, _, err = command("export", run.id, "--out", tmp_path, "--ledger", ledger)
    assert code == 0, err
    beside = (tmp_path / "trade_off.html").read_text(encoding="utf-8")
    assert "option --swing" in beside
    assert SWINGS[0] not in beside.partition('id="page-data"')[2]  # no goal names a swing
    code, _, err = command("page", "no such run", "--out", page, "--ledger", ledger)
    assert code == 2
    code, _, err = command("page", run.id, "--out", page, "--ledger", ledger, "--swing", "putter")
    assert code == 2
    assert "putter" in err
