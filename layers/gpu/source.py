"""The march's source, with the sizes of one mesh, and its compilation by the system's compiler."""

import ctypes
import hashlib
import shutil
import subprocess
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from layers.gpu.packing import Packed

PARAMETERS, RESULTS = 32, 29
# Order of the pointers in the source's Topology.
_SHARED = ("place", "weight", "bulge", "area")
_POINTERS = ("corner", "code", "row", "face", "around", "phases", *_SHARED)


class Topology(ctypes.Structure):
    """The source's structure of the same name."""

    _fields_ = [*((name, ctypes.c_void_p) for name in _POINTERS), ("far", ctypes.c_int)]


@dataclass(frozen=True)
class Choices:
    """How the source is compiled.

    Attributes
    ----------
    threads, blocks : int
        Of a block, and blocks that a multiprocessor shall hold.
    fixed : bool
        Whether forces are added in whole numbers, rather than colour by colour; single only.
    prefetch : bool
        Whether the next batch of elements is loaded before this one is added.
    contact_slow, impulse_slow : bool
        Whether the contact's points, and its impulses, are kept in the card's own memory.
    """

    threads: int = 1
    blocks: int = 1
    fixed: bool = False
    prefetch: bool = False
    contact_slow: bool = False
    impulse_slow: bool = False
    extra: tuple[str, ...] = field(default=())


def source_files() -> dict[str, Path]:
    """Return the files of the source, in their order."""
    return {name: Path(__file__).with_name(name) for name in ("common.h", "strike.h")}


def source_text() -> str:
    """Return the whole source."""
    return "\n".join(path.read_text("utf-8") for path in source_files().values())


def definitions(packed: Packed, choices: Choices) -> list[str]:
    """Return the compiler's options for builds of one plan.

    Parameters
    ----------
    packed : Packed
    choices : Choices
    """
    plan = packed.plan
    elements = -(-len(plan.element) // choices.threads) * choices.threads
    values = {
        "REAL": "float" if packed.builds.dtype == np.float32 else "double",
        "THREADS": choices.threads,
        "BLOCKS": choices.blocks,
        "NN": len(plan.node),
        "NI": plan.inner,
        "NC": len(plan.column),
        "NR": plan.rows,
        "NF": len(plan.face),
        "EP": elements,
        "PAIRS": packed.pairs,
        "GRADED": int(packed.graded),
        "FIXED": int(choices.fixed),
        "PREFETCH": int(choices.prefetch),
        "CGLOBAL": int(choices.contact_slow),
        "IGLOBAL": int(choices.impulse_slow),
    }
    return [f"-D{name}={value}" for name, value in values.items()] + list(choices.extra)


def topology_arrays(packed: Packed, threads: int) -> dict[str, Any]:
    """Return the arrays that all builds share, by their names in the source.

    Parameters
    ----------
    packed : Packed
    threads : int
        Of a block.
    """
    unit, plan, kind = packed.unit, packed.plan, packed.builds.dtype
    return {
        **plan.batches(threads),
        "face": plan.face,
        "around": plan.around,
        **{name: np.ascontiguousarray(getattr(unit, name), dtype=kind) for name in _SHARED},
    }


def compiler() -> str | None:
    """Return the system's C++ compiler, if there is one."""
    return shutil.which("c++") or shutil.which("g++") or shutil.which("clang++")


def march_here(
    packed: Packed, which: Any, parameters: Any, choices: Choices, options: tuple[str, ...] = ()
) -> Any:
    """March on this machine's processor, a block of one thread: slow, for tests.

    Parameters
    ----------
    packed : Packed
    which : (n,) int array
        The build of each impact.
    parameters : (n, PARAMETERS) array
        Of each impact.
    choices : Choices
        With one thread.
    options : tuple of str
        More options of the compiler.

    Returns
    -------
    (n, RESULTS) array
    """
    library = ctypes.CDLL(str(_library((*definitions(packed, choices), *options))))
    arrays = topology_arrays(packed, 1)
    pointers = [arrays[name].ctypes.data for name in _POINTERS]
    topology = Topology(*pointers, packed.plan.far)
    builds = np.ascontiguousarray(packed.builds)
    which, parameters = np.ascontiguousarray(which, np.int32), np.ascontiguousarray(parameters)
    out = np.full((len(which), RESULTS), np.nan)
    given = [array.ctypes.data_as(ctypes.c_void_p) for array in (builds, which, parameters, out)]
    library.march(ctypes.byref(topology), *given, ctypes.c_int(len(which)))
    return out


def _library(options: tuple[str, ...]) -> Path:
    """Compile the source, once for the same options."""
    text = source_text()
    digest = hashlib.sha256("\n".join((text, *options)).encode()).hexdigest()[:16]
    folder = Path(tempfile.gettempdir()) / "orbwright-march"
    folder.mkdir(exist_ok=True)
    library = folder / f"{digest}.so"
    if not library.exists():
        source, made = folder / f"{digest}.cpp", folder / f"{digest}.part"
        source.write_text(text, "utf-8")
        command = [str(compiler()), "-std=c++17", "-O2", "-shared", "-fPIC", "-ffp-contract=off"]
        subprocess.run([*command, *options, str(source), "-o", str(made)], check=True)
        made.replace(library)
    return library
