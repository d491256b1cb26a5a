"""Graphics memory, written, read back word by word and turned round, over nearly all of it.

Every sweep reads each word, compares it with what the sweep before wrote there, and writes the next content: words that
differ from place to place, then their complements, upward and downward in turn. The card compares; before the first
sweep it has to find words planted by the host, so that a comparison that is blind is noticed.

Proves: that the graphics memory covered, its controllers and the paths to it hold several contents and their complements
under full traffic; a wrong word is named with its offset, what was written and what was read.

Does not prove: which chip holds an offset (offsets are those of buffers); memory the driver keeps; what a march shows
about neighbouring cells, for within a dispatch the card's scheduler orders the words.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from burnin.calc.graphics_words import MIX_CODE
from burnin.calc.splitmix import derive
from burnin.errors import BurninError
from burnin.host.card_facts import CardFacts, card_facts
from burnin.host.card_memory import KEEP_BYTES, CardMemory, Sweep, WrongWord
from burnin.host.clock import RealClock
from burnin.host.wgpu_door import Card, Ticket, open_card
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_IN_FLIGHT: Final = 3
_BATCH_S: Final = 0.02
_SOFTWARE_BYTES: Final = 48 << 20
_SHARED_SHARE: Final = 0.5
_PROBE_BYTES: Final = 32 << 20
_PLANTED: Final = ((0, 0x1), (1 << 12, 0x80000000), ((1 << 20) - 4, 0xFFFFFFFF))
"""Offsets and masks of the words planted before the first sweep."""

SPEC: Final = LoadSpec(
    title="Graphics memory written, read back and turned round",
    proves="The graphics memory covered holds several contents and their complements under full traffic.",
    does_not_prove="Memory the driver keeps; which chip holds an offset; order of cells within a dispatch.",
    resource="graphics",
    unit="GB",
    params=(
        Param(name="card", default=0, about="Number of the card, from 0; software renderers last.", low=0),
        Param(name="most_mib", default=0, about="Most memory to cover, MiB; 0 takes all there is.", low=0),
        Param(name="buffer_mib", default=0, about="Size of one buffer, MiB; 0 fits it to the card.", low=0),
    ),
    per_core=False,
    finest_step_s=0.02,
    longest_finish_s=5.0,
    needs="a graphics card with a Vulkan driver, and the extra 'gpu'",
)


class _Session:
    """An opened load.

    Args:
        card: The card.
        memory: The buffers.
        facts: What the driver says about the card.
        seed: Seed of the contents.
        budget_s: Length of a step.
    """

    def __init__(
        self, card: Card, memory: CardMemory, *, facts: CardFacts, seed: int, budget_s: float
    ) -> None:
        self._card, self.memory, self._facts, self._seed = card, memory, facts, seed
        self._budget_s, self._clock = budget_s, RealClock()
        self._pass, self._done, self._step, self._finished = 0, 0, 0, 0
        self._flying: deque[tuple[Ticket, int]] = deque()
        self._per_batch = 1
        self._fill()
        self.planted_found = self._try_planted()
        self._calibrate()

    @property
    def notes(self) -> dict[str, Scalar]:
        """The card, how much is covered, and what was tried before the first sweep."""
        total = self._facts.memory_bytes
        share: Scalar = (
            round(self.memory.total_bytes / total, 4) if total else "not known: " + self._facts.why
        )
        return {
            "resource": "graphics",
            "card": self._card.facts.name,
            "adapter": self._card.facts.kind,
            "driver": self._card.facts.driver,
            "bytes": self.memory.total_bytes,
            "buffers": len(self.memory.buffers),
            "share_of_graphics_memory": share,
            "planted_words_found": self.planted_found,
        }

    def step(self) -> StepResult:
        """Check and rewrite buffers until the step's time is used up."""
        faults: list[Fault] = []
        stop_ns = self._clock.mono_ns() + int(self._budget_s * 1e9)
        checked = 0
        while True:
            while len(self._flying) < _IN_FLIGHT:
                self._send_next()
            checked += self._take(faults)
            if self._clock.mono_ns() >= stop_ns:
                return self._result(checked, faults, settled=False)

    def finish(self) -> StepResult:
        """Read back what is written and not yet read, a batch at a time."""
        faults: list[Fault] = []
        checked = 0
        while self._flying:
            checked += self._take(faults)
        count = len(self.memory.buffers)
        numbers = list(range(self._finished, min(self._finished + self._per_batch, count)))
        written = set(self._order()[: self._done])
        for number in numbers:
            key, inverse = self._content(self._pass if number in written else self._pass - 1)
            sweep = Sweep(old_key=key, old_inverse=inverse, new_key=0, new_inverse=False, write=False)
            self._flying.append((self.memory.send([number], sweep), self.memory.sizes[number]))
            checked += self._take(faults)
        self._finished += len(numbers)
        return self._result(checked, faults, settled=self._finished >= count)

    def close(self) -> None:
        """Give the card back."""
        self._card.close()

    def _content(self, number: int) -> tuple[int, bool]:
        """Return key and complement of the content of a pass; every second pass turns the one before round."""
        return derive(self._seed, max(0, number) // 2) & 0xFFFFFFFF, number % 2 == 1

    def _order(self) -> list[int]:
        """Return the buffers in the order of this pass: upward and downward in turn."""
        numbers = list(range(len(self.memory.buffers)))
        return numbers if self._pass % 2 == 0 else numbers[::-1]

    def _sweep(self, *, check: bool = True) -> Sweep:
        old, new = self._content(self._pass - 1), self._content(self._pass)
        return Sweep(
            old_key=old[0],
            old_inverse=old[1],
            new_key=new[0],
            new_inverse=new[1],
            check=check,
            down=self._pass % 2 == 1,
        )

    def _fill(self) -> None:
        """Write the first content everywhere, one buffer at a time: the first touch is slow."""
        for number in range(len(self.memory.buffers)):
            self.memory.received(self.memory.send([number], self._sweep(check=False)))
        self._pass = 1

    def _try_planted(self) -> int:
        """Turn some words and return how many of them a reading sweep finds; then put them right."""
        key, inverse = self._content(0)
        look = Sweep(old_key=key, old_inverse=inverse, new_key=key, new_inverse=inverse)
        last = len(self.memory.buffers) - 1
        places = [(0 if turn % 2 else last, offset, mask) for turn, (offset, mask) in enumerate(_PLANTED)]
        before = {
            (number, offset): self.memory.plant(number, offset, mask) for number, offset, mask in places
        }
        wrong = [
            word for number in {0, last} for word in self.memory.received(self.memory.send([number], look))[1]
        ]
        found = {(word.buffer, word.offset): (word.expected, word.found) for word in wrong}
        named = sum(
            found.get((number, offset)) == (before[number, offset], before[number, offset] ^ mask)
            for number, offset, mask in places
        )
        if named < len(places):
            raise BurninError(
                f"graphics_memory: {self._card.facts.name} found {named} of {len(places)} words planted in its memory, so "
                "its comparison proves nothing",
                slug="no_graphics",
                hint="Another driver may help; the card may be faulty.",
            )
        return named

    def _calibrate(self) -> None:
        """Set how many buffers a batch sweeps, so that it takes about 20 ms."""
        key, inverse = self._content(0)
        look = Sweep(old_key=key, old_inverse=inverse, new_key=key, new_inverse=inverse)
        for _ in range(3):
            start_ns = self._clock.mono_ns()
            span_ms = self.memory.received(self.memory.send([0], look))[2]
            span_s = (self._clock.mono_ns() - start_ns) / 1e9 if span_ms is None else span_ms / 1e3
        self._per_batch = max(1, min(len(self.memory.buffers), int(_BATCH_S / max(span_s, 1e-4))))

    def _send_next(self) -> None:
        order = self._order()
        numbers = order[self._done : self._done + self._per_batch]
        size = sum(self.memory.sizes[number] for number in numbers)
        self._flying.append((self.memory.send(numbers, self._sweep()), size))
        self._done += len(numbers)
        if self._done >= len(order):
            self._pass, self._done = self._pass + 1, 0

    def _take(self, faults: list[Fault]) -> int:
        """Wait for the oldest batch; return the bytes it checked."""
        ticket, size = self._flying.popleft()
        count, wrong, _ = self.memory.received(ticket)
        faults += [self._fault(word, count) for word in wrong]
        return size

    def _fault(self, word: WrongWord, count: int) -> Fault:
        values: dict[str, Scalar] = {
            "card": self._card.facts.name,
            "buffer": word.buffer,
            "offset": f"0x{word.offset:x}",
            "expected": f"0x{word.expected:08x}",
            "found": f"0x{word.found:08x}",
            "xor": f"0x{word.expected ^ word.found:08x}",
            "wrong_words": count,
        }
        return Fault(kind="memory_word", step=self._step, values=values)

    def _result(self, checked: int, faults: list[Fault], *, settled: bool) -> StepResult:
        self._step += 1
        return StepResult(amount=checked / 1e9, faults=tuple(faults[:16]), settled=settled)


class _GraphicsMemory:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Take the memory, fill it, and see planted words found.

        Raises:
            BurninError: there is no such card, it gives no memory, or it does not find planted words.
        """
        card = open_card(int(params.get("card", 0)))
        facts = card_facts(card.facts)
        most = int(params.get("most_mib", 0)) << 20
        if not most and card.facts.kind == "card":
            most = max(0, facts.free_bytes - KEEP_BYTES)
        elif not most:
            most = _SOFTWARE_BYTES if card.facts.software else int(context.memory_bytes * _SHARED_SHARE)
        size = (int(params.get("buffer_mib", 0)) << 20) or (
            16 << 20 if card.facts.kind != "card" else card.most_binding_bytes
        )
        memory = CardMemory(card, mix_code=MIX_CODE, most_bytes=most, buffer_bytes=size)
        if not memory.buffers:
            raise BurninError(
                f"graphics_memory: {card.facts.name} gave no memory",
                slug="load_memory",
                hint="Close programs that use the graphics card.",
            )
        return _Session(
            card, memory, facts=facts, seed=derive(context.seed, 23), budget_s=0.9 * context.step_budget_s
        )


PLUGIN = _GraphicsMemory()
