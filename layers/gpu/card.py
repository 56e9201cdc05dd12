"""The march on a graphics card, through CuPy: compiled at first use, launched without waiting."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from layers.arrays import FloatArray
from layers.errors import InputError, SolverError
from layers.gpu.packing import Packed
from layers.gpu.source import (
    PARAMETERS,
    RESULTS,
    Choices,
    Topology,
    definitions,
    source_text,
    topology_arrays,
)


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
def _explained() -> Iterator[None]:
    """Turn what the driver objects to into a sentence."""
    cp = cupy()
    try:
        yield
    except cp.cuda.memory.OutOfMemoryError as error:
        raise SolverError(
            f"the graphics card's memory is full: {str(error).splitlines()[0]} Compute fewer "
            "builds at once, or end what else runs on the card."
        ) from error
    except cp.cuda.compiler.CompileException as error:
        raise SolverError(
            f"the card's compiler refused the march: {str(error).splitlines()[0]}"
        ) from error
    except (cp.cuda.runtime.CUDARuntimeError, cp.cuda.driver.CUDADriverError) as error:
        raise SolverError(f"the graphics card failed: {error}.") from error


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

    def threads(self, packed: Packed) -> int:
        """Return the number of threads of a block."""
        return choices_of(packed).threads

    def march(self, packed: Packed, which: Sequence[int], parameters: FloatArray) -> "Marching":
        """Start the march of impacts; see `layers.gpu.batch.Device`.

        Parameters
        ----------
        packed, which, parameters
            Builds and impacts.
        """
        return march_on(self, packed, which, parameters, choices_of(packed))


def choices_of(packed: Packed) -> Choices:
    """Return how the source is compiled for these builds: measured, see docs/gpu.md."""
    if packed.builds.dtype == np.float32:
        return Choices(threads=512, fixed=True, prefetch=True)
    return Choices(threads=256, contact_slow=True, impulse_slow=True)


@lru_cache(maxsize=16)
def find_card(number: int = 0) -> Card:
    """Find a graphics card.

    Raises
    ------
    InputError
        If there is no driver, or no such card.
    """
    cp = cupy()
    try:
        count = cp.cuda.runtime.getDeviceCount()
    except cp.cuda.runtime.CUDARuntimeError as error:
        raise InputError(
            f"no graphics card can be used: {error}; look whether 'nvidia-smi' lists one, or "
            "compute on the CPU."
        ) from error
    if number >= count:
        raise InputError(
            f"graphics card {number} is not there: the machine has {count}, counted from 0."
        )
    with _explained():
        known = cp.cuda.runtime.getDeviceProperties(number)
    return Card(number, known["name"].decode(), int(known["multiProcessorCount"]))


class _Kernel:
    """The march compiled for one mesh on one card, with what all its impacts share."""

    def __init__(self, packed: Packed, choices: Choices, card: Card) -> None:
        cp = cupy()
        options = ["-std=c++17", *definitions(packed, choices)]
        if packed.builds.dtype == np.float32:
            options.append("--use_fast_math")
        module = cp.RawModule(code=source_text(), options=tuple(options), backend="nvrtc")
        self.function = module.get_function("march")
        # Read through the module: the sizes follow from the source's own tables.
        pointer = module.get_global("sizes")
        sizes = cp.ndarray((3,), dtype=np.int64, memptr=pointer).get()
        self.fast, self.slow, self.build = map(int, sizes)
        self.function.max_dynamic_shared_size_bytes = self.fast
        self.arrays = {
            name: cp.asarray(array)
            for name, array in topology_arrays(packed, choices.threads).items()
        }
        names = [name for name, _ in Topology._fields_[:-1]]
        topology = Topology(*[self.arrays[name].data.ptr for name in names], packed.plan.far)
        self.topology = cp.asarray(np.frombuffer(bytes(topology), np.uint8).copy())
        self.grid = card.processors * choices.blocks
        self.threads = choices.threads


_KERNELS: dict[tuple[Any, ...], _Kernel] = {}


def _kernel(packed: Packed, choices: Choices, card: Card) -> _Kernel:
    key = (card.number, tuple(definitions(packed, choices)))
    if key not in _KERNELS:
        _KERNELS[key] = _Kernel(packed, choices, card)
    return _KERNELS[key]


def pinned(shape: tuple[int, ...], dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """Return an array that the card reads while the processor works on.

    Parameters
    ----------
    shape : tuple of int
    dtype : dtype
    """
    import cupyx  # type: ignore[import-not-found]

    made: npt.NDArray[Any] = cupyx.empty_pinned(shape, dtype)
    return made


class Marching:
    """Impacts under way on a card; `results` waits for them."""

    def __init__(self, out: Any, stream: Any, kept: tuple[Any, ...], card: Card) -> None:
        self._out, self._stream, self._kept, self._card = out, stream, kept, card

    def results(self) -> FloatArray:
        """Return the results, (n, RESULTS)."""
        with _explained(), cupy().cuda.Device(self._card.number):
            self._stream.synchronize()
            found: FloatArray = self._out.get()
        self._kept = ()
        return found


def march_on(
    card: Card, packed: Packed, which: Sequence[int], parameters: FloatArray, choices: Choices
) -> Marching:
    """Start the march of impacts.

    Parameters
    ----------
    card : Card
    packed : Packed
        The builds.
    which : (n,) int array
        The build of each impact, in the order in which they shall be taken up.
    parameters : (n, PARAMETERS) array
        Of each impact.
    choices : Choices
        How the source is compiled.
    """
    cp = cupy()
    count = len(which)
    with _explained(), cp.cuda.Device(card.number):
        kernel = _kernel(packed, choices, card)
        stream = cp.cuda.Stream(non_blocking=True)
        with stream:
            builds = cp.empty(packed.builds.shape, packed.builds.dtype)
            builds.set(packed.builds, stream=stream)
            chosen = cp.asarray(np.asarray(which, np.int32))
            given = cp.asarray(np.ascontiguousarray(parameters).reshape(count, PARAMETERS))
            out = cp.full((count, RESULTS), cp.nan)
            queue = cp.zeros(1, np.int32)
            grid = min(count, kernel.grid)
            slow = cp.empty(grid * kernel.slow, np.uint8)
            kernel.function(
                (grid,),
                (kernel.threads,),
                (kernel.topology, builds, chosen, given, slow, out, np.int32(count), queue),
                shared_mem=kernel.fast,
            )
    return Marching(out, stream, (builds, chosen, given, slow, queue, packed), card)
