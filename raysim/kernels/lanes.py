"""Sixteen numbers at once: single-precision numbers, integers and truths side by side.

Compiled, an operation on them is one operation on an LLVM vector, which becomes what the
processor has: one instruction of AVX-512, two of AVX2, four of Neon. Not compiled, it is its twin
on NumPy arrays of 16, so the same kernel runs either way. Products and sums may be fused.
"""

# mypy: allow-untyped-calls

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

import numba
import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]
from numba.core import cgutils, types
from numba.core.typing.templates import ConcreteTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin, models, register_model

config: Any = numba.config
WIDTH = 16
TWINS: dict[str, Callable[..., Any]] = {}  # what each named operation does, on arrays of WIDTH
BIT, INT, FLOAT, LONG = ir.IntType(1), ir.IntType(32), ir.FloatType(), ir.IntType(64)
FUSED = ("contract",)


class Lanes(types.Type):
    """Type of WIDTH values of one kind."""

    def __init__(self, name: str, element: ir.Type) -> None:
        self.vector = ir.VectorType(element, WIDTH)
        super().__init__(name=f"{name} x {WIDTH}")


@register_model(Lanes)
class LanesModel(models.PrimitiveModel):
    """Lanes stay in vector registers."""

    def __init__(self, manager: Any, kind: Lanes) -> None:
        super().__init__(manager, kind, kind.vector)


SINGLES = Lanes("single", FLOAT)
WHOLES = Lanes("whole", INT)
TRUTHS = Lanes("truth", BIT)


def declare(
    result: Any, arguments: tuple[Any, ...], twin: Callable[..., Any], emit: Callable[..., Any]
) -> Any:
    """A named operation: its types, what it does to arrays, and how LLVM does it.

    None among `arguments` stands for an array. `emit` takes an IR builder and the values, of an
    array the address of its first element.
    """
    TWINS[twin.__name__] = twin
    if config.DISABLE_JIT:
        return twin

    def typed(given: tuple[Any, ...]) -> Any:
        kinds = [g if a is None else a for a, g in zip(arguments, given, strict=True)]

        def lower(context: Any, builder: Any, sig: Any, values: Any) -> Any:
            plain = [
                context.make_array(kind)(context, builder, value).data
                if isinstance(kind, types.Array)
                else value
                for kind, value in zip(sig.args, values, strict=True)
            ]
            return emit(builder, *plain)

        return result(*kinds), lower

    if len(arguments) == 1:
        return intrinsic(lambda _, a: typed((a,)))
    if len(arguments) == 2:
        return intrinsic(lambda _, a, b: typed((a, b)))
    return intrinsic(lambda _, a, b, c: typed((a, b, c)))


def _operator(function: Any, kind: Any, result: Any, emit: Callable[[Any, Any, Any], Any]) -> None:
    """Let an operator of Python work on lanes."""

    class Cases(ConcreteTemplate):
        cases = [signature(result, kind, kind)]  # noqa: RUF012

    infer_global(function)(Cases)
    lower_builtin(function, kind, kind)(lambda _, builder, __, pair: emit(builder, *pair))


def _comparing(sign: str) -> Callable[[Any, Any, Any], Any]:
    return lambda builder, x, y: builder.fcmp_ordered(sign, x, y)


_operator(operator.add, SINGLES, SINGLES, lambda b, x, y: b.fadd(x, y, flags=FUSED))
_operator(operator.sub, SINGLES, SINGLES, lambda b, x, y: b.fsub(x, y, flags=FUSED))
_operator(operator.mul, SINGLES, SINGLES, lambda b, x, y: b.fmul(x, y, flags=FUSED))
_operator(operator.truediv, SINGLES, SINGLES, lambda b, x, y: b.fdiv(x, y))
_operator(operator.lt, SINGLES, TRUTHS, _comparing("<"))
_operator(operator.le, SINGLES, TRUTHS, _comparing("<="))
_operator(operator.and_, TRUTHS, TRUTHS, lambda b, x, y: b.and_(x, y))
_operator(operator.ne, WHOLES, TRUTHS, lambda b, x, y: b.icmp_signed("!=", x, y))


