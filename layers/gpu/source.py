"""The marches' source with the sizes of one mesh, and its compilation by the system's compiler."""

import ctypes
import getpass
import hashlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray
from layers.gpu.packing import Packed

PARAMETERS, RESULTS = 32, 29
# What all builds of one mesh share, in the order of the source's Topology.
_SHARED = ("place", "weight", "bulge", "area")
_POINTERS = ("corner", "code", "row", "face", "around", "phases", *_SHARED)


@dataclass(frozen=True)
class Program:
    """A march for builds of one mesh.

    Attributes
    ----------
    files : tuple of str
        Of the source.
    definitions : tuple of str
        The compiler's options that give sizes.
    arrays : dict of str to array
        What all builds share, in the order of the source's Topology.
    far : int
        Its last member.
    threads, blocks : int
        Of a block, and blocks that a multiprocessor shall hold.
    results : int
        Numbers of each impact.
    """

    files: tuple[str, ...]
    definitions: tuple[str, ...]
    arrays: Mapping[str, npt.NDArray[Any]]
    far: int
    threads: int
    blocks: int
    results: int

    @property
    def text(self) -> str:
        """The whole source."""
        return "\n".join(Path(__file__).with_name(f).read_text("utf-8") for f in self.files)

    def topology(self, addresses: Mapping[str, int]) -> npt.NDArray[np.int64]:
        """Return the source's Topology.

        Parameters
        ----------
        addresses : dict of str to int
            Where each array is.
        """
        return np.array([*(addresses[name] for name in self.arrays), self.far], dtype=np.int64)


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


def source_files() -> dict[str, Path]:
    """Return the files of all marches."""
    return {file.name: file for file in sorted(Path(__file__).parent.glob("*.h"))}


def strike_program(packed: Packed, choices: Choices) -> Program:
    """Return the march of impacts on a club.

    Parameters
    ----------
    packed : Packed
        Builds of one mesh.
    choices : Choices
        How the source is compiled.
    """
    plan, unit, kind = packed.plan, packed.unit, packed.builds.dtype
    found = {**plan.batches(choices.threads), "face": plan.face, "around": plan.around}
    shared = {"place": unit.place, **unit.surface._asdict()}
    found |= {name: np.ascontiguousarray(shared[name], dtype=kind) for name in _SHARED}
    values = {
        "REAL": "float" if kind == np.float32 else "double",
        "THREADS": choices.threads,
        "BLOCKS": choices.blocks,
        "NN": len(plan.node),
        "NI": plan.inner,
        "NC": len(plan.column),
        "NR": plan.rows,
        "NF": len(plan.face),
        "EP": len(found["code"]),
        "PAIRS": packed.pairs,
        "GRADED": int(packed.graded),
        "FIXED": int(choices.fixed),
        "PREFETCH": int(choices.prefetch),
        "CGLOBAL": int(choices.contact_slow),
        "IGLOBAL": int(choices.impulse_slow),
    }
    return Program(
        files=("common.h", "strike.h"),
        definitions=tuple(f"-D{name}={value}" for name, value in values.items()),
        arrays={name: found[name] for name in _POINTERS},
        far=plan.far,
        threads=choices.threads,
        blocks=choices.blocks,
        results=RESULTS,
    )


def compiler() -> str | None:
    """Return the system's C++ compiler, if there is one."""
    return shutil.which("c++") or shutil.which("g++") or shutil.which("clang++")


def march_here(program: Program, builds: Any, which: Any, parameters: Any) -> FloatArray:
    """March on this machine's processor, a block of one thread: slow, for tests.

    Parameters
    ----------
    program : Program
        Of one thread.
    builds : (b, ...) array
        Packed.
    which : (n,) int array
        The build of each impact.
    parameters : (n, ...) array
        Of each impact.

    Returns
    -------
    (n, results) array
    """
    library = ctypes.CDLL(str(_library(program)))
    addresses = {name: array.ctypes.data for name, array in program.arrays.items()}
    topology = program.topology(addresses)
    builds, which = np.ascontiguousarray(builds), np.ascontiguousarray(which, np.int32)
    parameters = np.ascontiguousarray(parameters)
    out = np.full((len(which), program.results), np.nan)
    given = (topology, builds, which, parameters, out)
    pointers = [array.ctypes.data_as(ctypes.c_void_p) for array in given]
    library.march(*pointers, ctypes.c_int(len(which)))
    return out


def _library(program: Program) -> Path:
    """Compile the source, once for the same sizes."""
    digest = hashlib.sha256("\n".join((program.text, *program.definitions)).encode()).hexdigest()
    folder = Path(tempfile.gettempdir()) / f"orbwright-march-{getpass.getuser()}"
    folder.mkdir(exist_ok=True)
    library = folder / f"{digest[:16]}.so"
    if not library.exists():
        made = library.with_suffix(f".{os.getpid()}")
        source = made.with_suffix(f".{os.getpid()}.cpp")
        source.write_text(program.text, "utf-8")
        options = ["-std=c++17", "-O2", "-shared", "-fPIC", "-ffp-contract=off"]
        command = [str(compiler()), *options, *program.definitions, str(source), "-o", str(made)]
        subprocess.run(command, check=True)
        made.replace(library)
        source.unlink()
    return library
