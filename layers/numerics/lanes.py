"""Lanes of blocks of elements: loaded, stored, reduced. See `layers.numerics.vectors`."""

from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import cgutils, types
from numba.core.typing.templates import signature
from numba.extending import intrinsic

from layers.numerics.vectors import BYTES, INDEX, KINDS, address

# The compiler's own functions carry no types.
_intrinsic: Any = intrinsic
_signature: Any = signature
_function: Any = cgutils.get_or_insert_function


@_intrinsic
def load(typing_context: Any, array: Any, block: Any, row: Any) -> Any:
    """Return ``array[block, row, :]``, numbers side by side, as lanes.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    array : (blocks, rows, width) array
    block, row : int
        Which lanes.
    """
    lanes = KINDS[array.dtype]

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = address(context, builder, sig.args[0], *args)
        place = builder.bitcast(pointer, lanes.vector.as_pointer())
        return builder.load(place, align=BYTES // lanes.width)

    return _signature(lanes, array, types.intp, types.intp), build


@_intrinsic
def store(typing_context: Any, array: Any, block: Any, row: Any, value: Any) -> Any:
    """Set ``array[block, row, :]``.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    array : (blocks, rows, width) array
    block, row : int
        Which lanes.
    value : lanes
        What they are set to.
    """
    lanes = KINDS[array.dtype]

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = address(context, builder, sig.args[0], *args[:3])
        place = builder.bitcast(pointer, lanes.vector.as_pointer())
        builder.store(args[3], place, align=BYTES // lanes.width)
        return context.get_dummy_value()

    return _signature(types.none, array, types.intp, types.intp, lanes), build


@_intrinsic
def nought(typing_context: Any, array: Any) -> Any:
    """Return zero in every lane, in the precision of an array."""
    lanes = KINDS[array.dtype]

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        return ir.Constant(lanes.vector, None)

    return _signature(lanes, array), build


def _as_double(builder: Any, number: Any) -> Any:
    wide = ir.DoubleType()
    return number if number.type == wide else builder.fpext(number, wide)


@_intrinsic
def total(typing_context: Any, value: Any) -> Any:
    """Return the sum of the lanes, in double precision."""

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        result = _as_double(builder, builder.extract_element(args[0], INDEX(0)))
        for lane in range(1, sig.args[0].width):
            other = builder.extract_element(args[0], INDEX(lane))
            result = builder.fadd(result, _as_double(builder, other))
        return result

    return _signature(types.float64, value), build


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

    return _signature(left, left, right), build


@_intrinsic
def highest(typing_context: Any, value: Any) -> Any:
    """Return the largest of the lanes."""

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        result = builder.extract_element(args[0], INDEX(0))
        for lane in range(1, sig.args[0].width):
            other = builder.extract_element(args[0], INDEX(lane))
            result = builder.select(builder.fcmp_ordered(">", other, result), other, result)
        return _as_double(builder, result)

    return _signature(types.float64, value), build


@_intrinsic
def square_root(typing_context: Any, value: Any) -> Any:
    """Return the square root of every lane."""

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        kind = sig.return_type
        of = ir.FunctionType(kind.vector, [kind.vector])
        name = f"llvm.sqrt.v{kind.width}f{kind.element.bitwidth}"
        return builder.call(_function(builder.module, of, name), args)

    return _signature(value, value), build


@_intrinsic
def store_rounded(
    typing_context: Any, array: Any, block: Any, row: Any, first: Any, value: Any
) -> Any:
    """Set numbers of ``array[block, row, :]`` from ``first`` on, in the array's precision.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    array : (blocks, rows, width) array
    block, row, first : int
        Which numbers.
    value : lanes
        As many as are set.
    """
    number = KINDS[array.dtype].number

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        array_, block_, row_, first_, given = args
        narrow = ir.VectorType(number, given.type.count)
        if number != given.type.element:
            given = builder.fptrunc(given, narrow)
        pointer = address(context, builder, sig.args[0], array_, block_, row_, first_)
        place = builder.bitcast(pointer, narrow.as_pointer())
        builder.store(given, place, align=BYTES // KINDS[array.dtype].width)
        return context.get_dummy_value()

    given = (array, types.intp, types.intp, types.intp, value)
    return _signature(types.none, *given), build
