"""The march on a graphics card, through CuPy: compiled at first use, launched without waiting."""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from layers.arrays import FloatArray, Precision
from layers.errors import InputError, SolverError
from layers.gpu.source import Choices, Program


def cupy() -> Any:
    """Import CuPy.

    Raises
    ------
    InputError
        If it is not installed.
    """
    try:
        import cupy as found
    except ImportError as error:
        raise InputError(
            "a graphics card is used through CuPy, which is not installed: "
            "pip install 'orbwright[gpu]'."
        ) from error
    return found


@contextmanager
def _explained(number: int) -> Iterator[None]:
    """Turn what the driver objects to about a card into a sentence."""
    cp = cupy()
    try:
        yield
    except cp.cuda.memory.OutOfMemoryError as error:
        raise SolverError(
            f"the memory of graphics card {number} is full: {str(error).splitlines()[0]} Compute "
            "fewer builds at once, or end what else runs on the card."
        ) from error
    except cp.cuda.compiler.CompileException as error:
        raise SolverError(
            f"the compiler for graphics card {number} refused the march: "
            f"{str(error).splitlines()[0]}"
        ) from error
    except (cp.cuda.runtime.CUDARuntimeError, cp.cuda.driver.CUDADriverError) as error:
        raise SolverError(
            f"graphics card {number} failed: {error}; look at it with 'nvidia-smi', or compute on "
            "others, such as --device gpu:1."
        ) from error


@dataclass(frozen=True)
class Card:
    """One graphics card.

    Attributes
    ----------
    number : int
        Among the machine's.
    name : str
    processors : int
        Multiprocessors.
    """

    number: int
    name: str
    processors: int

    # Threads of a block and blocks of a multiprocessor for impacts on the barrier.
    throwing = (320, 1)

    def choices(self, precision: Precision) -> Choices:
        """Return how impacts on a club are compiled: measured, see docs/gpu.md."""
        if precision == "single":
            return Choices(threads=512, fixed=True, prefetch=True)
        return Choices(threads=256, contact_slow=True, impulse_slow=True)

    def march(
        self, program: Program, builds: Any, which: Sequence[int], parameters: FloatArray
    ) -> "Marching":
        """Start the march of impacts; see `layers.gpu.batch.Device`.

        Parameters
        ----------
        program, builds, which, parameters
            Source, builds and impacts.
        """
        return march_on(self, program, builds, which, parameters)


@lru_cache(maxsize=16)
def find_card(number: int = 0) -> Card:
    """Find a graphics card.

    Parameters
    ----------
    number : int
        Among those that this process sees, see `find_cards`.

    Raises
    ------
    InputError
        If there is no driver, or no such card.
    SolverError
        If the card answers no more.
    """
    count = count_cards()
    if number >= count:
        hidden = ", as CUDA_VISIBLE_DEVICES leaves them" if _HIDING in os.environ else ""
        raise InputError(
            f"graphics card {number} is not there: the machine has {count}, counted from 0{hidden}."
        )
    with _explained(number):
        known = cupy().cuda.runtime.getDeviceProperties(number)
    return Card(number, known["name"].decode(), int(known["multiProcessorCount"]))


_HIDING = "CUDA_VISIBLE_DEVICES"


def find_cards(numbers: Sequence[int] = ()) -> tuple[Card, ...]:
    """Find graphics cards of one kind.

    Cards of one kind give the same bits; those of another are compiled for anew, and their figures
    are others.

    Parameters
    ----------
    numbers : sequence of int, optional
        Among those that this process sees, counted from 0; all otherwise. The driver shows those
        that CUDA_VISIBLE_DEVICES names, and counts them anew.

    Raises
    ------
    InputError
        If there is no driver, no such card, or they are of several kinds.
    SolverError
        If a card answers no more.
    """
    cards = tuple(map(find_card, numbers or range(count_cards())))
    kinds: dict[str, list[str]] = {}
    for card in cards:
        kinds.setdefault(card.name, []).append(str(card.number))
    if len(kinds) > 1:
        each = "; ".join(f"{', '.join(places)}: {kind}" for kind, places in kinds.items())
        first = ",".join(next(iter(kinds.values())))
        raise InputError(
            f"the graphics cards are of several kinds ({each}), whose figures differ in their last "
            f"digits and are kept apart: name those of one kind, such as --device gpu:{first}."
        )
    return cards


