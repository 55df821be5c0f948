"""Exact sums of floating-point numbers: the same in any order, and nothing is lost by adding later. Pure.

A sum is held as a whole number of the smallest double, 2^-1074, of which every finite double is a multiple. A row keeps
it as the mean, correctly rounded, and as what the mean times the count misses of it.
"""

import struct
from collections.abc import Iterable

_BITS = 1074
_ONE = 1 << _BITS


def units(value: float) -> int:
    """A finite double as a multiple of 2^-1074."""
    top, bottom = value.as_integer_ratio()  # bottom is a power of two, 2^1074 at most
    return top << (_BITS + 1 - bottom.bit_length())


def total_of(values: Iterable[float]) -> int:
    """The sum of finite doubles, in units."""
    return sum(map(units, values))


def mean_of(total: int, count: int) -> float:
    """The mean, correctly rounded: Python divides whole numbers so."""
    return total / (count * _ONE)


def rest_of(total: int, count: int) -> bytes | None:
    """What the rounded mean times the count misses of the sum, as doubles that add up to it; None where nothing."""
    left = total - units(mean_of(total, count)) * count
    parts = list[float]()
    while left:
        parts.append(left / _ONE)
        left -= units(parts[-1])
    return struct.pack(f"<{len(parts)}d", *parts) if parts else None


def restored(mean: float, count: int, rest: bytes | None) -> int:
    """The sum that `mean_of` and `rest_of` tell."""
    parts = struct.unpack(f"<{len(rest) // 8}d", rest) if rest else ()
    return units(mean) * count + total_of(parts)
