"""Numbers side by side: a number type for compiled loops over elements.

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
from numba.extending import intrinsic, lower_builtin, models, register_model

BYTES = 64
# A node's vector: x, y, z and a number that is not used, so that one load takes it whole.
NODE = 4

# The compiler's own functions carry no types.
_intrinsic: Any = intrinsic
_signature: Any = signature
_typed: Any = infer_global
_lowered: Any = lower_builtin
_item_pointer: Any = cgutils.get_item_pointer
_function: Any = cgutils.get_or_insert_function
_INDEX = ir.IntType(32)
_LONG = ir.IntType(64)


def width_of(dtype: npt.DTypeLike) -> int:
    """How many numbers of a type lie side by side: 8 doubles, 16 singles."""
    return BYTES // np.dtype(dtype).itemsize


def aligned(shape: tuple[int, ...], dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """Return zeros that begin at a multiple of 64 bytes: no load of lanes crosses a cache line."""
    size = int(np.prod(shape)) * np.dtype(dtype).itemsize
    room = np.zeros(size + BYTES, dtype=np.uint8)
    start = -room.ctypes.data % BYTES
    return room[start : start + size].view(dtype).reshape(shape)


class _LanesType(types.Type):
    def __init__(self, element: Any, number: Any) -> None:
        self.element, self.number = element, number
        self.width = BYTES * 8 // element.bitwidth
        self.vector = ir.VectorType(number, self.width)
        super().__init__(name=f"Lanes({element})")


_KINDS = {
    types.float64: _LanesType(types.float64, ir.DoubleType()),
    types.float32: _LanesType(types.float32, ir.FloatType()),
}


@register_model(_LanesType)
class _LanesModel(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, kind.vector)  # type: ignore[no-untyped-call]


def _spread(builder: Any, kind: Any, value: Any) -> Any:
    """Copy one number, in the lanes' precision, to every lane."""
    nothing = ir.Constant(kind.vector, ir.Undefined)
    first = builder.insert_element(nothing, value, _INDEX(0))
    mask = ir.Constant(ir.VectorType(_INDEX, kind.width), [0] * kind.width)
    return builder.shuffle_vector(first, nothing, mask)


