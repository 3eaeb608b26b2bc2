"""Numbers of several rows side by side as one vector of the processor, for compiled loops (numba).

The compiler turns plain loops over a few rows into vectors when it sees through them, which hangs
on how they are written and on its version. Here the vector is named: a value of LLVM's vector
type, which every processor has instructions for or takes apart.
"""

from typing import Any

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.errors import TypingError
from numba.extending import intrinsic, models, register_model

from loopodds.base.arrays import FloatArray

WIDTH = 8
"""Rows side by side: one line of the cache. Shorter vectors of a processor are taken together."""

_VECTOR = ir.VectorType(ir.DoubleType(), WIDTH)
_INDEX = ir.IntType(32)
_SHORT = ir.VectorType(_INDEX, WIDTH)
_ALIGNED = 8  # bytes: arrays begin where a float may
LINE = 64
"""Bytes of a line of the cache."""


class _Lanes(types.Type):  # type: ignore[misc]
    def __init__(self) -> None:
        super().__init__(name=f"Lanes{WIDTH}")


_lanes = _Lanes()


@register_model(_Lanes)
class _LanesModel(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _VECTOR)


def packs(count: int) -> FloatArray:
    """Room for some packs, beginning where a line of the cache begins: one that lay across two
    would take twice as long to read."""
    room = np.empty(count * WIDTH + LINE // 8)
    skip = (-room.ctypes.data % LINE) // 8
    return room[skip : skip + count * WIDTH]


@intrinsic
def bare(_, arrays):  # type: ignore[no-untyped-def]
    """A tuple with, in place of each array, where its numbers begin, which a loop hands on faster
    than the whole array; there must be something that holds on to that. Places in it never count
    from the end."""
    if any(isinstance(kind, types.Array) and kind.layout != "C" for kind in arrays):
        raise TypingError("numbers of an array that do not lie one after the other")
    kinds = [types.CPointer(k.dtype) if isinstance(k, types.Array) else k for k in arrays]

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        parts = zip(arrays, cgutils.unpack_tuple(builder, args[0], len(kinds)), strict=True)
        found = [
            _data(context, builder, kind, part) if isinstance(kind, types.Array) else part
            for kind, part in parts
        ]
        return context.make_tuple(builder, signature.return_type, found)

    return types.BaseTuple.from_types(kinds)(arrays), generate


def _data(context: Any, builder: Any, kind: Any, given: Any) -> Any:
    """Where the numbers of an array begin, which may be known already."""
    if isinstance(kind, types.CPointer):
        return given
    return context.make_array(kind)(context, builder, given).data


def _address(context: Any, builder: Any, kind: Any, given: Any, place: Any) -> Any:
    data = _data(context, builder, kind, given)
    return builder.bitcast(builder.gep(data, [place]), _VECTOR.as_pointer())


@intrinsic
def load_from(_, array, start, place):  # type: ignore[no-untyped-def]
    """The pack of an array of floats that begins some places behind a start; neither counts from
    the end. Two numbers, because the first of them often stays while the other changes."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        data = _data(context, builder, signature.args[0], args[0])
        found = builder.gep(builder.gep(data, [args[1]]), [args[2]])
        return builder.load(builder.bitcast(found, _VECTOR.as_pointer()), align=_ALIGNED)

    return _lanes(array, types.int64, types.int64), generate


@intrinsic
def fetch(_, array, place):  # type: ignore[no-untyped-def]
    """Ask for the line of the cache in which a place of an array lies, without waiting for it."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        data = _data(context, builder, signature.args[0], args[0])
        line = builder.bitcast(builder.gep(data, [args[1]]), ir.IntType(8).as_pointer())
        kind = ir.FunctionType(ir.VoidType(), [line.type, _INDEX, _INDEX, _INDEX])
        own = builder.module.declare_intrinsic("llvm.prefetch", [line.type], kind)
        to_read, keep_near, data_cache = _INDEX(0), _INDEX(3), _INDEX(1)
        builder.call(own, [line, to_read, keep_near, data_cache])
        return context.get_dummy_value()

    return types.void(array, types.int64), generate


@intrinsic
def load(_, array, index):  # type: ignore[no-untyped-def]
    """The pack of an array of floats: its numbers ``index * WIDTH`` and on."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        array_value, at = args
        place = builder.mul(at, at.type(WIDTH))
        address = _address(context, builder, signature.args[0], array_value, place)
        return builder.load(address, align=_ALIGNED)

    return _lanes(array, types.int64), generate


@intrinsic
def store(_, array, index, value):  # type: ignore[no-untyped-def]
    """Write a pack where `load` finds it."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        array_value, at, pack = args
        place = builder.mul(at, at.type(WIDTH))
        address = _address(context, builder, signature.args[0], array_value, place)
        builder.store(pack, address, align=_ALIGNED)
        return context.get_dummy_value()

    return types.void(array, types.int64, _lanes), generate


def _every(builder: Any, number: Any) -> Any:
    """A vector of one number."""
    one = builder.insert_element(ir.Constant(_VECTOR, ir.Undefined), number, _INDEX(0))
    mask = ir.Constant(_SHORT, [0] * WIDTH)
    return builder.shuffle_vector(one, ir.Constant(_VECTOR, ir.Undefined), mask)


@intrinsic
def spread(_, number):  # type: ignore[no-untyped-def]
    """One number for every row."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return _every(builder, args[0])

    return _lanes(types.float64), generate


@intrinsic
def where(_, pack, number, yes, no):  # type: ignore[no-untyped-def]
    """``yes`` in the rows whose own number is the one given, ``no`` in the others."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        own, wanted, *both = args
        same = builder.fcmp_ordered("==", own, _every(builder, wanted))
        return builder.select(same, *both)

    return _lanes(_lanes, types.float64, _lanes, _lanes), generate


@intrinsic
def at(_, array, index):  # type: ignore[no-untyped-def]
    """One number of an array whose index never counts from the end, which is not checked."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        data = _data(context, builder, signature.args[0], args[0])
        return builder.load(builder.gep(data, [args[1]]))

    return array.dtype(array, types.int64), generate


def _of_two(operation: Any) -> Any:
    """Type and code of what an instruction makes of two packs."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return operation(builder, *args)

    return _lanes(_lanes, _lanes), generate


@intrinsic
def times(_, left, right):  # type: ignore[no-untyped-def]
    """Product row by row."""
    return _of_two(ir.IRBuilder.fmul)


@intrinsic
def plus(_, left, right):  # type: ignore[no-untyped-def]
    """Sum row by row."""
    return _of_two(ir.IRBuilder.fadd)


@intrinsic
def minus(_, left, right):  # type: ignore[no-untyped-def]
    """Difference row by row."""
    return _of_two(ir.IRBuilder.fsub)


@intrinsic
def larger(_, left, right):  # type: ignore[no-untyped-def]
    """The larger of two, row by row; the right one where either is not a number."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        return builder.select(builder.fcmp_ordered(">", *args), *args)

    return _lanes(_lanes, _lanes), generate


@intrinsic
def root(_, pack):  # type: ignore[no-untyped-def]
    """Square root row by row."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        kind = ir.FunctionType(_VECTOR, [_VECTOR])
        own = cgutils.get_or_insert_function(builder.module, kind, f"llvm.sqrt.v{WIDTH}f64")
        return builder.call(own, args)

    return _lanes(_lanes), generate


@intrinsic
def any_outside(_, pack, low, high):  # type: ignore[no-untyped-def]
    """Whether any number of a pack is below ``low`` or above ``high``."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        below = builder.fcmp_ordered("<", args[0], _every(builder, args[1]))
        above = builder.fcmp_ordered(">", args[0], _every(builder, args[2]))
        bits = ir.IntType(WIDTH)
        found = builder.bitcast(builder.or_(below, above), bits)
        return builder.icmp_unsigned("!=", found, bits(0))

    return types.boolean(_lanes, types.float64, types.float64), generate


@intrinsic
def above(_, pack, number, yes):  # type: ignore[no-untyped-def]
    """``yes`` in the rows whose own number is above the one given, zero in the others."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        own, least, kept = args
        found = builder.fcmp_ordered(">", own, _every(builder, least))
        return builder.select(found, kept, ir.Constant(_VECTOR, [0.0] * WIDTH))

    return _lanes(_lanes, types.float64, _lanes), generate


@intrinsic
def doubled(_, pack, count):  # type: ignore[no-untyped-def]
    """``pack`` times two to a whole power, row by row, neither it nor the result being too small
    for all its digits. The power is what ``count`` is above 1.5 * 2^52: there it stands in the last
    bits of a float, and added to those of the exponent it does what a product would."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        long = ir.VectorType(ir.IntType(64), WIDTH)
        bits, power = (builder.bitcast(arg, long) for arg in args)
        power = builder.shl(power, ir.Constant(long, [52] * WIDTH))
        return builder.bitcast(builder.add(bits, power), _VECTOR)

    return _lanes(_lanes, _lanes), generate


@intrinsic
def fused(_, left, right, more):  # type: ignore[no-untyped-def]
    """``left * right + more`` row by row, rounded once where the processor can."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        kind = ir.FunctionType(_VECTOR, [_VECTOR] * 3)
        name = f"llvm.fmuladd.v{WIDTH}f64"
        return builder.call(cgutils.get_or_insert_function(builder.module, kind, name), args)

    return _lanes(_lanes, _lanes, _lanes), generate


@intrinsic
def over(_, left, right):  # type: ignore[no-untyped-def]
    """Quotient row by row; zero where the divisor is not above zero."""

    def generate(context: Any, builder: Any, signature: Any, args: Any) -> Any:
        none = ir.Constant(_VECTOR, [0.0] * WIDTH)
        fit = builder.fcmp_ordered(">", args[1], none)
        return builder.select(fit, builder.fdiv(*args), none)

    return _lanes(_lanes, _lanes), generate
