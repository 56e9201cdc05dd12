"""The list of slips that change no answer names lines of the present code."""

import ast
import tomllib
from collections.abc import Iterator
from difflib import get_close_matches
from pathlib import Path
from textwrap import dedent

import pytest

pytest.importorskip("cosmic_ray")

from tests.benchmarks.mutants import EQUIVALENT, difference, mutated, places

ROOT = Path(__file__).parents[1]
ROWS = tomllib.loads(EQUIVALENT.read_text())["mutant"]


@pytest.mark.parametrize("row", ROWS, ids=[f"{r['file']}: {r['after']}" for r in ROWS])
def test_each_slip_that_changes_no_answer_can_still_be_made(row):
    assert any(row["after"] in slips_like(text, row["after"]) for text in bodies(row))


def bodies(row: dict[str, str]) -> list[str]:
    """Return the functions of a row's name, or the file, whose slips are looked through."""
    text = (ROOT / row["file"]).read_text()
    if not row["function"]:
        return [text]
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and node.name == row["function"]:
            first = min(d.lineno for d in (node, *node.decorator_list))
            found.append(dedent("\n".join(text.split("\n")[first - 1 : node.end_lineno])))
    return found


def slips_like(text: str, after: str) -> Iterator[str]:
    """Yield the changed lines of all slips on the lines that most resemble one, closest first."""
    lines = [line.strip() for line in text.split("\n")]
    close = get_close_matches(after, lines, n=3)
    found = [spot for spot in places(text).items() if lines[spot[0][0] - 1] in close]
    for _, operators in sorted(found, key=lambda s: close.index(lines[s[0][0] - 1])):
        for operator in operators:
            changed = mutated(text, operator)
            if changed is not None:
                yield difference(text, changed)[1]
