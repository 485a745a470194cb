"""Sixteen numbers at once: numbers of single or double precision, integers, truths side by side.

Compiled, an operation on them is one operation on an LLVM vector, which becomes what the
processor has: one instruction of AVX-512, two of AVX2, four of Neon (twice as many in double
precision). Not compiled, it is its twin on NumPy arrays of 16 (`twins`), so the same kernel runs
either way. Products and sums may be fused.
"""

# mypy: allow-untyped-calls

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

import numba
from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import cgutils, types
from numba.core.typing.templates import ConcreteTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin, models, register_model

from raysim.kernels import twins

config: Any = numba.config
WIDTH = twins.WIDTH
ALL = (1 << WIDTH) - 1  # pattern of bits with every lane in it
BIT, INT, LONG = ir.IntType(1), ir.IntType(32), ir.IntType(64)
FLOAT, DOUBLE = ir.FloatType(), ir.DoubleType()
FUSED = ("contract",)


class Lanes(types.Type):
    """Type of WIDTH values of one kind."""

    def __init__(self, name: str, element: ir.Type, one: types.Type) -> None:
        self.vector = ir.VectorType(element, WIDTH)
        self.one = one
        super().__init__(name=f"{name} x {WIDTH}")


@register_model(Lanes)
class LanesModel(models.PrimitiveModel):
    """Lanes stay in vector registers."""

    def __init__(self, manager: Any, kind: Lanes) -> None:
        super().__init__(manager, kind, kind.vector)


SINGLES = Lanes("single", FLOAT, types.float32)
DOUBLES = Lanes("double", DOUBLE, types.float64)
WHOLES = Lanes("whole", INT, types.int32)
LONGS = Lanes("long", LONG, types.uint64)
TRUTHS = Lanes("truth", BIT, types.boolean)
OF_ONE = {kind.one: kind for kind in (SINGLES, DOUBLES, WHOLES, LONGS)}
BYTES = {SINGLES: 4, DOUBLES: 8, WHOLES: 4, LONGS: 8}


def declare(rule: Callable[..., Any], twin: Callable[..., Any], emit: Callable[..., Any]) -> Any:
    """A named operation: its types, what it does to arrays, and how LLVM does it.

    `rule` takes the types given and gives that of the result and those of the arguments. `emit`
    takes an IR builder, the type of the result and the values, of an array the address of its
    first element.
    """
    if config.DISABLE_JIT:
        return twin

    def typed(*given: Any) -> Any:
        result, arguments = rule(*given)

        def lower(context: Any, builder: Any, sig: Any, values: Any) -> Any:
            plain = [
                context.make_array(kind)(context, builder, value).data
                if isinstance(kind, types.Array)
                else value
                for kind, value in zip(sig.args, values, strict=True)
            ]
            done = emit(builder, result, *plain)
            return context.get_dummy_value() if result is types.void else done

        return result(*arguments), lower

    number = twin.__code__.co_argcount
    if number == 1:
        return intrinsic(lambda _, a: typed(a))
    if number == 2:
        return intrinsic(lambda _, a, b: typed(a, b))
    return intrinsic(lambda _, a, b, c: typed(a, b, c))


def _operator(
    function: Any, kind: Lanes, result: Any, emit: Callable[[Any, Any, Any], Any]
) -> None:
    """Let an operator of Python work on lanes, and on lanes and a plain number."""
    pairs = [(kind, kind), (kind, kind.one), (kind.one, kind)]

    class Cases(ConcreteTemplate):
        cases = [signature(result, *pair) for pair in pairs]  # noqa: RUF012

    def lower(_: Any, builder: Any, sig: Any, values: Any) -> Any:
        x, y = (
            value if argument == kind else _spread(builder, kind, value)
            for argument, value in zip(sig.args, values, strict=True)
        )
        return emit(builder, x, y)

    infer_global(function)(Cases)
    for pair in pairs:
        lower_builtin(function, *pair)(lower)


