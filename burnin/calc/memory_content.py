"""What is written into memory: contents that can be made for any block from a seed, and their complements.

A content is a tile of 256 KiB, which stays in the core's own cache, and a 64-bit key for each block that is combined
with every word of the tile by exclusive or. The complement has every bit turned round, so that two passes put both
values into every cell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from burnin.calc.sealed import SealedCopy
from burnin.calc.splitmix import MASK, U64, derive, word, words

BLOCK_BYTES: Final = 256 << 10
"""Size of a tile: fits into the second-level cache of every processor of the last ten years, common practice."""

CONSTANTS: Final = (0x00, 0x55, 0x33, 0x0F)
"""Bytes of the constant content in turn; each comes with its complement."""

KINDS: Final = ("constant", "tile", "address", "random")
"""Contents on hand: one byte everywhere; one pseudo-random tile; each word its own offset; pseudo-random."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Content:
    """What one pass writes.

    Attributes:
        kind: One of ``KINDS``.
        complement: Whether every bit is turned round.
        tile: The tile; for contents without keys it is already complemented.
        key_seed: Seed of the keys; None when all blocks are alike.
        byte: The byte when all are the same, else None.
    """

    kind: str
    complement: bool
    tile: SealedCopy
    key_seed: int | None = None
    byte: int | None = None

    @property
    def name(self) -> str:
        """Name for people."""
        return f"{self.kind}, complement" if self.complement else self.kind

    def key(self, block: int) -> int | None:
        """Return the key of a block (counted from the start of the region), None when all blocks are alike."""
        if self.key_seed is None:
            return None
        turn = MASK if self.complement else 0
        if self.kind == "address":
            return block * BLOCK_BYTES ^ self.key_seed ^ turn
        return word(self.key_seed, block) ^ turn

    def words(self, block: int) -> U64:
        """Return a block as it must be, shape (32768,)."""
        tile: U64 = self.tile.values
        key = self.key(block)
        return tile if key is None else np.bitwise_xor(tile, np.uint64(key))


def content_of_pass(number: int, *, kinds: Sequence[str], seed: int) -> Content:
    """Return what pass ``number`` writes: each kind, then its complement, then the next kind.

    Args:
        number: From 0.
        kinds: Kinds to go through.
        seed: Seed of the run; every round has contents of its own.
    """
    pair, complement = divmod(number, 2)
    turn, place = divmod(pair, len(kinds))
    kind, own = kinds[place], derive(seed, pair)
    turned = np.uint64(MASK if complement else 0)
    if kind == "address":
        tile = np.arange(0, BLOCK_BYTES, 8, dtype=np.uint64)
        return Content(kind=kind, complement=bool(complement), tile=SealedCopy("tile", tile), key_seed=own)
    if kind == "random":
        tile = words(own, 0, BLOCK_BYTES // 8)
        return Content(
            kind=kind, complement=bool(complement), tile=SealedCopy("tile", tile), key_seed=derive(own, 1)
        )
    if kind == "tile":
        tile = words(own, 0, BLOCK_BYTES // 8) ^ turned
        return Content(kind=kind, complement=bool(complement), tile=SealedCopy("tile", tile))
    byte = CONSTANTS[turn % len(CONSTANTS)] ^ (0xFF if complement else 0)
    tile = np.full(BLOCK_BYTES // 8, byte * 0x0101010101010101, dtype=np.uint64)
    return Content(kind=kind, complement=bool(complement), tile=SealedCopy("tile", tile), byte=byte)
