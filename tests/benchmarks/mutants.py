"""Change the code by one small slip at a time and count those that its tests notice.

python -m tests.benchmarks.mutants PATH... [--sample 10 | --total 100] [--seed 0] [--minutes 20]

Slips are those of cosmic-ray (an operator, comparison, number, loop or keyword in place of
another), a random sample of so many places in each file, or in all files together. Each is made in
a copy of the tree, of which the tests that mirror the file run and, if those pass, some of what is
built on it. A slip in compiled code is compiled in that copy; the machine code of the unchanged
sources is laid back afterwards. Slips that change nothing are listed in `mutants_equivalent.toml`
with the reason; they do not count.
"""

import argparse
import ast
import difflib
import importlib
import math
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain, zip_longest
from pathlib import Path
from typing import Any, NoReturn

import pytest
from cosmic_ray import plugins
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code

ROOT = Path(__file__).parents[2]
CODE = Path("layers", "__pycache__")  # where machine code is kept
EQUIVALENT = Path(__file__).with_name("mutants_equivalent.toml")
LEFT_OUT = (".git", ".venv", ".mypy_cache", ".pytest_cache", ".ruff_cache", ".hypothesis", "runs")

# Imported once, by the process from which those that run tests are forked.
for _name in ("hypothesis", "matplotlib.pyplot", "numba", "pandas", "pydantic", "scipy.stats"):
    importlib.import_module(_name)

_MESHES = "tests/layers/numerics/test_meshes.py"
_LANES = "tests/layers/numerics/test_lanes.py"
_BLOCKS = "tests/layers/numerics/test_blocks.py"
_SEARCH = "tests/optimize/search"
_BY_EMULATOR = f"{_SEARCH}/test_by_emulator.py"
_STRIKE = "tests/layers/strike/test_strike.py"

# Files without tests of their name: the tests of what they are made for.
ELSEWHERE = {
    "layers/figures.py": (
        "tests/layers/test_figures.py",
        "tests/layers/test_estimation.py",
        "tests/layers/resolution",
    ),
    "layers/materials.py": ("tests/layers/test_materials.py", "tests/layers/test_families.py"),
    "layers/ball_file.py": ("tests/layers/test_ball.py", "tests/layers/files"),
    "layers/numerics/axisymmetric.py": ("tests/layers/compression",),
    "layers/numerics/band.py": ("tests/layers/compression",),
    "layers/numerics/layout.py": ("tests/layers/compression",),
    "layers/numerics/lanes.py": (_LANES, _STRIKE),
    "layers/numerics/nodes.py": (_LANES, _STRIKE),
    "layers/numerics/vectors.py": (_LANES, _BLOCKS, _STRIKE),
    "layers/numerics/blocks.py": (_BLOCKS, "tests/layers/strike"),
    "layers/numerics/mesh.py": (_MESHES, "tests/layers/compression", "tests/layers/impact"),
    "layers/numerics/cubed_sphere.py": (_MESHES, "tests/layers/strike"),
    "layers/numerics/hexes.py": (_MESHES, "tests/layers/strike"),
    "layers/numerics/tensors.py": (_MESHES, "tests/layers/impact", "tests/layers/strike"),
    "layers/numerics/near_rows.py": (
        "tests/layers/numerics/test_near_rows.py",
        "tests/optimize/screening",
    ),
    "layers/bench/bench.py": (
        "tests/layers/bench",
        "tests/layers/test_estimation.py",
        "tests/optimize/pattern",
    ),
    "optimize/search/acquisition.py": (f"{_SEARCH}/test_acquisition.py", _BY_EMULATOR),
    "optimize/search/batch.py": (f"{_SEARCH}/test_batch.py", _BY_EMULATOR),
    "optimize/search/by_emulator.py": (f"{_SEARCH}/test_emulator_steps.py", _BY_EMULATOR),
}

