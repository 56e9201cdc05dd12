"""The first call on a fresh install compiles the numerical code, in a process of its own.

Code that was just compiled, and the same code loaded from the disk, can differ in the last bit of
a figure. So that every figure comes from loaded code, the process that compiles computes nothing.
"""

import subprocess
import sys
from collections.abc import Iterable
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

from layers.figures import QUANTITIES, FigureName, parse_figure

# Of each test the function that is compiled last, so that its machine code tells that all is there;
# and how long compiling takes on an idle core, s, measured.
_PLATES, _MODE, _BARRIER, _STRIKE = (
    ("compression.curve", "_push", 5.0),
    ("numerics.axisymmetric", "back_substitute", 5.0),
    ("impact.kernels", "impact", 5.0),
    ("strike.march", "march", 15.0),
)

# A figure of each test.
_EXAMPLES = {
    _PLATES: "deflection_mm",
    _MODE: "frequency_hz",
    _BARRIER: "cor",
    _STRIKE: "driver fast.spin_rpm",
}

_COMPUTE = """
from layers.ball import Ball, Layer
from layers.estimation import estimate
from layers.materials import default_catalogue
card = default_catalogue().material[0]
sizes = {"inner core": 24.0, "outer core": 38.5, "mantle": 41.0, "cover": 42.7}
layers = [Layer(role=r, outer_diameter_mm=d, material=card) for r, d in sizes.items()]
estimate(Ball(name="first call", layer=tuple(layers)), NAMES)
"""


def seconds_to_compile(names: Iterable[str]) -> float:
    """Return about how long the first call will compile, s; 0 if machine code lies on the disk.

    Parameters
    ----------
    names : iterable of str
        The figures that will be computed.
    """
    tests = {test for name in names if (test := _test(parse_figure(name)))}
    return sum(seconds for room, name, seconds in tests if not _is_cached(_kernel(room, name)))


def compile_ahead(names: Iterable[str]) -> None:
    """Have another process compile what these figures need and the disk lacks, and wait for it.

    Parameters
    ----------
    names : iterable of str
        The figures that will be computed; swings may be any, all strikes are one code.
    """
    wanted = set(names)
    if wanted and seconds_to_compile(wanted):
        tests = {test for name in wanted if (test := _test(parse_figure(name)))}
        _compile(tuple(sorted(_EXAMPLES[test] for test in tests)))


@cache  # where the disk takes no machine code, once is enough
def _compile(examples: tuple[str, ...]) -> None:
    code = _COMPUTE.replace("NAMES", repr(examples))
    # What it cannot compute, the caller's own call will tell.
    subprocess.run([sys.executable, "-c", code], check=False, capture_output=True)


def _test(figure: FigureName) -> tuple[str, str, float] | None:
    quantity = QUANTITIES[figure.quantity]
    if quantity.basis != "finite element":
        return None
    if quantity.of != "body":
        return _STRIKE
    return {"deflection_mm": _PLATES, "frequency_hz": _MODE}.get(figure.quantity, _BARRIER)


def notice(seconds: float) -> str:
    """Say what the first call waits for."""
    return (
        f"First call of this version: compiling the numerical code for this machine, "
        f"about {seconds:.0f} s, once."
    )


def _kernel(room: str, name: str) -> Any:
    return getattr(import_module(f"layers.{room}"), name)


def _is_cached(kernel: Any) -> bool:
    code = kernel.py_func.__code__
    room = kernel.__module__.rpartition(".")[2]
    tag = f"py{sys.version_info.major}{sys.version_info.minor}"
    # The compiler leaves out of a file's name the brackets of "<locals>".
    name = kernel.py_func.__qualname__.replace("<", "").replace(">", "")
    index = f"{room}.{name}-{code.co_firstlineno}.{tag}.nbi"
    cached = Path(kernel.stats.cache_path or "", index)
    if not cached.exists():
        return False
    return cached.stat().st_mtime >= Path(code.co_filename).stat().st_mtime
