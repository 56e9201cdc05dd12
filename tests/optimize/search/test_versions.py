"""What a model's version and a run's id hang on: all code that decides, and no other."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from layers.files.sources import digest_of, sources_of
from layers.model_version import model_sources

HERE = Path(__file__).parents[3]

_ALL_FIGURES = """
import sys
from layers.estimation import estimate
from layers.figures import QUANTITIES
from tests.helpers.builds import random_balls
owners = {"body": "", "swing": "driver fast.", "club": "driver."}
kept = {name: known for name, known in QUANTITIES.items() if not known.of_process}
names = [owners[quantity.of] + name for name, quantity in kept.items()]
found = estimate(random_balls(1, seed=0)[0], names)
assert not found.failed, found.failed
"""
_A_SEARCH = """
import sys
from pathlib import Path
from optimize.search import answer
from optimize.ledger.ledger import Ledger
from optimize.search.run import run_search
from tests.helpers.briefs import four_layers
answer.BALL_FIGURES = answer.STAGE_FIGURES = ("mass_g",)
with Ledger(Path(sys.argv[1])) as ledger:
    for method in ("direct", "emulator"):
        run_search(four_layers(evaluations=16, population=8, method=method), ledger)
"""
_IMPORTED = """
for name, module in sys.modules.items():
    if name.partition(".")[0] in ("layers", "optimize") and not hasattr(module, "__path__"):
        print(name)
"""

# Touch each of some files of a copy in turn, then all of others together.
_TOUCH = """
import sys
from pathlib import Path
{}
before = version()
each, together = ([Path(file) for file in list.split()] for list in sys.argv[1:])
for file in each:
    kept = file.read_bytes()
    file.write_bytes(kept + b"\\n")
    if version() == before:
        print("unnoticed:", file)
    file.write_bytes(kept)
assert version() == before
for file in together:
    file.write_bytes(file.read_bytes() + b"\\n")
if version() != before:
    print("one of these changes it:", *together)
"""
_MODEL = """
from layers.model_version import digest_of, model_sources
def version():
    return digest_of(model_sources())
"""
_RUN = """
from optimize.search import run as search
from optimize.scenario.brief import read_scenario
scenario = read_scenario(Path("scenarios/two_layer_distance.toml"))
def version():
    search._search_version.cache_clear()
    return search.name_run(scenario)[0]