def _spread(builder: Any, x: Any, kind: Lanes) -> Any:
    empty = ir.Constant(kind.vector, ir.Undefined)
    one = builder.insert_element(empty, x, ir.Constant(INT, 0))
    return builder.shuffle_vector(one, empty, ir.Constant(ir.VectorType(INT, WIDTH), [0] * WIDTH))


def _read(kind: Lanes) -> Callable[[Any, Any, Any], Any]:
    def emit(builder: Any, data: Any, first: Any) -> Any:
        place = builder.bitcast(builder.gep(data, [first]), kind.vector.as_pointer())
        return builder.load(place, align=4)

    return emit


def _ordered(sign: str) -> Callable[[Any, Any, Any], Any]:
    return lambda builder, x, y: builder.select(builder.fcmp_ordered(sign, x, y), x, y)


def _magnitude(builder: Any, x: Any) -> Any:
    kind = ir.FunctionType(SINGLES.vector, [SINGLES.vector])
    name = f"llvm.fabs.v{WIDTH}f32"
    return builder.call(cgutils.get_or_insert_function(builder.module, kind, name), [x])


def _lowest(builder: Any, pattern: Any) -> Any:
    kind = ir.FunctionType(LONG, [LONG, BIT])
    count = cgutils.get_or_insert_function(builder.module, kind, "llvm.cttz.i64")
    return builder.call(count, [pattern, ir.Constant(BIT, 1)])


def _spread_twin(x: float) -> Any:
    return np.full(WIDTH, x, np.float32)


def _spread_whole_twin(x: int) -> Any:
    return np.full(WIDTH, x, np.int32)


def _load_twin(data: Any, first: int) -> Any:
    return data[first : first + WIDTH]


def _bits_twin(truths: Any) -> Any:
    return int((truths * (1 << np.arange(WIDTH))).sum())


def _lowest_twin(pattern: Any) -> int:
    return (pattern & -pattern).bit_length() - 1


def _item_twin(x: Any, lane: int) -> Any:
    return x[lane]


def _choose_twin(truths: Any, x: Any, y: Any) -> Any:
    return np.where(truths, x, y)


def _lesser_twin(x: Any, y: Any) -> Any:
    return np.where(x < y, x, y)


def _greater_twin(x: Any, y: Any) -> Any:
    return np.where(x > y, x, y)


def _magnitude_twin(x: Any) -> Any:
    return np.abs(x)


spread = declare(
    SINGLES, (types.float32,), _spread_twin, lambda b, x: _spread(b, x, SINGLES)
)  # one number in all lanes
spread_whole = declare(
    WHOLES, (types.int32,), _spread_whole_twin, lambda b, x: _spread(b, x, WHOLES)
)
load = declare(SINGLES, (None, types.int64), _load_twin, _read(SINGLES))  # array, first element
load_whole = declare(WHOLES, (None, types.int64), _load_twin, _read(WHOLES))
lesser = declare(SINGLES, (SINGLES, SINGLES), _lesser_twin, _ordered("<"))
greater = declare(SINGLES, (SINGLES, SINGLES), _greater_twin, _ordered(">"))
magnitude = declare(SINGLES, (SINGLES,), _magnitude_twin, _magnitude)
choose = declare(
    SINGLES, (TRUTHS, SINGLES, SINGLES), _choose_twin, lambda b, m, x, y: b.select(m, x, y)
)  # x where true, else y
bits = declare(
    types.int64,
    (TRUTHS,),
    _bits_twin,
    lambda b, m: b.zext(b.bitcast(m, ir.IntType(WIDTH)), LONG),
)  # bit i is lane i
lowest = declare(types.int64, (types.int64,), _lowest_twin, _lowest)  # of the bits set, not 0
item = declare(
    types.float32,
    (SINGLES, types.int64),
    _item_twin,
    lambda b, x, lane: b.extract_element(x, lane),
)
