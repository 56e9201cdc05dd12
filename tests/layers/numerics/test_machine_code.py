"""Compiled code: made by another process, kept whole, and loaded only where it belongs."""

import ast
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import numba
import numpy as np
import pytest
from numba.core import config

from layers.errors import InputError
from layers.figures import QUANTITIES, parse_figure
from layers.files.sources import sources_of
from layers.numerics import machine_code
from layers.numerics.machine_code import is_kept, njit
from layers.strike import march
from layers.strike.kernels import BRANCH_ROWS, RATE
from optimize.compute import first_call
from tests.optimize.search.test_versions import HERE

SCENARIOS = HERE / "scenarios"
PACKAGES = ("layers", "optimize")
NOWHERE = os.devnull + "/nowhere"


@pytest.fixture
def folder(tmp_path, monkeypatch) -> Path:
    """Keep code in an empty folder, here and in the processes that compile."""
    return keep_code_in(tmp_path / "code", monkeypatch)


def keep_code_in(place: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(place))
    monkeypatch.setattr(config, "CACHE_DIR", str(place))
    folder = machine_code._places()[0]
    folder.mkdir(parents=True)
    return folder


def filled() -> tuple[list[list[list[float]]], int]:
    """Call a small function as in a new process, on a kind of number that nothing else uses."""
    fill = njit(cache=True)(march._set_gain.py_func)
    branch = np.zeros((1, BRANCH_ROWS, 2), np.float32)
    branch[0, RATE, 1] = np.inf
    fill(branch, 2.0)
    return branch.tolist(), sum(fill.stats.cache_misses.values())


GAINED = [[[0.0, 0.0], [0.0, 1.0], [0.0, np.inf]]]


@pytest.fixture(scope="module")
def code(tmp_path_factory) -> Path:
    """Compile the small function."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        folder = keep_code_in(tmp_path_factory.mktemp("code"), monkeypatch)
        assert filled() == (GAINED, 0)
        (file,) = folder.iterdir()
    return file


def test_the_process_that_computes_loads_what_another_compiled(code, folder, monkeypatch):
    shutil.copy(code, folder)
    monkeypatch.setattr(sys, "executable", "")  # no other process is needed now
    assert filled() == (GAINED, 0)
    assert [file.name for file in folder.iterdir()] == [code.name]


def test_a_damaged_file_is_made_anew(code, folder):
    file = folder / code.name
    file.write_bytes(code.read_bytes()[:900])
    assert filled() == (GAINED, 0)
    assert file.stat().st_size == code.stat().st_size


def test_no_damaged_byte_passes(folder):
    data = bytes(range(64))
    machine_code._write("a.code", data)
    assert machine_code._read("a.code") == data
    whole = (folder / "a.code").read_bytes()
    flipped = [bytes([*whole[:i], whole[i] ^ 4, *whole[i + 1 :]]) for i in range(len(whole))]
    for damaged in (*flipped, *(whole[:i] for i in range(0, 128, 7)), b"alien", whole + b"\0"):
        (folder / "a.code").write_bytes(damaged)
        assert machine_code._read("a.code") is None
    (folder / "a.code").unlink()
    (folder / "a.code").mkdir()
    assert machine_code._read("a.code") is None
    with pytest.raises(InputError, match=r"compiled code can be kept nowhere: not in .*code"):
        machine_code._write("a.code", data)
    assert [file.name for file in folder.iterdir()] == ["a.code"]


def test_code_of_another_processor_release_or_setting_is_not_loaded(monkeypatch):
    kernel = march.march_single
    assert is_kept(kernel)  # by `conftest`
    machine_code._target.cache_clear()
    with monkeypatch.context() as other:
        other.setattr(numba, "__version__", "0.0.1")
        assert not is_kept(kernel)
    machine_code._target.cache_clear()
    with monkeypatch.context() as other:
        other.setattr(config, "SLP_VECTORIZE", 1 - config.SLP_VECTORIZE)
        assert not is_kept(kernel)
    machine_code._target.cache_clear()
    triple, name, features = kernel.targetctx.codegen().magic_tuple()
    others = [(triple, f"{name}-other", features), (triple, name, f"{features},-none")]
    magic = {(triple, name, features), *others}
    assert len({machine_code._target(codegen) for codegen in magic}) == 3
    assert is_kept(kernel)


def test_code_is_of_all_sources_that_it_is_made_from(code, folder):
    assert {"layers.numerics.lanes", "layers.strike.contact"} <= set(
        sources_of("layers.strike.march")
    )
    sources = march._set_gain._cache._sources
    (folder / code.name.replace(sources, 12 * "0")).write_bytes(code.read_bytes())
    assert filled() == (GAINED, 0)
    # Made anew, and what no source makes any more is cleared away.
    assert [file.name for file in folder.iterdir()] == [code.name]


def test_the_process_that_compiles_runs_nothing_from_the_working_folder(
    folder, tmp_path, monkeypatch
):
    trap = "raise SystemExit('a file of the working folder was run')"
    for name in ("layers", "json", "pickle", "numpy", "numba", "sitecustomize"):
        (tmp_path / f"{name}.py").write_text(trap)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(["", ".", str(HERE)]))
    assert filled() == (GAINED, 0)


def test_a_process_that_cannot_compile_is_said_in_one_sentence(folder, monkeypatch, tmp_path):
    cannot = "^The numerical code cannot be compiled: "
    monkeypatch.setattr(machine_code, "_CHILD", "raise RuntimeError('no compiler')")
    with pytest.raises(InputError, match=cannot + "RuntimeError: no compiler$"):
        filled()
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    with pytest.raises(InputError, match=cannot + r".*python does not start: No such file"):
        filled()
    silent = tmp_path / "python"
    silent.write_text("#!/bin/sh\nexit 3\n")
    silent.chmod(0o755)
    with pytest.raises(InputError, match=r"ended with code 3\.$"):
        filled()


@pytest.mark.parametrize(("test", "example"), first_call._EXAMPLES.items())
def test_what_is_compiled_ahead_is_there(test, example):
    module, name, seconds = test
    assert is_kept(getattr(import_module(module), name))
    assert seconds > 0.0
    precision = "double" if name.endswith("double") else "single"
    assert first_call._test(parse_figure(example), precision) == test


def test_every_finite_element_figure_is_compiled_ahead():
    owners = {"body": "", "swing": "driver fast.", "club": "driver."}
    names = [owners[known.of] + name for name, known in QUANTITIES.items()]
    of = {
        first_call._test(parse_figure(name), precision)
        for name in names
        for precision in ("single", "double")
    }
    assert of == {*first_call._EXAMPLES, None}


def estimated(
    code: Path | str, *figures: str, packages: Path = HERE, folder: Path = HERE, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run the command with code kept in a folder."""
    command = [sys.executable, "-P", "-c", "from optimize.start import main; exit(main())"]
    command += ["estimate", str(SCENARIOS / "balls" / "three_layer_soft_feel.toml"), "--json"]
    command += [f"--figure={name}" for name in figures]
    environment |= {"NUMBA_CACHE_DIR": str(code), "PYTHONPATH": str(packages)}
    told = {**os.environ, **environment}
    return subprocess.run(command, cwd=folder, env=told, capture_output=True, text=True)