# Tests that a slip must pass too before it counts as survived: of what is written from every file
# (key tables, schemas, pages of examples), of its public face, and of what is built on each room.
FURTHER = (
    "tests/optimize/reference",
    "tests/test_docs.py",
    "tests/test_docstrings.py",
    "tests/test_face.py",
)
BUILT_ON = {
    "layers": ("tests/layers/test_estimation.py",),
    "layers/compound": ("tests/optimize/lab",),
    "layers/compression": ("tests/layers/test_estimation.py", "tests/layers/graded"),
    "layers/cure": ("tests/optimize/cure",),
    "layers/energy": ("tests/optimize/report/test_impact.py",),
    "layers/flight": (
        "tests/layers/test_estimation.py",
        "tests/layers/range",
        "tests/optimize/pattern",
        "tests/optimize/report/test_flight_errors.py",
    ),
    "layers/gpu": ("tests/optimize/compute/test_card.py",),
    "layers/impact": (
        "tests/layers/test_estimation.py",
        "tests/layers/energy",
        "tests/layers/graded",
    ),
    "layers/range": ("tests/optimize/commands/test_range.py",),
    "layers/resolution": ("tests/optimize/calibration",),
    "layers/rules": (
        "tests/layers/test_estimation.py",
        "tests/layers/strike/test_head.py",
        "tests/layers/flight/test_trajectory.py",
    ),
    "layers/strike": ("tests/layers/test_estimation.py", "tests/layers/energy"),
    "optimize/ledger": ("tests/optimize/commands/test_decisions.py",),
    "optimize/search": ("tests/optimize/report", "tests/optimize/commands/test_runs.py"),
    "optimize/tolerance": ("tests/optimize/commands/test_lab.py",),
}


# Asks for code that is compiled before all tests; here tests compile what they need.
AHEAD = "tests/layers/numerics/test_machine_code.py::test_what_is_compiled_ahead_is_there"

Tests = tuple[str, ...]


@dataclass(frozen=True)
class Slip:
    """A file's text with one change; where it is, the lines before and after."""

    path: str
    function: str
    number: int
    before: str
    after: str
    text: str


def places(text: str) -> dict[tuple[int, int], list[tuple[str, int]]]:
    """Map line and column to the operators that apply there, each with its count in the file."""
    found: dict[tuple[int, int], list[tuple[str, int]]] = {}
    nodes = list(ast_nodes(get_ast(text)))
    apart = [*_annotations(text), *_guards(text)]
    for name in sorted(plugins.operator_names()):
        kind = plugins.get_operator(name)
        if kind.arguments() or _idle(name):
            continue
        operator = kind()
        spots = (spot for node in nodes for spot in operator.mutation_positions(node))
        for count, (start, _) in enumerate(spots):
            if not any(low <= start < high for low, high in apart):
                found.setdefault(start, []).append((name, count))
    return found


def _idle(name: str) -> bool:
    """Whether an operator makes slips that every test notices, or none can.

    Bits of a float do not exist; without its decorator a function is only slower, or does not load.
    """
    bits = ("BitAnd", "BitOr", "BitXor", "LShift", "RShift")
    _, *kinds = name.split("_")
    mixed = len(kinds) == 2 and (kinds[0] in bits) != (kinds[1] in bits)
    return mixed or "Invert" in kinds or name.endswith("RemoveDecorator")


def _annotations(text: str) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    """Yield where types stand: they compute nothing."""
    for node in ast.walk(ast.parse(text)):
        for name in ("annotation", "returns"):
            kind = getattr(node, name, None)
            if kind is not None:
                yield (kind.lineno, kind.col_offset), (kind.end_lineno, kind.end_col_offset)


def _guards(text: str) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
    """Yield where flags and marks stand that only refuse wrong code, never change what right does.

    These are `frozen` of a dataclass, `strict` of a zip, and the `*` before keywords of a function.
    """
    flags = {"dataclass": "frozen", "zip": "strict"}
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            for word in node.keywords:
                if word.arg == flags.get(node.func.id):
                    value = word.value
                    yield (word.lineno, word.col_offset), _end(value)
    for number, line in enumerate(text.split("\n"), start=1):
        if line.strip() == "*,":
            yield (number, 0), (number, len(line))


def _end(node: ast.expr) -> tuple[int, int]:
    assert node.end_lineno is not None  # a parsed text has both
    assert node.end_col_offset is not None
    return node.end_lineno, node.end_col_offset


def slips(path: str, sample: int, seed: int) -> Iterator[Slip]:
    """Yield slips of a file at random places, one a place."""
    rng = random.Random(f"{seed} {path}")
    spots = places((ROOT / path).read_text())
    for spot in rng.sample(sorted(spots), min(sample, len(spots))):
        yield from _made(path, spot, rng.choice(spots[spot]))


def slips_of_all(paths: list[str], total: int, seed: int) -> Iterator[Slip]:
    """Yield slips at random places of all files together: the more code, the more slips."""
    rng = random.Random(f"{seed} of all")
    spots = {
        (path, *spot): operators
        for path in paths
        for spot, operators in places((ROOT / path).read_text()).items()
    }
    for path, line, column in rng.sample(sorted(spots), min(total, len(spots))):
        yield from _made(path, (line, column), rng.choice(spots[path, line, column]))


