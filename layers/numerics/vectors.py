"""Numbers side by side: a number type for compiled loops over elements and nodes.

The compiler cannot prove that the many arrays of an element loop do not overlap, and leaves it
scalar. A value of this type is a machine vector of 64 bytes, 8 doubles or 16 singles, so the same
formulas written on it run on that many elements at once, on any processor (a narrower one takes the
vector in pieces). Arithmetic between lanes, and between lanes and a float, is elementwise and in
the lanes' precision.
"""

import operator
from typing import Any

import numpy as np
import numpy.typing as npt
from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import cgutils, types
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import lower_builtin, models, register_model

BYTES = 64
# A node's vector: x, y, z and a number that is not used, so that one load takes it whole.
NODE = 4

# The compiler's own functions carry no types.
_signature: Any = signature
_typed: Any = infer_global
_lowered: Any = lower_builtin
_item_pointer: Any = cgutils.get_item_pointer
INDEX = ir.IntType(32)


def width_of(dtype: npt.DTypeLike) -> int:
    """How many numbers of a type lie side by side: 8 doubles, 16 singles."""
    return BYTES // np.dtype(dtype).itemsize


def aligned(shape: tuple[int, ...], dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """Return zeros that begin at a multiple of 64 bytes: no load of lanes crosses a cache line."""
    size = int(np.prod(shape)) * np.dtype(dtype).itemsize
    room = np.zeros(size + BYTES, dtype=np.uint8)
    start = -room.ctypes.data % BYTES
    return room[start : start + size].view(dtype).reshape(shape)


class LanesType(types.Type):
    """Type of a machine vector in compiled code.

    Attributes
    ----------
    element, number
        Type of its numbers, the compiler's and the machine's.
    width : int
        How many.
    vector
        The machine's type.
    """

    def __init__(self, element: Any, number: Any, width: int) -> None:
        self.element, self.number, self.width = element, number, width
        self.vector = ir.VectorType(number, width)
        super().__init__(name=f"Lanes({element} x {width})")


KINDS = {
    types.float64: LanesType(types.float64, ir.DoubleType(), width_of(np.float64)),
    types.float32: LanesType(types.float32, ir.FloatType(), width_of(np.float32)),
}
# A node's vector, always double.
NODE_KIND = LanesType(types.float64, ir.DoubleType(), NODE)


@register_model(LanesType)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, kind.vector)  # type: ignore[no-untyped-call]


def _spread(builder: Any, kind: Any, value: Any) -> Any:
    """Copy one number, in the lanes' precision, to every lane."""
    nothing = ir.Constant(kind.vector, ir.Undefined)
    first = builder.insert_element(nothing, value, INDEX(0))
    mask = ir.Constant(ir.VectorType(INDEX, kind.width), [0] * kind.width)
    return builder.shuffle_vector(first, nothing, mask)


def _define(operation: Any, instruction: str) -> None:
    """Give an operator its meaning on lanes: the same instruction in every lane."""

    class Template(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            found = {a for a in args if isinstance(a, LanesType)}
            if len(args) == 2 and len(found) == 1:
                kind = found.pop()
                if all(a is kind or isinstance(a, types.Float) for a in args):
                    return _signature(kind, *args)
            return None

    _typed(operation)(Template)

    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        kind = sig.return_type
        left, right = (
            value
            if given is kind
            else _spread(builder, kind, context.cast(builder, value, given, kind.element))
            for given, value in zip(sig.args, args, strict=True)
        )
        return getattr(builder, instruction)(left, right, flags=("fast",))

    for pair in ((LanesType, LanesType), (LanesType, types.Float), (types.Float, LanesType)):
        _lowered(operation, *pair)(lower)


for _operation, _instruction in (
    (operator.add, "fadd"),
    (operator.sub, "fsub"),
    (operator.mul, "fmul"),
    (operator.truediv, "fdiv"),
):
    _define(_operation, _instruction)


def address(context: Any, builder: Any, kind: Any, array: Any, *where: Any) -> Any:
    """Return where a number of an array lies; indices that are left out are 0.

    Parameters
    ----------
    context, builder
        The compiler's.
    kind, array
        Type and value of the array.
    *where
        Values of indices.
    """
    view = context.make_array(kind)(context, builder, array)
    zero = context.get_constant(types.intp, 0)
    index = (*where, *[zero] * (kind.ndim - len(where)))
    return _item_pointer(context, builder, kind, view, index, wraparound=False)
