"""Vectors of nodes: gathered to lanes, added to from lanes, and taken one by one.

A node's vector is x, y, z and a fourth number of no use, so that one load takes it whole.
"""

from typing import Any

from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import types
from numba.core.typing.templates import signature
from numba.extending import intrinsic

from layers.numerics.vectors import BYTES, INDEX, KINDS, NODE, NODE_KIND, address

# The compiler's own functions carry no types.
_intrinsic: Any = intrinsic
_signature: Any = signature
_LONG = ir.IntType(64)


def _mixed(builder: Any, kind: Any, left: Any, right: Any, order: tuple[int, ...]) -> Any:
    """Take the same four of two groups' eight numbers, group of four by group of four."""
    picks = [
        4 * group + k % 4 + (kind.width if k >= 4 else 0)
        for group in range(kind.width // 4)
        for k in order
    ]
    mask = ir.Constant(ir.VectorType(INDEX, kind.width), picks)
    return builder.shuffle_vector(left, right, mask)


def _joined(builder: Any, parts: list[Any]) -> Any:
    """Lay vectors one behind the other."""
    while len(parts) > 1:
        size = 2 * parts[0].type.count
        mask = ir.Constant(ir.VectorType(INDEX, size), list(range(size)))
        pairs = zip(parts[::2], parts[1::2], strict=True)
        parts = [builder.shuffle_vector(left, right, mask) for left, right in pairs]
    return parts[0]


def _node_places(context: Any, builder: Any, kind: Any, sig: Any, args: Any) -> list[Any]:
    """Addresses of the vectors of the nodes that ``index[block, row, :]`` names."""
    values, index, block, row = args[:4]
    start = address(context, builder, sig.args[1], index, block, row)
    base = address(context, builder, sig.args[0], values)
    base = builder.bitcast(base, ir.VectorType(kind.number, NODE).as_pointer())
    places = []
    for lane in range(kind.width):
        node = builder.zext(builder.load(builder.gep(start, [INDEX(lane)])), _LONG)
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
    lanes = KINDS[values.dtype]

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
    lanes = KINDS[values.dtype]

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
            mask = ir.Constant(ir.VectorType(INDEX, NODE), picks)
            part = builder.shuffle_vector(fourths[lane % 4], nothing, mask)
            builder.store(builder.fadd(builder.load(place, align=align), part), place, align=align)
        return context.get_dummy_value()

    given = (values, index, types.intp, types.intp, lanes, lanes, lanes)
    return _signature(types.none, *given), build


@_intrinsic
def load_node(typing_context: Any, values: Any, node: Any) -> Any:
    """Return ``values[node, :]`` as one vector in double precision.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    values : (n, 4) array
    node : int
        Which.
    """
    lanes = KINDS[values.dtype]

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = address(context, builder, sig.args[0], *args)
        place = builder.bitcast(pointer, ir.VectorType(lanes.number, NODE).as_pointer())
        found = builder.load(place, align=BYTES // lanes.width)
        return (
            found if lanes.element == NODE_KIND.element else builder.fpext(found, NODE_KIND.vector)
        )

    return _signature(NODE_KIND, values, types.intp), build


@_intrinsic
def store_node(typing_context: Any, values: Any, node: Any, value: Any) -> Any:
    """Set ``values[node, :]``, in the array's precision.

    Parameters
    ----------
    typing_context
        The compiler's; calls leave it out.
    values : (n, 4) array
    node : int
        Which.
    value : vector
        As of `load_node`.
    """
    lanes = KINDS[values.dtype]

    def build(context: Any, builder: Any, sig: Any, args: Any) -> Any:
        pointer = address(context, builder, sig.args[0], *args[:2])
        kind, given = ir.VectorType(lanes.number, NODE), args[2]
        if lanes.element != NODE_KIND.element:
            given = builder.fptrunc(given, kind)
        builder.store(
            given, builder.bitcast(pointer, kind.as_pointer()), align=BYTES // lanes.width
        )
        return context.get_dummy_value()

    return _signature(types.none, values, types.intp, NODE_KIND), build