def _spread(builder: Any, kind: Lanes, x: Any) -> Any:
    empty = ir.Constant(kind.vector, ir.Undefined)
    one = builder.insert_element(empty, x, ir.Constant(INT, 0))
    return builder.shuffle_vector(one, empty, ir.Constant(ir.VectorType(INT, WIDTH), [0] * WIDTH))


def _comparing(sign: str) -> Callable[[Any, Any, Any], Any]:
    return lambda builder, x, y: builder.fcmp_ordered(sign, x, y)


for _kind in (SINGLES, DOUBLES):
    _operator(operator.add, _kind, _kind, lambda b, x, y: b.fadd(x, y, flags=FUSED))
    _operator(operator.sub, _kind, _kind, lambda b, x, y: b.fsub(x, y, flags=FUSED))
    _operator(operator.mul, _kind, _kind, lambda b, x, y: b.fmul(x, y, flags=FUSED))
    _operator(operator.truediv, _kind, _kind, lambda b, x, y: b.fdiv(x, y))
    _operator(operator.lt, _kind, TRUTHS, _comparing("<"))
    _operator(operator.le, _kind, TRUTHS, _comparing("<="))
_operator(operator.and_, TRUTHS, TRUTHS, lambda b, x, y: b.and_(x, y))
_operator(operator.or_, TRUTHS, TRUTHS, lambda b, x, y: b.or_(x, y))
_operator(operator.ne, WHOLES, TRUTHS, lambda b, x, y: b.icmp_signed("!=", x, y))
_operator(operator.le, WHOLES, TRUTHS, lambda b, x, y: b.icmp_signed("<=", x, y))
_operator(operator.add, WHOLES, WHOLES, lambda b, x, y: b.add(x, y))
_operator(operator.mul, WHOLES, WHOLES, lambda b, x, y: b.mul(x, y))
_operator(operator.add, LONGS, LONGS, lambda b, x, y: b.add(x, y))
_operator(operator.mul, LONGS, LONGS, lambda b, x, y: b.mul(x, y))
_operator(operator.xor, LONGS, LONGS, lambda b, x, y: b.xor(x, y))
_operator(operator.rshift, LONGS, LONGS, lambda b, x, y: b.lshr(x, y))


def _place(builder: Any, kind: Lanes, data: Any, first: Any) -> Any:
    return builder.bitcast(builder.gep(data, [first]), kind.vector.as_pointer())


def _scalar(kind: Any) -> str:
    one = kind.one if isinstance(kind, Lanes) else kind
    return {types.float32: "f32", types.float64: "f64", types.int32: "i32"}[one]


def _suffix(kind: Any) -> str:
    return f"v{WIDTH}{_scalar(kind)}" if isinstance(kind, Lanes) else _scalar(kind)


def _of_itself(name: str) -> Callable[[Any, Any, Any], Any]:
    """An LLVM function of one argument that gives its like."""

    def emit(builder: Any, kind: Any, x: Any) -> Any:
        function = ir.FunctionType(x.type, [x.type])
        called = cgutils.get_or_insert_function(
            builder.module, function, f"llvm.{name}.{_suffix(kind)}"
        )
        return builder.call(called, [x])

    return emit


def _ordered(sign: str) -> Callable[[Any, Any, Any, Any], Any]:
    def emit(builder: Any, kind: Any, x: Any, y: Any) -> Any:
        y = y if y.type == x.type else _spread(builder, kind, y)
        return builder.select(builder.fcmp_ordered(sign, x, y), x, y)

    return emit


def _across(
    combine: Callable[[Any, Any, Any, Any], Any],
) -> Callable[[Any, Any, Any], Any]:
    """One number of all lanes, by halves."""

    def emit(builder: Any, kind: Any, x: Any) -> Any:
        half = WIDTH // 2
        while half:
            halves = [
                builder.shuffle_vector(
                    x, x, ir.Constant(ir.VectorType(INT, half), list(range(at, at + half)))
                )
                for at in (0, half)
            ]
            x, half = combine(builder, kind, *halves), half // 2
        return builder.extract_element(x, ir.Constant(INT, 0))

    return emit


