"""The first call on a fresh install compiles the numerical code: say so before it waits."""

import sys
from collections.abc import Iterator
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

_COMPILED_ROOMS = ("axisymmetric", "compression", "impact", "kernels", "vibration")

# Measured on one shared core: half a minute for about two dozen kernels.
_SECONDS_A_KERNEL = 1.3


def kernels_to_compile() -> int:
    """Count the compiled functions of which no cached machine code lies on the disk."""
    return sum(not _is_cached(kernel) for kernel in _kernels())


def notice(count: int) -> str:
    """Say what the first call waits for."""
    seconds = max(5, round(count * _SECONDS_A_KERNEL, -1))
    return (
        f"First call of this version: compiling the numerical code for this machine, "
        f"about {seconds:.0f} s, once."
    )


def _kernels() -> Iterator[Any]:
    for room in _COMPILED_ROOMS:
        if find_spec(f"layers.{room}") is None:
            continue
        for value in vars(import_module(f"layers.{room}")).values():
            if hasattr(value, "py_func") and value.__module__ == f"layers.{room}":
                yield value


def _is_cached(kernel: Any) -> bool:
    code = kernel.py_func.__code__
    room = kernel.__module__.rpartition(".")[2]
    tag = f"py{sys.version_info.major}{sys.version_info.minor}"
    index = f"{room}.{kernel.py_func.__qualname__}-{code.co_firstlineno}.{tag}.nbi"
    cached = Path(kernel.stats.cache_path or "", index)
    if not cached.exists():
        return False
    return cached.stat().st_mtime >= Path(code.co_filename).stat().st_mtime