def count_cards() -> int:
    """Count the cards that this process sees; at least one.

    Raises
    ------
    InputError
        If there is no driver, or no card.
    """
    cp = cupy()
    try:
        count = int(cp.cuda.runtime.getDeviceCount())
    except cp.cuda.runtime.CUDARuntimeError as error:
        raise InputError(
            f"no graphics card can be used: {error}; look whether 'nvidia-smi' lists one, or "
            "compute on the CPU."
        ) from error
    if not count:
        raise InputError(f"no graphics card can be used: {_HIDING} names none that is there.")
    return count


class _Kernel:
    """A march compiled for one mesh on one card, with what all its impacts share."""

    def __init__(self, program: Program, card: Card) -> None:
        cp = cupy()
        # Fast divisions and roots in single precision; double has none.
        options = ("-std=c++17", "--use_fast_math", *program.definitions)
        module = cp.RawModule(code=program.text, options=options, backend="nvrtc")
        self.function = module.get_function("march")
        # Read through the module: the sizes follow from the source's own tables.
        sizes = cp.ndarray((3,), dtype=np.int64, memptr=module.get_global("sizes")).get()
        self.fast, self.slow, self.build = map(int, sizes)
        self.function.max_dynamic_shared_size_bytes = self.fast
        self.arrays = {name: cp.asarray(array) for name, array in program.arrays.items()}
        addresses = {name: array.data.ptr for name, array in self.arrays.items()}
        self.topology = cp.asarray(program.topology(addresses))
        self.grid = card.processors * program.blocks


_KERNELS: dict[tuple[Any, ...], _Kernel] = {}


def kernel_of(program: Program, card: Card) -> _Kernel:
    """Return the compiled march, compiling it the first time.

    Parameters
    ----------
    program : Program
    card : Card
    """
    key = (card.number, program.files, program.definitions)
    if key not in _KERNELS:
        _KERNELS[key] = _Kernel(program, card)
    return _KERNELS[key]


class Marching:
    """Impacts under way on a card; `results` waits for them."""

    def __init__(self, out: Any, stream: Any, kept: tuple[Any, ...], card: Card) -> None:
        self._out, self._stream, self._kept, self._card = out, stream, kept, card

    def results(self) -> FloatArray:
        """Return the results, (n, RESULTS)."""
        with _explained(self._card.number), cupy().cuda.Device(self._card.number):
            self._stream.synchronize()
            found: FloatArray = self._out.get()
        self._kept = ()
        return found


def march_on(
    card: Card, program: Program, builds: Any, which: Sequence[int], parameters: FloatArray
) -> Marching:
    """Start the march of impacts.

    Parameters
    ----------
    card : Card
    program : Program
        The source, with what the builds share.
    builds : (b, ...) array
        Packed.
    which : sequence of int
        The build of each impact, in the order in which they shall be taken up.
    parameters : (n, ...) array
        Of each impact.
    """
    cp = cupy()
    count = len(which)
    with _explained(card.number), cp.cuda.Device(card.number):
        kernel = kernel_of(program, card)
        stream = cp.cuda.Stream(non_blocking=True)
        with stream:
            there = cp.asarray(np.ascontiguousarray(builds))
            chosen = cp.asarray(np.asarray(which, np.int32))
            given = cp.asarray(np.ascontiguousarray(parameters))
            out = cp.full((count, program.results), cp.nan)
            queue = cp.zeros(1, np.int32)
            grid = min(count, kernel.grid)
            slow = cp.empty(grid * kernel.slow, np.uint8)
            kernel.function(
                (grid,),
                (program.threads,),
                (kernel.topology, there, chosen, given, slow, out, np.int32(count), queue),
                shared_mem=kernel.fast,
            )
    return Marching(out, stream, (there, chosen, given, slow, queue, builds), card)
