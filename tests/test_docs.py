"""Pages of the docs whose Python runs. Kind: golden, see `tests.helpers.docs`."""

import re

import orbwright as ob
import pytest

from tests.helpers.docs import ROOT, played

PAGES = (
    "README.md",
    "docs/python.md",
    "docs/story.md",
    pytest.param("docs/cure.md", marks=pytest.mark.slow),
)


def printed(text: str) -> str:
    """Return a page without what hangs on the releases of libraries: last digits, column widths."""
    short = re.sub(r"\d*\.\d{9,}", lambda number: f"{float(number[0]):.9g}", text)
    return re.sub(r" {2,}", " ", short)


@pytest.mark.parametrize("name", PAGES)
def test_a_page_prints_what_its_code_gives(name):
    text = (ROOT / name).read_text("utf-8")
    assert printed(played(text)) == printed(text)


def test_digits_are_dropped_only_where_releases_differ():
    assert printed("a  0.123456789012 1.5") == "a 0.123456789 1.5"
    assert printed("0.12345678") != printed("0.12345679")


def test_a_wrong_output_would_be_found():
    page = "```python\n1 + 1\n```\n```text\n{}\n```"
    assert played(page.format(3)) == page.format(2)


def test_every_public_name_is_on_the_page():
    text = (ROOT / "docs/python.md").read_text("utf-8")
    assert [name for name in dir(ob) if f"`{name}" not in text and f"ob.{name}" not in text] == []
