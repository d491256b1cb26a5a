"""Contents of graphics memory that can be made again word by word, on the card and on the host.

The mixing function is the finaliser of MurmurHash3 (A. Appleby, public domain): a bijection of 32-bit words.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

U32 = NDArray[np.uint32]

PLACE: Final = 0x9E3779B1
GROUP: Final = 0x85EBCA77
"""Odd multipliers of the place within a buffer and of the buffer's number."""

MIX_CODE: Final = """
fn mixed(value: u32) -> u32 {
  var h = value;
  h ^= h >> 16u; h *= 0x85ebca6bu; h ^= h >> 13u; h *= 0xc2b2ae35u; h ^= h >> 16u;
  return h;
}
fn content(at: u32, buffer_number: u32, key: u32, inverse: u32) -> vec4<u32> {
  let h = mixed(at * 0x9E3779B1u + buffer_number * 0x85EBCA77u + key);
  return (vec4<u32>(h) + vec4<u32>(0u, 0x3C6EF372u, 0x78DDE6E4u, 0xB54CDA56u)) ^ vec4<u32>(inverse);
}
"""
"""The same for a kernel: the content of the four words at vector ``at`` of a buffer."""

_STEPS: Final = np.array([0, 0x3C6EF372, 0x78DDE6E4, 0xB54CDA56], dtype=np.uint32)


def mixed(values: U32) -> U32:
    """Return every word mixed."""
    h = values.copy()
    h ^= h >> np.uint32(16)
    h *= np.uint32(0x85EBCA6B)
    h ^= h >> np.uint32(13)
    h *= np.uint32(0xC2B2AE35)
    h ^= h >> np.uint32(16)
    return h


def content(first: int, count: int, *, buffer: int, key: int, inverse: bool) -> U32:
    """Return the words of ``count`` vectors of four from vector ``first``, shape (4 * count,).

    Args:
        first: First vector.
        count: Vectors.
        buffer: Number of the buffer.
        key: 32-bit key of the content.
        inverse: Complement of the content.
    """
    at = np.arange(first, first + count, dtype=np.uint64).astype(np.uint32)
    at *= np.uint32(PLACE)
    at += np.uint32((buffer * GROUP + key) & 0xFFFFFFFF)
    words = (mixed(at)[:, None] + _STEPS).reshape(-1)
    return words ^ np.uint32(0xFFFFFFFF) if inverse else words
