"""Examples in the docstrings of every product module run and print what they say."""

import doctest
from importlib import import_module
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = [
    ".".join(path.relative_to(ROOT).with_suffix("").parts)
    for package in ("layers", "optimize")
    for path in sorted((ROOT / package).rglob("*.py"))
    if ">>> " in path.read_text()
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_in_the_docstrings(name):
    told = []
    runner = doctest.DocTestRunner()
    for test in doctest.DocTestFinder(exclude_empty=True).find(import_module(name)):
        runner.run(test, out=told.append)
    assert runner.tries > 0, "an example that is not collected"
    assert runner.failures == 0, "".join(told)


def test_examples_are_found():
    assert "layers.flight.air" in MODULES