def test_where_code_can_be_kept_nowhere_that_is_said():
    ended = estimated(NOWHERE, "cor")
    assert ended.returncode == 2
    told = ended.stderr.splitlines()[-1]
    assert told.startswith("orbwright: The numerical code cannot be compiled: ")
    assert "NUMBA_CACHE_DIR" in told
    assert "Traceback" not in ended.stderr


@pytest.fixture(scope="module")
def installed(tmp_path_factory) -> Iterator[Path]:
    """Copy the packages as an installation does."""
    place = tmp_path_factory.mktemp("installed")
    without = shutil.ignore_patterns("__pycache__")
    for name in PACKAGES:
        shutil.copytree(HERE / name, place / name, ignore=without)
    return place


@pytest.mark.slow
def test_an_installation_in_a_clone_compiles_its_own_files(installed):
    here = {path.name for path in (HERE / "layers" / "__pycache__").iterdir()}
    cold = estimated("", "frequency_hz", packages=installed)
    assert "compiling" in cold.stderr
    assert {path.name for path in (HERE / "layers" / "__pycache__").iterdir()} == here
    kept = list((installed / "layers" / "__pycache__").glob("*.code"))
    assert kept
    warm = estimated("", "frequency_hz", packages=installed)
    assert (warm.stdout, warm.stderr) == (cold.stdout, "")


@pytest.mark.slow
def test_any_state_of_the_folder_gives_the_same_figures(installed):
    """The deflection's last bit tells code just compiled from code loaded."""

    def value(**environment: str) -> float:
        ended = estimated("", "deflection_mm", packages=installed, **environment)
        assert not ended.returncode, ended.stderr
        return float(json.loads(ended.stdout)["figures"]["deflection_mm"]["value"])

    first = value(XDG_CACHE_HOME=NOWHERE)
    files = sorted((installed / "layers" / "__pycache__").glob("*.code"))
    assert len(files) > 5
    sizes = [file.stat().st_size for file in files]
    assert value() == first
    for file in files:  # each alone, or the others would be made with it
        file.write_bytes(file.read_bytes()[:500])
        assert value() == first, file.name
    for file in files:
        file.write_bytes(b"alien")
    assert value() == first
    assert [file.stat().st_size for file in files] == pytest.approx(sizes, rel=0.1)
    generic = value(NUMBA_CPU_NAME="generic")  # other code, kept beside the first
    assert value(NUMBA_CPU_NAME="generic") == generic
    assert value() == first
    for file in files:
        file.unlink()
        file.mkdir()
    ended = estimated("", "deflection_mm", packages=installed, XDG_CACHE_HOME=NOWHERE)
    assert (ended.returncode, len(ended.stderr.splitlines())) == (2, 2), ended.stderr
    for file in files:
        file.rmdir()
    assert value() == first


def test_compiled_functions_that_python_calls_are_kept():
    """Else each process would compute with code of its own making, alike but for the last bit."""
    kept, plain = {}, []
    for path in (HERE / "layers").rglob("*.py"):
        for function in ast.walk(ast.parse(path.read_text())):
            if not isinstance(function, ast.FunctionDef):
                continue
            options = [
                d.keywords
                for d in function.decorator_list
                if isinstance(d, ast.Call) and getattr(d.func, "id", "") == "njit"
            ]
            if options:
                kept[function.name] = any(
                    k.arg == "cache" and ast.literal_eval(k.value) for k in options[0]
                )
            else:
                plain.append(function)
    called = {
        getattr(call.func, "id", getattr(call.func, "attr", ""))
        for function in plain
        for call in ast.walk(function)
        if isinstance(call, ast.Call)
    }
    assert {"march_single", "march_double"} <= called & set(kept)
    assert not [name for name in sorted(called & set(kept)) if not kept[name]]