def _lowest(builder: Any, _: Any, pattern: Any) -> Any:
    kind = ir.FunctionType(LONG, [LONG, BIT])
    count = cgutils.get_or_insert_function(builder.module, kind, "llvm.cttz.i64")
    return builder.call(count, [pattern, ir.Constant(BIT, 1)])


def _how_many(builder: Any, _: Any, pattern: Any) -> Any:
    kind = ir.FunctionType(LONG, [LONG])
    return builder.call(
        cgutils.get_or_insert_function(builder.module, kind, "llvm.ctpop.i64"), [pattern]
    )


def _truths(builder: Any, _: Any, pattern: Any) -> Any:
    return builder.bitcast(builder.trunc(pattern, ir.IntType(WIDTH)), TRUTHS.vector)


def _fraction(builder: Any, kind: Any, z: Any) -> Any:
    vector = isinstance(kind, Lanes)
    whole, real = (LONGS.vector, DOUBLES.vector) if vector else (LONG, DOUBLE)
    eleven = ir.Constant(whole, [11] * WIDTH if vector else 11)
    step = ir.Constant(real, [2.0**-53] * WIDTH if vector else 2.0**-53)
    return builder.fmul(builder.sitofp(builder.lshr(z, eleven), real), step)


def _gather(builder: Any, kind: Any, data: Any, which: Any) -> Any:
    if not isinstance(kind, Lanes):
        return builder.load(builder.gep(data, [which]))
    # the builder knows no addresses side by side, LLVM does: base, number and size in one
    places = builder.gep(data, [ir.Constant(INT, 0)])
    places.indices, places.type = [which], ir.VectorType(places.type, WIDTH)
    every = ir.Constant(TRUTHS.vector, [1] * WIDTH)
    form = ir.FunctionType(kind.vector, [places.type, INT, every.type, kind.vector])
    name = f"llvm.masked.gather.v{WIDTH}{_scalar(kind)}.v{WIDTH}p0"
    called = cgutils.get_or_insert_function(builder.module, form, name)
    nothing = ir.Constant(kind.vector, ir.Undefined)
    return builder.call(called, [places, ir.Constant(INT, BYTES[kind]), every, nothing])


def _prefetch(builder: Any, _: Any, data: Any, first: Any) -> None:
    byte = builder.bitcast(builder.gep(data, [first]), ir.IntType(8).as_pointer())
    kind = ir.FunctionType(ir.VoidType(), [byte.type, INT, INT, INT])
    called = cgutils.get_or_insert_function(builder.module, kind, "llvm.prefetch.p0")
    builder.call(called, [byte, *(ir.Constant(INT, number) for number in (0, 3, 1))])


def _facing(builder: Any, _: Any, data: Any, first: Any, other: Any) -> Any:
    if isinstance(other.type, ir.VectorType):
        return builder.load(builder.gep(data, [first]))
    return builder.load(_place(builder, SINGLES, data, first), align=4)


def _like(x: Any, *others: Any) -> Any:
    """Rule of operations of one kind of number throughout."""
    return x, (x,) * (1 + len(others))


def _of_two(x: Any, y: Any) -> Any:
    """Rule of operations of two numbers, the second plain or like the first."""
    return x, (x, x.one if isinstance(x, Lanes) and y != x else x)


def _fixed(result: Any, *arguments: Any) -> Callable[..., Any]:
    """Rule of operations of fixed types."""
    return lambda *_: (result, arguments)


