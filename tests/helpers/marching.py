"""The march of a graphics card on this processor, a block of one thread; a small mesh."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import pytest

from layers.arrays import FloatArray
from layers.gpu.packing import Packed
from layers.gpu.source import Choices, Program, compiler, march_here, strike_program
from layers.strike.settings import LEVELS, Settings

SMALL = Settings(
    normal=4,
    lateral=3,
    upward=4,
    core_rings=2,
    small_core_rings=1,
    shell_rings=2,
    mantle_rings=1,
    cover_rings=1,
    precision="double",
)

needs_compiler = pytest.mark.skipif(
    compiler() is None, reason="no C++ compiler: the card's source is not checked here"
)


@dataclass(frozen=True)
class _Done:
    found: FloatArray

    def results(self) -> FloatArray:
        return self.found


@dataclass(frozen=True)
class Here:
    """This processor in place of a card."""

    name: str = "this processor"
    fixed: bool = False
    processors: int = 1

    throwing = (1, 1)

    def choices(self, precision: str) -> Choices:
        return Choices(fixed=self.fixed)

    def march(
        self, program: Program, builds: Any, which: Sequence[int], parameters: FloatArray
    ) -> _Done:
        return _Done(march_here(program, builds, which, parameters))


@dataclass(frozen=True)
class SmallHere(Here):
    """The same in processes of their own: wherever it comes, the small mesh is the default."""

    def __reduce__(self) -> tuple[Any, ...]:
        return _small_here, (self.name, self.fixed, self.processors)


def _small_here(*fields: Any) -> SmallHere:
    LEVELS["default"] = SMALL
    return SmallHere(*fields)


def marched(packed: Packed, which: Sequence[int], parameters: FloatArray) -> FloatArray:
    """March packed builds here."""
    return march_here(strike_program(packed, Choices()), packed.builds, which, parameters)
