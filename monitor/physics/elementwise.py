"""Runs one formula over floats and over arrays alike, and refuses numbers outside its range.

Conventions of every function in this room: floats give a float, arrays give a float64 array of the broadcast
shape; the first argument carries the shape for a type checker. NaN means *missing* and stays NaN; an infinity
or a number outside the stated range raises RangeError naming the argument, the value and the range.
"""

import math
from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from monitor.model.errors import RangeError

FloatArray = NDArray[np.float64]
Values = float | FloatArray
V = TypeVar("V", float, FloatArray)

_BLOCK = 4096  # values worked on at a time: the temporaries of a long formula then stay in the cache


class Maths(NamedTuple):
    """The functions a formula needs, for floats or for arrays."""

    log: Callable[[Any], Any]
    exp: Callable[[Any], Any]
    sqrt: Callable[[Any], Any]
    where: Callable[[Any, Any, Any], Any]
    least: Callable[[Any, Any], Any]
    largest: Callable[[Any], float]


def _choose(condition: bool, if_true: float, if_false: float) -> float:
    return if_true if condition else if_false


def _largest_of_one(value: float) -> float:
    return 0.0 if math.isnan(value) else value


def _largest_of_many(values: FloatArray) -> float:
    return float(np.fmax.reduce(values, initial=0.0))


SCALAR = Maths(math.log, math.exp, math.sqrt, _choose, min, _largest_of_one)
VECTOR = Maths(np.log, np.exp, np.sqrt, np.where, np.minimum, _largest_of_many)


def elementwise(formula: Callable[..., Any], first: V, *rest: Values) -> V:
    """The formula for each value: called as formula(maths, first, *rest) with floats or blocks of arrays."""
    values = (first, *rest)
    for value in values:  # plain loops: of a formula on floats, generators would take more than the formula
        if value.__class__ is not float:
            result: V = _run(formula, values)
            return result
    for value in values:
        if value != value:
            return math.nan  # type: ignore[return-value]
    return float(formula(SCALAR, *values))  # type: ignore[return-value]


def _run(formula: Callable[..., Any], values: tuple[Values, ...]) -> Any:
    if not all(isinstance(value, (float, int)) for value in values):
        return _over_arrays(formula, values)
    for value in values:
        if value != value:
            return math.nan
    return float(formula(SCALAR, *map(float, values)))


def _over_arrays(formula: Callable[..., Any], values: tuple[Values, ...]) -> FloatArray:
    arrays = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in values))
    shape, size = arrays[0].shape, arrays[0].size
    columns: list[Values] = [
        float(value) if isinstance(value, (float, int)) else array.reshape(-1)
        for value, array in zip(values, arrays, strict=True)
    ]
    result = np.empty(size, dtype=np.float64)
    for start in range(0, size, _BLOCK):
        block = slice(start, start + _BLOCK)
        result[block] = formula(VECTOR, *(_part(column, block) for column in columns))
    for column in columns:
        if np.isnan(np.sum(column)):
            result[np.broadcast_to(np.isnan(column), size)] = math.nan
    return result.reshape(shape)


def _part(column: Values, block: slice) -> Values:
    return column if isinstance(column, float) else column[block]


def check_range(name: str, value: Values, low: float, high: float, unit: str) -> None:
    """Raises RangeError when a value lies outside low..high; NaN, which means missing, passes."""
    if value.__class__ is float or isinstance(value, (float, int)):
        if value < low or value > high:
            raise RangeError(name, value, _range_text(low, high, unit))
        return
    array = np.asarray(value, dtype=np.float64)
    if array.size == 0 or (array.min() >= low and array.max() <= high):
        return
    outside = array[(array < low) | (array > high)]
    if outside.size:
        raise RangeError(name, float(outside.flat[0]), _range_text(low, high, unit))


def check_below(name: str, value: Values, limit_name: str, limit: Values) -> None:
    """Raises RangeError when a value is not below a limit that is itself an argument; NaN passes."""
    if isinstance(value, float) and isinstance(limit, float):
        if value >= limit:
            raise RangeError(name, value, f"below {limit_name}")
        return
    over = np.asarray(value, dtype=np.float64) >= np.asarray(limit, dtype=np.float64)
    if np.any(over):
        worst = np.broadcast_to(np.asarray(value, dtype=np.float64), over.shape)[over]
        raise RangeError(name, float(worst.flat[0]), f"below {limit_name}")


def _range_text(low: float, high: float, unit: str) -> str:
    return f"{low:g} to {high:g} {unit}".rstrip()
