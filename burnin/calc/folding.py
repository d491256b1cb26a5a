"""Short sums over 64-bit words: cheap enough to check every result, sharp enough to miss no changed word.

A fold is the pair (sum modulo 2^64, exclusive or). One changed word always changes both; two changed words go unseen
only if they cancel in both at once. A digest is one word made of many, in which the order counts.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from burnin.calc.splitmix import MASK, U64, mix, mix_words

_CHUNK_BYTES = 512 << 10


def as_words(array: NDArray[Any]) -> U64:
    """Return the array's memory as 64-bit words, last axis shortened to fit; no copy.

    Args:
        array: Last axis contiguous, its length in bytes a multiple of 8.
    """
    return array.view(np.uint64)


def fold_rows(rows: NDArray[Any]) -> U64:
    """Return the folds of the rows of a matrix, shape (2, rows): sums first, then exclusive ors.

    Goes in pieces that stay in the core's own cache, so that memory is read once for both.
    """
    block = as_words(rows)
    folds = np.empty((2, len(block)), dtype=np.uint64)
    at_once = max(1, _CHUNK_BYTES // max(1, block.shape[1] * 8))
    for first in range(0, len(block), at_once):
        piece = block[first : first + at_once]
        np.add.reduce(piece, axis=1, out=folds[0, first : first + at_once])
        np.bitwise_xor.reduce(piece, axis=1, out=folds[1, first : first + at_once])
    return folds


def half_fold(rows: NDArray[Any], turn: int) -> U64:
    """Return one half of the folds of the rows, shape (rows,): sums on even turns, exclusive ors on odd ones.

    Either half shows any single changed word; in turn they cost half of both.
    """
    reduce = np.bitwise_xor.reduce if turn % 2 else np.add.reduce
    half: U64 = reduce(as_words(rows), axis=1)
    return half


def digest(values: NDArray[Any], start: int = 0) -> int:
    """Return a 64-bit digest of an array's memory in which the order of words counts.

    Args:
        values: Contiguous, its length in bytes a multiple of 8.
        start: Digest of what went before.
    """
    flat = as_words(values.reshape(-1)).copy()
    flat ^= mix_words(np.arange(1, flat.size + 1, dtype=np.uint64))
    total = int(np.add.reduce(mix_words(flat)))
    return chain(start, total)


def chain(*parts: int) -> int:
    """Return one 64-bit digest of whole numbers in this order."""
    value = len(parts)
    for part in parts:
        value = mix(mix(value) + (part & MASK))
    return value
