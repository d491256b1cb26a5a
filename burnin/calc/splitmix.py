"""Pseudo-random 64-bit words that can be made again one by one from a seed and an index.

The generator is SplitMix64: a counter stepped by a fixed odd constant and a mixing function (Steele, Lea and Flood,
"Fast splittable pseudorandom number generators", OOPSLA 2014). Because word ``k`` depends on seed and ``k`` alone, a
changed operand anywhere in memory can be compared with what it must have been, without keeping a copy.
"""

from __future__ import annotations

from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

U64: TypeAlias = NDArray[np.uint64]

MASK: Final = (1 << 64) - 1
_STEP: Final = 0x9E3779B97F4A7C15
_FIRST: Final = 0xBF58476D1CE4E5B9
_SECOND: Final = 0x94D049BB133111EB


def mix(value: int) -> int:
    """Return the 64-bit mixing function of one word (a bijection of 0 .. 2^64 - 1)."""
    value &= MASK
    value = ((value ^ (value >> 30)) * _FIRST) & MASK
    value = ((value ^ (value >> 27)) * _SECOND) & MASK
    return value ^ (value >> 31)


def word(seed: int, index: int) -> int:
    """Return word ``index`` (from 0) of the sequence of ``seed``."""
    return mix(seed + (index + 1) * _STEP)


def derive(seed: int, *path: int) -> int:
    """Return a seed of its own for each path of numbers below ``seed``."""
    for part in path:
        seed = mix(word(seed, part & MASK) ^ part)
    return seed & MASK


def mix_words(values: U64) -> U64:
    """Mix every word of ``values`` in place and return it."""
    scratch = values >> np.uint64(30)
    values ^= scratch
    values *= np.uint64(_FIRST)
    np.right_shift(values, np.uint64(27), out=scratch)
    values ^= scratch
    values *= np.uint64(_SECOND)
    np.right_shift(values, np.uint64(31), out=scratch)
    values ^= scratch
    return values


def words(seed: int, first: int, count: int) -> U64:
    """Return words ``first`` to ``first + count - 1`` of the sequence of ``seed``, shape (count,)."""
    values = np.arange(first + 1, first + count + 1, dtype=np.uint64)
    values *= np.uint64(_STEP)
    values += np.uint64(seed & MASK)
    return mix_words(values)


def whole_numbers(seed: int, first: int, *, count: int, bits: int) -> NDArray[np.int64]:
    """Return non-zero whole numbers of either sign, below ``2**bits`` in size, shape (count,).

    Args:
        seed: Seed of the sequence.
        first: Index of the first number.
        count: How many.
        bits: Size in bits, 1 to 62.
    """
    raw = words(seed, first, count)
    size = (raw >> np.uint64(64 - bits)).astype(np.int64)
    np.maximum(size, 1, out=size)
    return np.where(raw & np.uint64(1), size, -size)


def full_doubles(seed: int, first: int, count: int) -> NDArray[np.float64]:
    """Return doubles with all 53 bits of the significand in use, either sign, size 0.5 to below 8, shape (count,)."""
    raw = words(seed, first, count)
    fraction = raw & np.uint64((1 << 52) - 1)
    exponent = ((raw >> np.uint64(52)) & np.uint64(3)) + np.uint64(1022)
    sign = raw & np.uint64(1 << 63)
    values: NDArray[np.float64] = (fraction | (exponent << np.uint64(52)) | sign).view(np.float64)
    return values


def full_floats(seed: int, first: int, count: int) -> NDArray[np.float32]:
    """Return single-precision numbers with all 24 bits in use, either sign, size 0.5 to below 8, shape (count,)."""
    raw = (words(seed, first, count) >> np.uint64(32)).astype(np.uint32)
    fraction = raw & np.uint32((1 << 23) - 1)
    exponent = ((raw >> np.uint32(23)) & np.uint32(3)) + np.uint32(126)
    sign = raw & np.uint32(1 << 31)
    values: NDArray[np.float32] = (fraction | (exponent << np.uint32(23)) | sign).view(np.float32)
    return values
