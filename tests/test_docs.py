"""Pages of the docs whose Python runs. Kind: golden, see `tests.helpers.docs`."""

import orbwright as ob
import pytest

from tests.helpers.docs import ROOT, played

PAGES = ("README.md", "docs/python.md", "docs/story.md")


@pytest.mark.parametrize("name", PAGES)
def test_a_page_prints_what_its_code_gives(name):
    text = (ROOT / name).read_text("utf-8")
    assert played(text) == text


def test_a_wrong_output_would_be_found():
    page = "```python\n1 + 1\n```\n```text\n{}\n```"
    assert played(page.format(3)) == page.format(2)


def test_every_public_name_is_on_the_page():
    text = (ROOT / "docs/python.md").read_text("utf-8")
    assert [name for name in dir(ob) if f"`{name}" not in text and f"ob.{name}" not in text] == []