# x in all lanes
spread = declare(lambda x: (OF_ONE[x], (x,)), twins.spread, _spread)
# WIDTH elements of an array from its element `first`, rows running on
load = declare(
    lambda data, *_: (OF_ONE[data.dtype], (data, types.int64)),
    twins.load,
    lambda b, kind, data, first: b.load(_place(b, kind, data, first), align=4),
)
store = declare(
    lambda data, *_: (types.void, (data, types.int64, OF_ONE[data.dtype])),
    twins.store,
    lambda b, _, data, first, x: b.store(
        x, b.bitcast(b.gep(data, [first]), x.type.as_pointer()), align=4
    ),
)
# elements of an array, rows running on, whose numbers are WHOLES; of one number too
gather = declare(
    lambda data, which: (
        (OF_ONE[data.dtype], (data, WHOLES))
        if which == WHOLES
        else (data.dtype, (data, types.int64))
    ),
    twins.gather,
    _gather,
)
# let the processor fetch a part of an array before it is asked for
prefetch = declare(lambda data, *_: (types.void, (data, types.int64)), twins.prefetch, _prefetch)
# what faces `other` in a table of float32: WIDTH elements for one number, one for WIDTH
facing = declare(
    lambda data, _, other: (
        types.float32 if other == SINGLES else SINGLES,
        (data, types.int64, other),
    ),
    twins.facing,
    _facing,
)
# y unless x is; y may be a plain number for all lanes, and both may be
lesser = declare(_of_two, twins.lesser, _ordered("<"))
greater = declare(_of_two, twins.greater, _ordered(">"))
total_of = declare(
    _fixed(types.float64, DOUBLES), twins.total_of, _across(lambda b, _, x, y: b.fadd(x, y))
)
largest_of = declare(_fixed(types.float64, DOUBLES), twins.largest_of, _across(_ordered(">")))
magnitude = declare(_like, twins.magnitude, _of_itself("fabs"))  # of a plain number too
root = declare(_like, twins.root, _of_itself("sqrt"))  # of a plain number too
# x where true, else y; of plain numbers too
choose = declare(
    lambda m, x, _: (x, (m, x, x)), twins.choose, lambda b, _, m, x, y: b.select(m, x, y)
)
# to single precision
single = declare(
    _fixed(SINGLES, DOUBLES), twins.single, lambda b, kind, x: b.fptrunc(x, kind.vector)
)
# a number of double precision without its fraction, and back; of a plain number too
whole = declare(
    lambda x: (WHOLES if x == DOUBLES else types.int32, (x,)),
    twins.whole,
    lambda b, kind, x: b.fptosi(x, kind.vector if kind == WHOLES else INT),
)
real = declare(
    lambda n: (DOUBLES if n == WHOLES else types.float64, (n,)),
    twins.real,
    lambda b, kind, n: b.sitofp(n, kind.vector if kind == DOUBLES else DOUBLE),
)
# the 64 bits of a number of double precision, and back
recast = declare(
    lambda x: (LONGS if x == DOUBLES else DOUBLES, (x,)),
    twins.recast,
    lambda b, kind, x: b.bitcast(x, kind.vector),
)
# of 64 random bits a number uniform on [0, 1); of a plain number too
fraction = declare(
    lambda z: (DOUBLES if z == LONGS else types.float64, (z,)), twins.fraction, _fraction
)
# pattern of which bit i is lane i, and back
bits = declare(
    _fixed(types.int64, TRUTHS),
    twins.bits,
    lambda b, _, m: b.zext(b.bitcast(m, ir.IntType(WIDTH)), LONG),
)
truths = declare(_fixed(TRUTHS, types.int64), twins.truths, _truths)
# of the bits set in a pattern, not 0
lowest = declare(_fixed(types.int64, types.int64), twins.lowest, _lowest)
how_many = declare(_fixed(types.int64, types.int64), twins.how_many, _how_many)
item = declare(
    lambda x, _: (x.one, (x, types.int64)),
    twins.item,
    lambda b, _, x, lane: b.extract_element(x, lane),
)
