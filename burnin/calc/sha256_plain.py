"""SHA-256 written a second time, from the text of the standard, for many messages side by side.

Source: FIPS PUB 180-4, "Secure Hash Standard", sections 4.1.2 (functions), 4.2.2 (constants), 5.1.1 (padding),
5.3.3 (initial value) and 6.2 (computation). The constants are not copied but computed as the standard defines them:
the first 32 bits of the fractional parts of the square and cube roots of the first primes, in whole-number
arithmetic. It shares no instruction of the processor's hashing unit with the library that the load exercises.
"""

from __future__ import annotations

import math
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from burnin.calc.splitmix import words

U32: TypeAlias = NDArray[np.uint32]


def _primes(count: int) -> list[int]:
    """Return the first ``count`` primes."""
    found: list[int] = []
    candidate = 2
    while len(found) < count:
        if all(candidate % prime for prime in found):
            found.append(candidate)
        candidate += 1
    return found


def _cube_root(value: int) -> int:
    """Return the whole part of the cube root, by bisection."""
    low, high = 0, 1 << (value.bit_length() // 3 + 1)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if middle**3 <= value else (low, middle)
    return low


def round_constants() -> tuple[int, ...]:
    """Return the 64 constants of section 4.2.2."""
    return tuple(_cube_root(prime << 96) & 0xFFFFFFFF for prime in _primes(64))


def initial_value() -> tuple[int, ...]:
    """Return the eight words of section 5.3.3."""
    return tuple(math.isqrt(prime << 64) & 0xFFFFFFFF for prime in _primes(8))


CONSTANTS: Final = round_constants()
INITIAL: Final = initial_value()


def _turn(values: U32, bits: int) -> U32:
    """Rotate every word right by ``bits``."""
    return (values >> np.uint32(bits)) | (values << np.uint32(32 - bits))


def compress(state: U32, blocks: U32) -> U32:
    """Return the hash value after one block each (section 6.2.2).

    Args:
        state: Hash values before, shape (8, messages).
        blocks: One block of each message, big-endian words, shape (16, messages).
    """
    w = list(blocks)
    for t in range(16, 64):
        small_1 = _turn(w[t - 2], 17) ^ _turn(w[t - 2], 19) ^ (w[t - 2] >> np.uint32(10))
        small_0 = _turn(w[t - 15], 7) ^ _turn(w[t - 15], 18) ^ (w[t - 15] >> np.uint32(3))
        w.append(small_1 + w[t - 7] + small_0 + w[t - 16])
    a, b, c, d, e, f, g, h = state
    for t in range(64):
        t1 = h + (_turn(e, 6) ^ _turn(e, 11) ^ _turn(e, 25)) + ((e & f) ^ (~e & g))
        t1 = t1 + np.uint32(CONSTANTS[t]) + w[t]
        t2 = (_turn(a, 2) ^ _turn(a, 13) ^ _turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))
        a, b, c, d, e, f, g, h = t1 + t2, a, b, c, d + t1, e, f, g
    after: U32 = state + np.stack([a, b, c, d, e, f, g, h])
    return after


def pad(message: bytes) -> bytes:
    """Return the message with the padding of section 5.1.1."""
    zeros = (55 - len(message)) % 64
    return message + b"\x80" + bytes(zeros) + (8 * len(message)).to_bytes(8, "big")


def digest_of(message: bytes) -> bytes:
    """Return the SHA-256 digest of one message, 32 bytes."""
    blocks = np.frombuffer(pad(message), dtype=">u4").astype(np.uint32).reshape(-1, 16, 1)
    state = np.array(INITIAL, dtype=np.uint32).reshape(8, 1)
    for block in blocks:
        state = compress(state, block)
    return state.astype(">u4").tobytes()


def links_of(starts: bytes) -> bytes:
    """Return the digests of many 32-byte messages, each 32 bytes, in the same order."""
    messages = np.frombuffer(starts, dtype=">u4").astype(np.uint32).reshape(-1, 8).T
    blocks = np.zeros((16, messages.shape[1]), dtype=np.uint32)
    blocks[:8], blocks[8], blocks[15] = messages, 0x80000000, 256
    state = np.repeat(np.array(INITIAL, dtype=np.uint32).reshape(8, 1), messages.shape[1], axis=1)
    return np.ascontiguousarray(compress(state, blocks).T).astype(">u4").tobytes()


def chain_start(seed: int, index: int) -> bytes:
    """Return the 32 bytes a chain starts from."""
    return words(seed, 4 * index, 4).astype(">u8").tobytes()
