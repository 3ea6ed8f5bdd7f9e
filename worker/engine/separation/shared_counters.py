"""Counters that threads share while compiled code runs without the interpreter: add, publish, wait.

numba has no atomic operations for processors, so these are written in its intermediate language: the additions are
sequentially consistent, a publication releases what was written before it, and a wait acquires it.
"""

from __future__ import annotations

from typing import Any

from llvmlite import ir
from numba.core import cgutils, types
from numba.extending import intrinsic

_BYTES = 8


def _pointer(context: Any, builder: Any, array_type: Any, array: Any, index: Any) -> Any:
    whole = context.make_array(array_type)(context, builder, array)
    return cgutils.get_item_pointer(  # type: ignore[no-untyped-call]
        context, builder, array_type, whole, [index], wraparound=False
    )


@intrinsic
def take_next(_typing: Any, counters: Any, index: Any) -> Any:
    """take_next(counters, index): add 1 to an int64 counter; its value before."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        pointer = _pointer(context, builder, signature.args[0], arguments[0], arguments[1])
        return builder.atomic_rmw("add", pointer, ir.Constant(ir.IntType(64), 1), "seq_cst")

    return types.int64(counters, types.intp), generate


@intrinsic
def publish(_typing: Any, counters: Any, index: Any, value: Any) -> Any:
    """publish(counters, index, value): set an int64 counter, after everything written before."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        pointer = _pointer(context, builder, signature.args[0], arguments[0], arguments[1])
        builder.store_atomic(arguments[2], pointer, "release", _BYTES)
        return context.get_dummy_value()

    return types.void(counters, types.intp, types.int64), generate


@intrinsic
def published(_typing: Any, counters: Any, index: Any) -> Any:
    """published(counters, index): an int64 counter, with everything written before it was published."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        pointer = _pointer(context, builder, signature.args[0], arguments[0], arguments[1])
        return builder.load_atomic(pointer, "acquire", _BYTES)

    return types.int64(counters, types.intp), generate


@intrinsic
def give_way(_typing: Any) -> Any:
    """give_way(): let another thread run (POSIX sched_yield)."""

    def generate(_context: Any, builder: Any, _signature: Any, _arguments: Any) -> Any:
        kind = ir.FunctionType(ir.IntType(32), [])
        function = cgutils.get_or_insert_function(builder.module, kind, "sched_yield")  # type: ignore[no-untyped-call]
        return builder.call(function, [])

    return types.int32(), generate