def _define(operation: Any, instruction: str) -> None:
    """Give an operator its meaning on lanes: the same instruction in every lane."""

    class Template(AbstractTemplate):
        def generic(self, args: Any, kws: Any) -> Any:
            found = {a for a in args if isinstance(a, _LanesType)}
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

    for pair in ((_LanesType, _LanesType), (_LanesType, types.Float), (types.Float, _LanesType)):
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
    """Return ``array[block, row, :]``, numbers side by side, as lanes.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    array : (blocks, rows, width) array
    block, row : int
        Which lanes.
    """
    lanes = _KINDS[array.dtype]

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = _address(context, builder, sig.args[0], *args)
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
    lanes = _KINDS[array.dtype]

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = _address(context, builder, sig.args[0], *args[:3])
        place = builder.bitcast(pointer, lanes.vector.as_pointer())
        builder.store(args[3], place, align=BYTES // lanes.width)
        return context.get_dummy_value()

    return _signature(types.none, array, types.intp, types.intp, lanes), build


def _mixed(builder: Any, kind: Any, left: Any, right: Any, order: tuple[int, ...]) -> Any:
    """Take the same four of two groups' eight numbers, group of four by group of four."""
    picks = [
        4 * group + k % 4 + (kind.width if k >= 4 else 0)
        for group in range(kind.width // 4)
        for k in order
    ]
    mask = ir.Constant(ir.VectorType(_INDEX, kind.width), picks)
    return builder.shuffle_vector(left, right, mask)


def _joined(builder: Any, parts: list[Any]) -> Any:
    """Lay vectors one behind the other."""
    while len(parts) > 1:
        size = 2 * parts[0].type.count
        mask = ir.Constant(ir.VectorType(_INDEX, size), list(range(size)))
        pairs = zip(parts[::2], parts[1::2], strict=True)
        parts = [builder.shuffle_vector(left, right, mask) for left, right in pairs]
    return parts[0]


def _node_places(context: Any, builder: Any, kind: Any, sig: Any, args: Any) -> list[Any]:
    """Addresses of the vectors of the nodes that ``index[block, row, :]`` names."""
    values, index, block, row = args[:4]
    start = _address(context, builder, sig.args[1], index, block, row)
    base = _address(context, builder, sig.args[0], values)
    base = builder.bitcast(base, ir.VectorType(kind.number, NODE).as_pointer())
    places = []
    for lane in range(kind.width):
        node = builder.zext(builder.load(builder.gep(start, [_INDEX(lane)])), _LONG)
        places.append(builder.gep(base, [node]))
    return places


@_intrinsic
def gather(typing_context: Any, values: Any, index: Any, block: Any, row: Any) -> Any:
    """Return components 0, 1, 2 of ``values[index[block, row, :]]``, each as lanes.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    values : (n, 4) array
    index : (blocks, rows, width) int array
    block, row : int
        Which indices.
    """
    lanes = _KINDS[values.dtype]

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        places = _node_places(context, builder, lanes, sig, args)
        nodes = [builder.load(place, align=BYTES // lanes.width) for place in places]
        # Every fourth node each; then the transpose of each group of 4 x 4.
        a, b, c, d = (_joined(builder, nodes[k::4]) for k in range(4))
        low, high = _mixed(builder, lanes, a, b, (0, 4, 1, 5)), (0, 1, 4, 5)
        other = _mixed(builder, lanes, c, d, (0, 4, 1, 5))
        x = _mixed(builder, lanes, low, other, high)
        y = _mixed(builder, lanes, low, other, (2, 3, 6, 7))
        last = _mixed(builder, lanes, a, b, (2, 6, 3, 7))
        z = _mixed(builder, lanes, last, _mixed(builder, lanes, c, d, (2, 6, 3, 7)), high)
        return context.make_tuple(builder, sig.return_type, (x, y, z))

    result = types.UniTuple(lanes, 3)  # type: ignore[no-untyped-call]
    return _signature(result, values, index, types.intp, types.intp), build


@_intrinsic
def add_at(
    typing_context: Any, values: Any, index: Any, block: Any, row: Any, x: Any, y: Any, z: Any
) -> Any:
    """Add to components 0, 1, 2 of ``values[index[block, row, :]]``, lane after lane.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    values : (n, 4) array
    index : (blocks, rows, width) int array
    block, row : int
        Which indices.
    x, y, z : lanes
        What is added.
    """
    lanes = _KINDS[values.dtype]

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        first, second, third = args[4:]
        nothing = ir.Constant(lanes.vector, None)
        low = _mixed(builder, lanes, first, second, (0, 4, 1, 5))
        high = _mixed(builder, lanes, first, second, (2, 6, 3, 7))
        lower = _mixed(builder, lanes, third, nothing, (0, 4, 1, 5))
        upper = _mixed(builder, lanes, third, nothing, (2, 6, 3, 7))
        fourths = [
            _mixed(builder, lanes, flat, deep, order)
            for flat, deep in ((low, lower), (high, upper))
            for order in ((0, 1, 4, 5), (2, 3, 6, 7))
        ]
        align = BYTES // lanes.width
        for lane, place in enumerate(_node_places(context, builder, lanes, sig, args)):
            picks = [lane // 4 * 4 + k for k in range(4)]
            mask = ir.Constant(ir.VectorType(_INDEX, NODE), picks)
            part = builder.shuffle_vector(fourths[lane % 4], nothing, mask)
            builder.store(builder.fadd(builder.load(place, align=align), part), place, align=align)
        return context.get_dummy_value()

    given = (values, index, types.intp, types.intp, lanes, lanes, lanes)
    return _signature(types.none, *given), build


@_intrinsic
def nought(typing_context: Any, array: Any) -> Any:
    """Return zero in every lane, in the precision of an array."""
    lanes = _KINDS[array.dtype]

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
        result = _as_double(builder, builder.extract_element(args[0], _INDEX(0)))
        for lane in range(1, sig.args[0].width):
            other = builder.extract_element(args[0], _INDEX(lane))
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
        result = builder.extract_element(args[0], _INDEX(0))
        for lane in range(1, sig.args[0].width):
            other = builder.extract_element(args[0], _INDEX(lane))
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
    number = _KINDS[array.dtype].number

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        array_, block_, row_, first_, given = args
        narrow = ir.VectorType(number, given.type.count)
        if number != given.type.element:
            given = builder.fptrunc(given, narrow)
        view = context.make_array(sig.args[0])(context, builder, array_)
        index = (block_, row_, first_)
        pointer = _item_pointer(context, builder, sig.args[0], view, index, wraparound=False)
        place = builder.bitcast(pointer, narrow.as_pointer())
        builder.store(given, place, align=BYTES // _KINDS[array.dtype].width)
        return context.get_dummy_value()

    given = (array, types.intp, types.intp, types.intp, value)
    return _signature(types.none, *given), build