"""

DECIDING = (
    "optimize/compute/evaluator.py",
    "optimize/emulator/draws.py",
    "optimize/scenario/brief.py",
    "optimize/scenario/space.py",
    "optimize/search/acquisition.py",
    "optimize/search/loop.py",
    "optimize/search/shortlist.py",
    "layers/rules/screen.py",
    "layers/rules/rules.toml",
)
SHOWING = ("optimize/report/", "optimize/page/", "optimize/commands/", "layers/compound/")


def printed(code: str, folder: Path = HERE, *arguments: str) -> set[str]:
    environment = {**os.environ, "PYTHONPATH": str(folder)}
    command = [sys.executable, "-P", "-c", code, *arguments]
    ended = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True)
    assert not ended.returncode, ended.stderr
    return {line for line in ended.stdout.split("\n") if line}


@pytest.fixture
def copy(tmp_path) -> Path:
    for name in ("layers", "optimize", "scenarios"):
        without = shutil.ignore_patterns("__pycache__")
        shutil.copytree(HERE / name, tmp_path / name, ignore=without)
    return tmp_path


def touched(version: str, folder: Path, each: set[str], together: set[str]) -> set[str]:
    """Say which of some files do not change a version, or that others do."""
    return printed(_TOUCH.format(version), folder, " ".join(each), " ".join(together))


def all_files() -> set[str]:
    files = [file for top in ("layers", "optimize") for file in (HERE / top).rglob("*")]
    return {str(file.relative_to(HERE)) for file in files if file.suffix in (".py", ".toml")}


def model_files() -> set[str]:
    return {str(file.relative_to(HERE)) for file in model_sources().values()}


def test_the_model_version_covers_exactly_what_all_figures_import():
    modules = {name for name, file in model_sources().items() if file.suffix == ".py"}
    assert modules == printed(_ALL_FIGURES + _IMPORTED)


def test_a_change_of_what_figures_do_not_rest_on_keeps_the_model_version(copy):
    changing = model_files()
    assert touched(_MODEL, copy, changing, all_files() - changing) == set()
    assert {
        "layers/estimation.py",
        "layers/impact/barrier.py",
        "layers/numerics/hexes.py",
        "layers/strike/swings.toml",
    } <= changing
    others = ("layers/compound/", "layers/files/csv.py", "layers/rules/", "layers/catalogue.toml")
    assert not [file for file in changing if file.startswith((*others, "optimize/"))]


def test_a_run_is_another_by_any_other_code_that_chooses_builds(copy):
    showing = {file for file in all_files() if file.startswith(SHOWING)}
    assert touched(_RUN, copy, model_files() | set(DECIDING), showing) == set()


@pytest.mark.slow
def test_a_run_covers_all_code_that_a_search_imports(tmp_path):
    covered = set(sources_of("optimize.search.run", ("layers", "optimize")))
    imported = printed(_A_SEARCH + _IMPORTED, HERE, str(tmp_path / "l.sqlite"))
    assert "optimize.search.by_emulator" in imported
    assert imported <= covered


@pytest.fixture
def house(tmp_path, monkeypatch):
    """Write a package with rooms; give its files as `sources_of` finds them from a module."""
    name = f"house_{tmp_path.name.replace('-', '_')}"
    monkeypatch.syspath_prepend(tmp_path)

    def found(entry: str, files: dict[str, str]) -> set[str]:
        for file, text in {"__init__.py": "", **files}.items():
            path = tmp_path / name / file
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text.replace("house", name))
        sources = sources_of(f"{name}.{entry}", (name,))
        assert all(file.is_file() for file in sources.values())
        return {source.removeprefix(f"{name}.") for source in sources}

    return found


def test_imports_are_followed_into_rooms_and_functions(house):
    files = {
        "entry.py": "from house.strike import march\ndef f():\n    import house.air\n",
        "strike/__init__.py": '"""A room."""\n',
        "strike/march.py": "from . import rows\nfrom ..air import g as h\nfrom math import pi\n",
        "strike/rows.py": "",
        "strike/other.py": "",
        "air.py": "g = 'table.toml'\n",
        "table.toml": "",
        "other.toml": "",
    }
    assert house("entry", files) == {
        "entry",
        "strike.march",
        "strike.rows",
        "air",
        "air:table.toml",
    }


def test_what_only_a_type_checker_imports_does_not_count(house):
    files = {
        "entry.py": "from typing import TYPE_CHECKING\n"
        "if TYPE_CHECKING:\n    from house.a import A\n"
        "else:\n    from house.b import B\n",
        "a.py": "",
        "b.py": "",
    }
    assert house("entry", files) == {"entry", "b"}


def test_the_file_of_a_room_counts_where_a_name_is_taken_from_it(house):
    files = {
        "entry.py": "from house.strike import force\n",
        "strike/__init__.py": "from house.strike.law import force\n",
        "strike/law.py": "",
        "flight/__init__.py": "from house.flight.law import path\n",
        "flight/law.py": "",
        "flight/air.py": "",
        "mass.py": "from house.flight.air import density\n",
    }
    assert house("entry", files) == {"entry", "strike", "strike.law"}
    assert house("mass", files) == {"mass", "flight.air", "flight.law"}


def test_a_module_that_is_not_there_is_named(house):
    with pytest.raises(ModuleNotFoundError, match=r"\.away"):
        house("entry", {"entry.py": "import house.away\n"})


def test_files_are_digested_by_what_they_hold_not_by_where_they_lie(tmp_path):
    one, other = tmp_path / "one.py", tmp_path / "other.py"
    one.write_text("a = 1\n")
    other.write_text("a = 1\n")
    assert digest_of({"m": one}) == digest_of({"m": other})
    other.write_text("a = 2\n")
    assert digest_of({"m": one}) != digest_of({"m": other})
