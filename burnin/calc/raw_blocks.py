"""Set, copy and compare raw memory at the speed of the system's C library, or of NumPy where there is none."""

from __future__ import annotations

import ctypes
from typing import Any, Protocol

import numpy as np

from burnin.calc.splitmix import U64


class RawBlocks(Protocol):
    """What can be done with raw memory; addresses are virtual, counts in bytes."""

    name: str

    def fill(self, address: int, byte: int, count: int) -> None:
        """Set ``count`` bytes to ``byte``."""
        ...

    def copy(self, to: int, source: int, count: int) -> None:
        """Copy ``count`` bytes."""
        ...

    def equal(self, one: int, other: int, count: int) -> bool:
        """Return whether ``count`` bytes are equal."""
        ...


def view_words(address: int, count: int) -> U64:
    """Return ``count`` bytes of memory (a multiple of 8) as an array of 64-bit words, without a copy."""
    memory: Any = (ctypes.c_uint64 * (count // 8)).from_address(address)
    words: U64 = np.frombuffer(memory, dtype=np.uint64)
    return words


class LibraryBlocks:
    """Raw memory through memset, memmove and memcmp of the C library.

    Args:
        library: The loaded C library.

    Raises:
        AttributeError: It lacks one of the three.
    """

    name = "memset, memmove, memcmp of the C library"

    def __init__(self, library: Any) -> None:
        self._set, self._move, self._compare = library.memset, library.memmove, library.memcmp
        self._set.argtypes = (ctypes.c_void_p, ctypes.c_int, ctypes.c_size_t)
        self._set.restype = ctypes.c_void_p
        self._move.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t)
        self._move.restype = ctypes.c_void_p
        self._compare.argtypes = (ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t)
        self._compare.restype = ctypes.c_int

    def fill(self, address: int, byte: int, count: int) -> None:
        """Set bytes."""
        self._set(address, byte, count)

    def copy(self, to: int, source: int, count: int) -> None:
        """Copy bytes."""
        self._move(to, source, count)

    def equal(self, one: int, other: int, count: int) -> bool:
        """Compare bytes."""
        return bool(self._compare(one, other, count) == 0)


class ArrayBlocks:
    """Raw memory through NumPy; counts are multiples of 8."""

    name = "NumPy"

    def fill(self, address: int, byte: int, count: int) -> None:
        """Set bytes."""
        view_words(address, count).view(np.uint8).fill(byte)

    def copy(self, to: int, source: int, count: int) -> None:
        """Copy bytes."""
        view_words(to, count)[...] = view_words(source, count)

    def equal(self, one: int, other: int, count: int) -> bool:
        """Compare bytes."""
        return bool(np.array_equal(view_words(one, count), view_words(other, count)))


def raw_blocks() -> RawBlocks:
    """Return the fastest way there is on this system."""
    try:
        return LibraryBlocks(ctypes.CDLL(None))
    except (OSError, TypeError, AttributeError):
        return ArrayBlocks()
