"""Pages of the docs as programs: their Python runs, and the output they print is the real one.

A page's ``python`` blocks run in order in one namespace; a ``text`` block after one is what it
prints, with the value of its last expression, as a console shows it. A ``toml`` block is the file
that its first line names. ``python -m tests.helpers.docs docs/python.md`` writes real output in.
"""

import ast
import contextlib
import io
import os
import re
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
_BLOCK = re.compile(r"^```(python|text|toml)\n(.*?)^```$", re.M | re.S)


@contextlib.contextmanager
def folder_of_a_clone() -> Iterator[None]:
    """Work in an empty folder in which a clone's scenarios are."""
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as name:
        os.chdir(name)
        Path("scenarios").symlink_to(ROOT / "scenarios")
        try:
            yield
        finally:
            os.chdir(before)


def shown(code: str, names: dict[str, object]) -> str:
    """Run code and return what a console shows of it."""
    tree = ast.parse(code)
    last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
    output = io.StringIO()
    with contextlib.redirect_stdout(output):
        exec(compile(tree, "page", "exec"), names)
        if last:
            value = eval(compile(ast.Expression(last.value), "page", "eval"), names)
            if value is not None:
                output.write(f"{value!r}\n")
    return "\n".join(line.rstrip() for line in output.getvalue().splitlines()) + "\n"


def played(text: str) -> str:
    """Return a page with the real output in its ``text`` blocks."""
    names: dict[str, object] = {}
    output = ""

    def real(block: re.Match[str]) -> str:
        nonlocal output
        kind, body = block[1], block[2]
        if kind == "python":
            output = shown(body, names)
        elif kind == "toml":
            first = body.splitlines()[0].removeprefix("# ")
            Path(first).write_text(body, encoding="utf-8")
        else:
            body = output
        return f"```{kind}\n{body}```"

    with folder_of_a_clone():
        return _BLOCK.sub(real, text)


if __name__ == "__main__":
    for page in map(Path, sys.argv[1:]):
        page.write_text(played(page.read_text("utf-8")), "utf-8")
