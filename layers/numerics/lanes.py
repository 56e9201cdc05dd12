"""Eight doubles side by side: a number type for compiled loops over elements.

The compiler cannot prove that the many arrays of an element loop do not overlap, and leaves it
scalar. A value of this type is a machine vector, so the same formulas written on it run on eight
elements at once, on any processor (a narrower one takes the vector in pieces). Arithmetic between
lanes, and between lanes and a float, is elementwise.
"""

import operator
from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import cgutils, types
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin, models, register_model

WIDTH = 8
# The compiler's own functions carry no types.
_intrinsic: Any = intrinsic
_signature: Any = signature
_typed: Any = infer_global
_lowered: Any = lower_builtin
_item_pointer: Any = cgutils.get_item_pointer
_DOUBLE = ir.DoubleType()
_VECTOR = ir.VectorType(_DOUBLE, WIDTH)
_INDEX = ir.IntType(32)


class _LanesType(types.Type):
    def __init__(self) -> None:
        super().__init__(name="Lanes")


lanes = _LanesType()


@register_model(_LanesType)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _VECTOR)  # type: ignore[no-untyped-call]


def _spread(builder: Any, value: Any) -> Any:
    """Copy one double to every lane."""
    first = builder.insert_element(ir.Constant(_VECTOR, ir.Undefined), value, _INDEX(0))
    mask = ir.Constant(ir.VectorType(_INDEX, WIDTH), [0] * WIDTH)
    return builder.shuffle_vector(first, ir.Constant(_VECTOR, ir.Undefined), mask)


def _define(operation: Any, instruction: str) -> None:
    """Give an operator its meaning on lanes: the same instruction in every lane."""

    class Template(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            if (
                len(args) == 2
                and lanes in args
                and all(a is lanes or isinstance(a, types.Float) for a in args)
            ):
                return _signature(lanes, *args)
            return None

    _typed(operation)(Template)

    def lower(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        left, right = (
            value if kind is lanes else _spread(builder, value)
            for kind, value in zip(sig.args, args, strict=True)
        )
        return getattr(builder, instruction)(left, right, flags=("fast",))

    for pair in ((lanes, lanes), (lanes, types.Float), (types.Float, lanes)):
        _lowered(operation, *pair)(lower)


for _operation, _instruction in (
    (operator.add, "fadd"),
    (operator.sub, "fsub"),
    (operator.mul, "fmul"),
    (operator.truediv, "fdiv"),
):
    _define(_operation, _instruction)


def _address(context: Any, builder: Any, kind: Any, array: Any, *where: Any) -> Any:
    view = context.make_array(kind)(context, builder, array)
    zero = context.get_constant(types.intp, 0)
    index = (*where, *[zero] * (kind.ndim - len(where)))
    return _item_pointer(context, builder, kind, view, index, wraparound=False)


@_intrinsic
def load(typing_context: Any, array: Any, block: Any, row: Any) -> Any:
    """Return ``array[block, row, :]``, WIDTH doubles side by side, as lanes.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    array : (blocks, rows, WIDTH) array
    block, row : int
        Which lanes.
    """

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = _address(context, builder, sig.args[0], *args)
        return builder.load(builder.bitcast(pointer, _VECTOR.as_pointer()), align=8)

    return _signature(lanes, array, types.intp, types.intp), build


@_intrinsic
def store(typing_context: Any, array: Any, block: Any, row: Any, value: Any) -> Any:
    """Set ``array[block, row, :]``.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    array : (blocks, rows, WIDTH) array
    block, row : int
        Which lanes.
    value : lanes
        What they are set to.
    """

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = _address(context, builder, sig.args[0], *args[:3])
        builder.store(args[3], builder.bitcast(pointer, _VECTOR.as_pointer()), align=8)
        return context.get_dummy_value()

    return _signature(types.none, array, types.intp, types.intp, lanes), build


@_intrinsic
def gather(typing_context: Any, values: Any, offset: Any, index: Any, block: Any, row: Any) -> Any:
    """Return ``values.ravel()[offset + index[block, row, :]]`` as lanes.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    values : array
        Read as if it were flat.
    offset : int
        Added to each index.
    index : (blocks, rows, WIDTH) int array
    block, row : int
        Which indices.
    """

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        array, offset_value, index_array, block_value, row_value = args
        start = _address(context, builder, sig.args[2], index_array, block_value, row_value)
        base = builder.gep(_address(context, builder, sig.args[0], array), [offset_value])
        result = ir.Constant(_VECTOR, ir.Undefined)
        for lane in range(WIDTH):
            where = builder.load(builder.gep(start, [_INDEX(lane)]))
            value = builder.load(builder.gep(base, [where]))
            result = builder.insert_element(result, value, _INDEX(lane))
        return result

    return _signature(lanes, values, types.intp, index, types.intp, types.intp), build


@_intrinsic
def spread(typing_context: Any, value: Any) -> Any:
    """Return one float in every lane."""

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return _spread(builder, args[0])

    return _signature(lanes, types.float64), build


@_intrinsic
def total(typing_context: Any, value: Any) -> Any:
    """Return the sum of the lanes."""

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        result = builder.extract_element(args[0], _INDEX(0))
        for lane in range(1, WIDTH):
            result = builder.fadd(result, builder.extract_element(args[0], _INDEX(lane)))
        return result

    return _signature(types.float64, lanes), build


@_intrinsic
def maximum(typing_context: Any, left: Any, right: Any) -> Any:
    """Return the larger of two, lane by lane.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    left, right : lanes
        To be compared.
    """

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return builder.select(builder.fcmp_ordered(">", *args), *args)

    return _signature(lanes, lanes, lanes), build


@_intrinsic
def highest(typing_context: Any, value: Any) -> Any:
    """Return the largest of the lanes."""

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        result = builder.extract_element(args[0], _INDEX(0))
        for lane in range(1, WIDTH):
            other = builder.extract_element(args[0], _INDEX(lane))
            result = builder.select(builder.fcmp_ordered(">", other, result), other, result)
        return result

    return _signature(types.float64, lanes), build
