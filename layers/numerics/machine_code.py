"""Compiled functions: their machine code is made by another process, kept on the disk, and loaded.

Code that a process has just compiled, and the same code loaded from the disk, can differ in the
last bit of a figure: copies of an inlined function, optimised apart, then stand in for each other.
So no process computes with code that it has compiled itself; where the disk has none, a child
process compiles and this one loads. A file of code is named by all that decides what is in it, and
opens with a digest of the rest, so that a file of another processor or release, or a damaged one,
is never loaded.
"""

import hashlib
import os
import pickle
import platform
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import cache, cached_property
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar, cast

import llvmlite  # type: ignore[import-untyped]
import numba
import numpy as np
from numba.core import config
from numba.core.compiler import CompileResult
from numba.core.serialize import dumps
from numba.misc.appdirs import AppDirs

from layers.errors import InputError, OrbwrightError
from layers.files.sources import digest_of, sources_of

F = TypeVar("F", bound=Callable[..., Any])

# The compiler's own functions carry no types.
_config: Any = config
_rebuilt: Any = CompileResult._rebuild
_dumps: Any = dumps
_folders: Any = AppDirs

_TOP = __name__.partition(".")[0]
_CANNOT = "The numerical code cannot be compiled"
_DIGITS = 64  # of the digest that a file opens with

# Only a child that `apart` has started compiles.
_compiles_here = False


def njit(*, cache: bool = False, **options: Any) -> Callable[[F], F]:
    """Compile a function at its first call, like numba's decorator of this name.

    Parameters
    ----------
    cache : bool
        Whether its machine code is kept on the disk. A function that is not kept may be called
        from compiled functions only.
    **options
        As numba takes them.
    """

    def decorate(function: F) -> F:
        compiled: Any = numba.njit(**options)(function)
        if cache:
            compiled._cache = _Kept(function)
        return cast(F, compiled)

    return decorate


def is_kept(compiled: Any) -> bool:
    """Whether machine code of a function for this processor lies on the disk, undamaged."""
    return bool(compiled._cache.found(compiled.targetctx.codegen()))


class _Kept:
    """The machine code of one function on the disk, a file a signature; as numba uses a cache."""

    def __init__(self, function: Callable[..., Any]) -> None:
        self._module = function.__module__
        self._name = function.__qualname__

    @property
    def cache_path(self) -> str:
        return str(_places()[0])

    @cached_property
    def _sources(self) -> str:
        return digest_of(sources_of(self._module))

    def _stem(self, codegen: Any) -> str:
        return f"{self._module}.{self._name}-{_target(codegen.magic_tuple())}"

    def _file(self, signature: Any, codegen: Any) -> str:
        return f"{self._stem(codegen)}-{self._sources}-{_short(repr(signature))}.code"

    def found(self, codegen: Any) -> list[str]:
        """Return the names of whole files of this function."""
        pattern = f"{self._stem(codegen)}-{self._sources}-*.code"
        places = [place for place in _places() if os.path.isdir(place)]
        names = {path.name for place in places for path in place.glob(pattern)}
        return [name for name in names if _read(name) is not None]

    def load_overload(self, signature: Any, context: Any) -> Any:
        context.refresh()
        file = self._file(signature, context.codegen())
        data = _read(file)
        if data is None and not _compiles_here:
            apart(_compile, self._module, self._name, signature)
            data = _read(file)
            if data is None:
                raise InputError(
                    f"{_CANNOT}: {sys.executable} made it for another processor or release than "
                    f"this process asks for."
                )
        if data is None:
            return None
        return _rebuilt(context, *pickle.loads(data))

    def save_overload(self, signature: Any, result: Any) -> None:
        file = self._file(signature, result.codegen)
        if _read(file) is None:  # else another process was faster: all load the same code
            place = _write(file, _dumps(result._reduce()))
            for old in place.glob(f"{self._stem(result.codegen)}-*.code"):
                if self._sources not in old.name:
                    with suppress(OSError):
                        old.unlink()

    def enable(self) -> None:
        """Numba's; it is never off."""

    def flush(self) -> None:
        """Numba's, before compiling anew; code of the same sources stays as it is."""