def _made(path: str, spot: tuple[int, int], operator: tuple[str, int]) -> Iterator[Slip]:
    """Yield the slip that an operator makes; none if it leaves the text as it is."""
    text = (ROOT / path).read_text()
    changed = mutated(text, operator)
    if changed is not None:
        before, after = difference(text, changed)
        yield Slip(path, _function(text, spot[0]), spot[0], before, after, changed)


def mutated(text: str, operator: tuple[str, int]) -> str | None:
    """Return the text with one slip, by an operator's name and count; None if it makes none."""
    name, count = operator
    return mutate_code(text, plugins.get_operator(name)(), count)


def difference(text: str, changed: str) -> tuple[str, str]:
    """Return the changed lines as they were and as they are, each as one."""
    lines = [
        line
        for line in difflib.unified_diff(text.split("\n"), changed.split("\n"), n=0, lineterm="")
        if line[0] in "+-" and line[:3] not in ("+++", "---")
    ]
    before, after = (" ".join(r[1:].strip() for r in lines if r[0] == sign) for sign in "-+")
    return before, after


def _function(text: str, line: int) -> str:
    """Return the name of the innermost function or class with this line; none at top level."""
    found = ""
    for node in ast.walk(ast.parse(text)):  # from the outermost inward
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            first = min(d.lineno for d in (node, *node.decorator_list))
            if first <= line <= (node.end_lineno or line):
                found = node.name
    return found


def further(path: str) -> tuple[Tests, ...]:
    """Return groups of tests that a slip must pass besides those of its room."""
    room = str(Path(path).parent)
    built = BUILT_ON.get(room, BUILT_ON["layers"] if room.startswith("layers/") else ())
    return (*((test,) for test in built), FURTHER)


def mirrors(path: str) -> tuple[Tests, Tests]:
    """Return the tests of a file's name, which run first, and those of its room."""
    if path in ELSEWHERE:
        return (), ELSEWHERE[path]
    room = Path("tests") / Path(path).parent
    own = room / f"test_{Path(path).name}"
    if not (ROOT / own).exists():
        return (), (str(room),)
    return (str(own),), (str(own) if len(room.parts) == 2 else str(room),)


class _CompilesWhatItNeeds:
    """Tells the tests that they are a worker: nothing is compiled before them."""

    @pytest.hookimpl(tryfirst=True)
    def pytest_configure(self, config: Any) -> None:
        config.workerinput = {}


class Copy:
    """A copy of the tree, in which files are changed and tests run."""

    def __init__(self, folder: Path) -> None:
        self._tree, self._kept = folder / "tree", folder / "kept"
        self._times: dict[Tests, float | None] = {}
        shutil.copytree(ROOT, self._tree, ignore=shutil.ignore_patterns(*LEFT_OUT))
        (self._tree / CODE).mkdir(exist_ok=True)  # a fresh tree has none yet

    def _passes(self, tests: Sequence[str], seconds: float | None = None) -> bool:
        """Whether all tests pass within so much processor time, whatever else runs here."""
        process = os.fork()
        if not process:
            self._become_tests(tests, seconds)
        end = time.monotonic() + 10.0 * (seconds or math.inf)
        status = None
        while status is None and time.monotonic() < end:
            ended, code = os.waitpid(process, os.WNOHANG)
            status = code if ended else time.sleep(0.05)
        with suppress(ProcessLookupError):  # with all that the tests have started
            os.killpg(process, signal.SIGKILL)
        if status is None:
            os.waitpid(process, 0)
        return status == 0

    def _become_tests(self, tests: Sequence[str], seconds: float | None) -> NoReturn:
        """Run tests of the copy in this forked process, and end it."""
        os.setsid()
        with open(os.devnull, "w") as nowhere:
            os.dup2(nowhere.fileno(), 1)
            os.dup2(nowhere.fileno(), 2)
        if seconds is not None:
            resource.setrlimit(resource.RLIMIT_CPU, (math.ceil(seconds),) * 2)
        os.chdir(self._tree)
        os.environ |= {"PYTHONDONTWRITEBYTECODE": "1", "PYTHONPATH": str(self._tree)}
        sys.dont_write_bytecode = True
        sys.path[:] = [str(self._tree), *(p for p in sys.path if p and Path(p) != ROOT)]
        for name in [n for n in sys.modules if n.partition(".")[0] == "tests"]:
            del sys.modules[name]
        importlib.invalidate_caches()
        end = 1
        with suppress(BaseException):
            given = ["-x", "-p", "no:cacheprovider", "-p", "no:xdist", "--deselect", AHEAD, *tests]
            end = pytest.main(given, plugins=[_CompilesWhatItNeeds()])
        os._exit(int(end))

    def outcome(self, slip: Slip) -> str:
        """Say whether tests fail with the slip: killed or survived; or left out, if they cannot."""
        own, room = mirrors(slip.path)
        groups = [room, *(group for group in further(slip.path) if group != room)]
        for group in groups:
            if self._used(group) is None:
                return f"left out: {' '.join(group)} fails without any slip"
        seconds = 30.0 + 3.0 * sum(self._used(group) or 0.0 for group in groups)
        file = self._tree / slip.path
        right = file.read_text()
        file.write_text(slip.text)
        try:
            return "survived" if self._passes([*own, *chain(*groups)], seconds) else "killed"
        finally:
            file.write_text(right)
            self._lay_back()

    def _lay_back(self) -> None:
        """Leave no machine code but that of the unchanged sources."""
        shutil.rmtree(self._tree / CODE)
        shutil.copytree(self._kept, self._tree / CODE)

    def _used(self, tests: Tests) -> float | None:
        """Processor time of these tests without a slip, s; none if they fail."""
        if tests not in self._times:
            before = processor_time()
            passed = self._passes(tests)
            self._times[tests] = processor_time() - before if passed else None
            shutil.copytree(self._tree / CODE, self._kept, dirs_exist_ok=True)
        return self._times[tests]


