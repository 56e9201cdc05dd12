"""The house stays in order: who may import whom, sizes, and what every public function tells.

Kind: structure. A room is a folder, or a file that stands directly in `layers` or `optimize`.
"""

import ast
import statistics
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# The floors from the ground up: a room imports only from floors below its own.
FLOORS = (
    ("layers", "layers.arrays", "layers.errors"),
    ("layers.files",),
    ("layers.numerics",),
    ("layers.families", "layers.flight", "layers.hardness"),
    ("layers.graded", "layers.materials", "layers.range"),
    ("layers.ball", "layers.compound"),
    ("layers.ball_file", "layers.compression", "layers.cure", "layers.figures", "layers.mass"),
    ("layers.estimates", "layers.impact", "layers.vibration"),
    ("layers.strike",),
    ("layers.conditions",),
    ("layers.bench", "layers.energy"),
    ("layers.estimation",),
    ("layers.model_version", "layers.resolution", "layers.rules"),
    ("optimize",),
    ("optimize.lab", "optimize.pattern"),
    ("optimize.ledger", "optimize.scenario"),
    (
        "optimize.calibration",
        "optimize.compute",
        "optimize.cure",
        "optimize.emulator",
        "optimize.tolerance",
    ),
    ("optimize.search",),
    ("optimize.screening", "optimize.sensitivity", "optimize.verdicts"),
    ("optimize.report",),
    ("optimize.web",),
    ("optimize.bench", "optimize.page", "optimize.reference", "optimize.templates"),
    ("optimize.commands",),
    ("optimize.alias", "optimize.start"),
)
_LEVEL = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}
# The public faces load names from everywhere, but only when they are asked for.
_FACES = {"layers", "optimize", "optimize.alias"}


def modules() -> dict[str, Path]:
    """Return every product module by its dotted name."""
    found = {}
    for wing in ("layers", "optimize"):
        for path in (ROOT / wing).rglob("*.py"):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            found[name.removesuffix(".__init__")] = path
    return found


def imported(name: str, path: Path, known: dict[str, Path]) -> Iterator[str]:
    """Yield the product modules that a module imports, inside functions too."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in known)
        elif isinstance(node, ast.ImportFrom) and node.module in known:
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in known else str(node.module)


def room_of(module: str) -> str:
    return ".".join(module.split(".")[:2])


KNOWN = modules()


def test_every_room_has_its_floor():
    assert {room_of(module) for module in KNOWN} <= set(_LEVEL)


def test_no_room_imports_from_its_own_floor_or_from_above():
    upward = [
        f"{module} imports {other}"
        for module, path in KNOWN.items()
        for other in imported(module, path, KNOWN)
        if module not in _FACES
        and room_of(other) != room_of(module)
        and _LEVEL[room_of(other)] >= _LEVEL[room_of(module)]
    ]
    assert not upward


def test_no_import_circles():
    graph = {m: set(imported(m, p, KNOWN)) for m, p in KNOWN.items() if m not in _FACES}
    done: set[str] = set()

    def visit(module: str, trail: tuple[str, ...]) -> None:
        assert module not in trail, " -> ".join((*trail, module))
        if module not in done:
            for other in graph.get(module, ()):
                visit(other, (*trail, module))
            done.add(module)

    for module in graph:
        visit(module, ())


def test_layers_does_not_know_optimize():
    for module, path in KNOWN.items():
        if module.startswith("layers"):
            assert not [o for o in imported(module, path, KNOWN) if o.startswith("optimize")]


def test_the_check_of_floors_can_fail(tmp_path):
    slip = tmp_path / "slip.py"
    slip.write_text("def late():\n    from optimize.search.run import run_search\n")
    assert list(imported("layers.slip", slip, KNOWN)) == ["optimize.search.run"]


# hardness.py is the thirteenth: materials.py reads it, and it is too small for a room of its own.
@pytest.mark.parametrize(("wing", "most"), [("layers", 13), ("optimize", 4)])
def test_few_files_stand_outside_rooms(wing, most):
    assert len(list((ROOT / wing).glob("*.py"))) <= most


@pytest.mark.parametrize("wing", ["layers", "optimize"])
def test_every_room_says_what_it_is_for_and_carries_types(wing):
    assert (ROOT / wing / "py.typed").exists()
    for path in (ROOT / wing).rglob("__init__.py"):
        assert ast.get_docstring(ast.parse(path.read_text("utf-8"))), path


def functions() -> Iterator[tuple[str, ast.FunctionDef, bool]]:
    """Yield every function with its module, and whether it is public."""
    for module, path in KNOWN.items():
        tree = ast.parse(path.read_text("utf-8"))
        public = {
            id(node)
            for body in (tree, *(c for c in tree.body if isinstance(c, ast.ClassDef)))
            if isinstance(body, ast.Module) or not body.name.startswith("_")
            for node in body.body
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                yield module, node, id(node) in public


def test_files_and_functions_stay_short():
    lines = sorted(len(path.read_text("utf-8").splitlines()) for path in KNOWN.values())
    spans = sorted(node.end_lineno - node.lineno + 1 for _, node, _ in functions())
    assert statistics.median(lines) <= 140
    assert lines[-1] <= 400
    assert spans[int(0.99 * len(spans))] <= 60


def is_command(node: ast.FunctionDef) -> bool:
    """Whether a function is a command: its parameters are described by the options' help."""
    return any(
        ".command" in ast.unparse(d) or ".callback" in ast.unparse(d) for d in node.decorator_list
    )


def test_public_functions_of_three_arguments_describe_them():
    missing = []
    for module, node, public in functions():
        arguments = [a.arg for a in (*node.args.args, *node.args.kwonlyargs)]
        asked = [a for a in arguments if a not in ("self", "cls")]
        if public and len(asked) >= 3 and not is_command(node):
            text = ast.get_docstring(node) or ""
            if "Parameters\n---" not in text:
                missing.append(f"{module}.{node.name}")
    assert not missing


def test_tests_mirror_the_rooms():
    for folder in (ROOT / "tests" / "layers", ROOT / "tests" / "optimize"):
        rooms = {p.name for p in folder.iterdir() if p.is_dir() and p.name != "__pycache__"}
        assert rooms <= {p.name for p in (ROOT / folder.name).iterdir()}


def test_floors_are_listed_once():
    listed = sorted(room for rooms in FLOORS for room in rooms)
    assert all(a != b for a, b in pairwise(listed))
