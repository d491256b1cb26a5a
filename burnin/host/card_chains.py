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

USUAL_MS: Final = 20.0
"""Length of a dispatch: long against its start, short against what a desktop notices (10 to 30 ms)."""

_TRIES: Final = 16
_GROWTH: Final = 8.0


@dataclass(frozen=True, kw_only=True)
class Done:
    """One dispatch that ended.

    Attributes:
        variant: Which start values.
        ends: One word for each thread, shape (groups * LANES,).
        span_ms: How long it took: on the card's clock, else on the host's.
    """

    variant: int
    ends: U32
    span_ms: float


class Chains:
    """A kernel whose every group runs the same chains.

    The kernel finds rounds and variant in binding 0, start values in binding 1, the ends (one word a thread) in
    binding 2, and further buffers behind them.

    Args:
        card: The card.
        code: The kernel.
        starts: Start values, first axis the variant, as 32-bit words or floats.
        groups: Groups of a dispatch.
        extra: Further buffers.
    """

    def __init__(
        self, card: Card, code: str, starts: NDArray[Any], *, groups: int, extra: Sequence[Any] = ()
    ) -> None:
        self._card, self.groups, self.variants = card, groups, len(starts)
        self._kernel = card.kernel(code)
        self.starts = card.filled(starts)
        self.ends = card.storage(groups * LANES * 4)
        self._setups = [
            card.filled(np.array([4, place, 0, 0], dtype=np.uint32)) for place in range(self.variants)
        ]
        self._bound = [
            card.bind(self._kernel, setup, self.starts, self.ends, *extra) for setup in self._setups
        ]
        self.rounds = 4
        self._next = 0
        self._flying: deque[tuple[int, Ticket, int]] = deque()

    @property
    def in_flight(self) -> int:
        """Dispatches on their way."""
        return len(self._flying)

    def set_rounds(self, rounds: int) -> None:
        """Set the rounds of every dispatch from now on; a multiple of 4, at least 4."""
        self.rounds = max(4, rounds // 4 * 4)
        for place, setup in enumerate(self._setups):
            self._card.write(setup, np.array([self.rounds, place, 0, 0], dtype=np.uint32))

    def send(self) -> None:
        """Send one dispatch, the variants in turn."""
        variant, self._next = self._next, (self._next + 1) % self.variants
        batch = self._card.batch(stamps=2)
        batch.run(self._kernel, self._bound[variant], self.groups, first_stamp=0)
        self._flying.append((variant, batch.send((self.ends, self.groups * LANES * 4)), time.monotonic_ns()))

    def collect(self) -> Done:
        """Wait for the oldest dispatch and return it."""
        variant, ticket, sent_ns = self._flying.popleft()
        answer = ticket.wait()
        span_ms = answer.span_ms()
        if span_ms is None:
            span_ms = (time.monotonic_ns() - sent_ns) / 1e6
        return Done(variant=variant, ends=answer.results[0], span_ms=span_ms)

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