def equivalents() -> set[tuple[str, str, str]]:
    """Return file, function and changed line of the slips that change nothing."""
    rows = tomllib.loads(EQUIVALENT.read_text())["mutant"]
    assert all(row["reason"] for row in rows)
    return {(row["file"], row["function"], row["after"]) for row in rows}


def files(paths: list[Path]) -> list[str]:
    found = [f for p in paths for f in (sorted(p.rglob("*.py")) if p.is_dir() else [p])]
    names = [str(f.resolve().relative_to(ROOT)) for f in found]
    return [name for name in names if not name.endswith("__init__.py")]


def processor_time() -> float:
    """Return what ended child processes have used, s."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("path", type=Path, nargs="+")
    parser.add_argument("--sample", type=int, default=10, help="places in each file")
    parser.add_argument("--total", type=int, help="places in all files together, in its stead")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--minutes", type=float, default=20.0, help="no slip is begun after these")
    asked = parser.parse_args()
    end = time.monotonic() + 60.0 * asked.minutes
    names, same = files(asked.path), equivalents()
    queue = list(_queue(names, asked.sample, asked.total, asked.seed))
    score = {name: Counter[str]() for name in names}
    with tempfile.TemporaryDirectory() as folder:
        copy = Copy(Path(folder))
        for slip in queue:
            if (slip.path, slip.function, slip.after) in same:
                score[slip.path]["equivalent"] += 1
                continue
            if time.monotonic() > end:
                break
            outcome = copy.outcome(slip)
            score[slip.path][outcome] += 1
            sys.stderr.write(f"{slip.path}:{slip.number} {outcome}\n")
            if outcome == "survived":
                said = f"{slip.path}:{slip.number}\n- {slip.before}\n+ {slip.after}"
                print(said, flush=True)
    print_table(score)


def _queue(names: list[str], sample: int, total: int | None, seed: int) -> Iterator[Slip]:
    """Yield the slips in an order in which a run cut short is a fair sample, too."""
    if total is not None:
        yield from slips_of_all(names, total, seed)
        return
    drawn = [slips(name, sample, seed) for name in names]
    for turn in zip_longest(*drawn):  # one slip of each file
        yield from (slip for slip in turn if slip is not None)


def print_table(score: dict[str, Counter[str]]) -> None:
    print("\n| file | slips | killed | % | equivalent |\n|---|---|---|---|---|")
    for name, row in {**score, "all": sum(score.values(), Counter())}.items():
        slips_made = row["killed"] + row["survived"]
        if slips_made:
            share = 100 * row["killed"] / slips_made
            print(
                f"| {name} | {slips_made} | {row['killed']} | {share:.0f} | {row['equivalent']} |"
            )


if __name__ == "__main__":
    main()