def _compile(module: str, name: str, signature: Any) -> None:
    getattr(import_module(module), name).compile(signature)


@cache
def _target(codegen: tuple[Any, ...]) -> str:
    """Digest what machine code hangs on besides its sources: processor, releases, settings."""
    libraries = (numba, llvmlite, np)
    releases = [platform.python_version(), *(library.__version__ for library in libraries)]
    names = ("OPT", "LOOP_VECTORIZE", "SLP_VECTORIZE", "USING_SVML", "BOUNDSCHECK")
    settings = [str(getattr(_config, name)) for name in names]
    return _short(repr((codegen, releases, settings)))


def _short(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def _places() -> list[Path]:
    """Where code may lie: where numba is told to keep it, else beside the sources or at home."""
    home = Path(str(import_module(_TOP).__path__[0]))
    own = f"orbwright-{_short(str(home))}"
    if _config.CACHE_DIR:
        return [Path(_config.CACHE_DIR).absolute() / own]
    user = Path(_folders(appname="orbwright", appauthor=False).user_cache_dir)
    return [home / "__pycache__", *([user / own] if user.is_absolute() else [])]


def _read(name: str) -> bytes | None:
    """Return what was written under this name; None if it is not there or is damaged."""
    for place in _places():
        try:
            data = (place / name).read_bytes()
        except OSError:
            continue
        if data[:_DIGITS] == hashlib.sha256(data[_DIGITS:]).hexdigest().encode():
            return data[_DIGITS:]
    return None


def _write(name: str, data: bytes) -> Path:
    """Write in the first place that takes it, whole or not at all; return the place."""
    digest = hashlib.sha256(data).hexdigest().encode()
    troubles = []
    for place in _places():
        part = place / f"{name}.{os.getpid()}"
        try:
            place.mkdir(parents=True, exist_ok=True)
            part.write_bytes(digest + data)
            part.replace(place / name)
        except OSError as error:
            troubles.append(f"{place} ({error.strerror})")
            with suppress(OSError):
                part.unlink()
            continue
        return place
    raise InputError(
        f"compiled code can be kept nowhere: not in {', nor in '.join(troubles)}. Set "
        f"NUMBA_CACHE_DIR to a folder that can be written to."
    )


# Packages are loaded from where the parent has them, whatever lies in the working folder.
_CHILD = """
import importlib.util, pickle, sys
packages, here = pickle.load(sys.stdin.buffer)
for name, file in packages.items():
    spec = importlib.util.spec_from_file_location(name, file)
    sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(sys.modules[name])
importlib.import_module(here).compile_here(sys.stdin.buffer)
"""


def apart(function: Callable[..., None], *arguments: Any) -> None:
    """Call a function in a process that compiles and keeps the code that it lacks.

    Parameters
    ----------
    function : callable
        Of a module, so that the process finds it.
    *arguments
        Its arguments.

    Raises
    ------
    InputError
        If it did not come to its end; the message says why.
    """
    tops = dict.fromkeys((_TOP, function.__module__.partition(".")[0]))
    packages = {top: import_module(top).__file__ for top in tops}
    told = pickle.dumps((packages, __name__)) + pickle.dumps((function, arguments))
    paths = os.environ.get("PYTHONPATH", "").split(os.pathsep)
    path = os.pathsep.join(path for path in paths if os.path.isabs(path))
    command = [sys.executable, "-P", "-c", _CHILD]
    environment = {**os.environ, "PYTHONPATH": path}
    try:
        ended = subprocess.run(
            command, input=told, env=environment, capture_output=True, check=False
        )
    except OSError as error:
        raise InputError(
            f"{_CANNOT}: {sys.executable} does not start: {error.strerror}."
        ) from error
    if ended.returncode:
        lines = ended.stderr.decode(errors="replace").strip().split("\n")
        said = lines[-1] or f"the process for it ended with code {ended.returncode}."
        raise InputError(f"{_CANNOT}: {said}")


def compile_here(told: Any) -> None:
    """Be the process that `apart` starts: call what the parent wrote."""
    global _compiles_here
    _compiles_here = True
    function, arguments = pickle.load(told)
    try:
        function(*arguments)
    except OrbwrightError as error:
        sys.exit(str(error))
