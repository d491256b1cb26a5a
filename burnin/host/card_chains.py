"""Chains of dependent operations on a graphics card: sent in dispatches of a set length, a few of them on their way."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from burnin.host.wgpu_door import Card, Ticket

U32 = NDArray[np.uint32]

LANES: Final = 256
"""Threads of one group."""

IN_FLIGHT: Final = 3
"""Dispatches on their way: the card never waits for the host, and a desktop still gets its turn between them."""

USUAL_MS: Final = 25.0
"""Length of a dispatch: long against its start, short against what a desktop notices (10 to 30 ms)."""

_TRIES: Final = 16
_GROWTH: Final = 8.0


FOLD_CODE: Final = """
@group(0) @binding(0) var<storage, read> ends: array<u32>;
@group(0) @binding(1) var<storage, read_write> folds: array<u32>;
@compute @workgroup_size(256)
fn main(@builtin(global_invocation_id) id: vec3<u32>) {
  let block = id.x;
  if (block >= arrayLength(&folds)) { return; }
  var h = ends[block * 32u];
  for (var i = 1u; i < 32u; i++) { h = h * 0x9E3779B1u + ends[block * 32u + i]; }
  folds[block] = h;
}
"""
"""Folds the ends of 32 threads into a word, so that half a megabyte crosses the link and not sixteen."""

BLOCKS: Final = 8
"""Folds of one group."""


@dataclass(frozen=True, kw_only=True)
class Done:
    """One dispatch that ended.

    Attributes:
        variant: Which start values.
        folds: One word for each 32 threads, shape (groups, BLOCKS).
        span_ms: How long it took: on the card's clock, else on the host's.
        slot: Where its ends lie on the card.
    """

    variant: int
    folds: U32
    span_ms: float
    slot: int


class _Slot:
    """Room on the card for the ends of one dispatch.

    Args:
        card: The card.
        groups: Groups of a dispatch.
        fold: Kernel that folds.
    """

    def __init__(self, card: Card, groups: int, *, fold: Any) -> None:
        self.ends = card.storage(groups * LANES * 4)
        self.folds = card.storage(groups * BLOCKS * 4)
        self.fold_bound = card.bind(fold, self.ends, self.folds)


class Chains:
    """A kernel whose every group runs the same chains.

    The kernel finds rounds and variant in binding 0, start values in binding 1, the ends (one word a thread) in
    binding 2, and further buffers behind them.

    Args:
        card: The card.
        code: The kernel.
        starts: Start values, first axis the variant, as 32-bit words or floats.
        groups: Groups of a dispatch.
        unit: Rounds the kernel does at once.
        extra: Further buffers.
    """

    def __init__(
        self,
        card: Card,
        code: str,
        starts: NDArray[Any],
        *,
        groups: int,
        unit: int,
        extra: Sequence[Any] = (),
    ) -> None:
        self._card, self.groups, self.variants, self._unit = card, groups, len(starts), unit
        self._kernel, self._fold = card.kernel(code), card.kernel(FOLD_CODE)
        self.starts, self.extra = card.filled(starts), tuple(extra)
        self.slots = [_Slot(card, groups, fold=self._fold) for _ in range(IN_FLIGHT)]
        self._setups = [
            card.filled(np.array([unit, place, 0, 0], dtype=np.uint32)) for place in range(self.variants)
        ]
        self._bound = [
            [card.bind(self._kernel, setup, self.starts, slot.ends, *extra) for slot in self.slots]
            for setup in self._setups
        ]
        self.rounds = unit
        self._next = self._next_slot = 0
        self._flying: deque[tuple[int, int, Ticket, int]] = deque()

    @property
    def in_flight(self) -> int:
        """Dispatches on their way."""
        return len(self._flying)

    def set_rounds(self, rounds: int) -> None:
        """Set the rounds of every dispatch from now on; whole units, at least one."""
        self.rounds = max(1, rounds // self._unit) * self._unit
        for place, setup in enumerate(self._setups):
            self._card.write(setup, np.array([self.rounds, place, 0, 0], dtype=np.uint32))

    def send(self) -> None:
        """Send one dispatch, the variants in turn."""
        variant, self._next = self._next, (self._next + 1) % self.variants
        place, self._next_slot = self._next_slot, (self._next_slot + 1) % IN_FLIGHT
        slot = self.slots[place]
        batch = self._card.batch(stamps=2)
        batch.run(self._kernel, self._bound[variant][place], self.groups, first_stamp=0)
        batch.run(self._fold, slot.fold_bound, -(-self.groups * BLOCKS // LANES))
        ticket = batch.send((slot.folds, self.groups * BLOCKS * 4))
        self._flying.append((variant, place, ticket, time.monotonic_ns()))

    def collect(self) -> Done:
        """Wait for the oldest dispatch and return it."""
        variant, place, ticket, sent_ns = self._flying.popleft()
        answer = ticket.wait()
        span_ms = answer.span_ms()
        if span_ms is None:
            span_ms = (time.monotonic_ns() - sent_ns) / 1e6
        return Done(variant=variant, folds=answer.results[0].reshape(-1, BLOCKS), span_ms=span_ms, slot=place)

    def ends_of(self, done: Done, group: int) -> U32:
        """Return the ends of one group's threads, shape (LANES,); only until its slot is used again."""
        return self._card.read(self.slots[done.slot].ends, group * LANES * 4, LANES * 4)

    def all_ends(self, done: Done) -> U32:
        """Return the ends of all threads, shape (groups, LANES); as above, and slow."""
        size = self.groups * LANES * 4
        return self._card.read(self.slots[done.slot].ends, 0, size).reshape(-1, LANES)

    def work(self, span_s: float, *, in_flight: int = IN_FLIGHT) -> Iterator[Done]:
        """Keep the card busy for ``span_s`` and yield what ends; at least one dispatch."""
        stop_ns = time.monotonic_ns() + int(span_s * 1e9)
        while True:
            while len(self._flying) < in_flight:
                self.send()
            yield self.collect()
            if time.monotonic_ns() >= stop_ns:
                return

    def drain(self) -> Iterator[Done]:
        """Yield what is still on its way."""
        while self._flying:
            yield self.collect()

    def one(self, variant: int) -> Done:
        """Run one dispatch of a variant alone."""
        self._next = variant
        self.send()
        return self.collect()

    def calibrate(self, target_ms: float) -> float:
        """Set the rounds so that a dispatch takes about ``target_ms``; return what it takes."""
        span_ms = 0.0
        for _ in range(_TRIES):
            span_ms = max(min(self.one(0).span_ms for _ in range(2)), 1e-3)
            if 0.8 * target_ms <= span_ms <= 1.25 * target_ms:
                break
            before = self.rounds
            self.set_rounds(round(self.rounds * min(_GROWTH, target_ms / span_ms)))
            if self.rounds == before:
                break
        return span_ms
