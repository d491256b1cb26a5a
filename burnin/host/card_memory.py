"""Most of a graphics card's memory as a row of buffers, and sweeps over them that check and rewrite every word."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from burnin.host.wgpu_door import Card, Ticket

MOST_RECORDS: Final = 64
"""Wrong words described for each batch; further ones are counted."""

_GROUPS: Final = 4096
_SMALLEST_BYTES: Final = 16 << 20
_SLOWER: Final = 6.0
"""A buffer so many times slower than the fastest lies in the machine's memory, behind the link."""

KEEP_BYTES: Final = 288 << 20
"""Graphics memory given back for the driver and a desktop: less made later requests fail on the card seen."""

SWEEP_CODE: Final = """
struct Found { count: atomic<u32>, pad: vec3<u32>, records: array<vec4<u32>> }
@group(0) @binding(0) var<storage, read_write> words: array<vec4<u32>>;
@group(0) @binding(1) var<storage, read> place: array<u32>;   // buffer number, vectors
@group(0) @binding(2) var<storage, read> sweep: array<u32>;   // old key, old inverse, new key, new inverse, what, down
@group(0) @binding(3) var<storage, read_write> found: Found;
MIX
fn report(at: u32, expected: vec4<u32>, seen: vec4<u32>) {
  for (var i = 0u; i < 4u; i++) {
    if (expected[i] != seen[i]) {
      let slot = atomicAdd(&found.count, 1u);
      if (slot < MOSTu) { found.records[slot] = vec4<u32>(place[0], at * 4u + i, expected[i], seen[i]); }
    }
  }
}
@compute @workgroup_size(256)
fn main(@builtin(global_invocation_id) id: vec3<u32>, @builtin(num_workgroups) size: vec3<u32>) {
  let stride = size.x * 256u;
  let count = place[1];
  let what = sweep[4];
  for (var i = id.x; i < count; i += stride) {
    var at = i;
    if (sweep[5] == 1u) { at = count - 1u - i; }
    if ((what & 1u) == 1u) {
      let expected = content(at, place[0], sweep[0], sweep[1]);
      let seen = words[at];
      if (any(expected != seen)) { report(at, expected, seen); }
    }
    if ((what & 2u) == 2u) { words[at] = content(at, place[0], sweep[2], sweep[3]); }
  }
}
""".replace("MOST", str(MOST_RECORDS))


@dataclass(frozen=True, kw_only=True)
class WrongWord:
    """One word that did not hold what was written.

    Attributes:
        buffer: Number of the buffer.
        offset: Byte offset in it.
        expected: What was written.
        found: What was read.
    """

    buffer: int
    offset: int
    expected: int
    found: int


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """What is expected and what is written by one sweep.

    Attributes:
        old_key: Key of the content expected.
        old_inverse: Whether its complement is expected.
        new_key: Key of the content written.
        new_inverse: Whether its complement is written.
        check: Read and compare.
        write: Write.
        down: From the last word to the first.
    """

    old_key: int
    old_inverse: bool
    new_key: int
    new_inverse: bool
    check: bool = True
    write: bool = True
    down: bool = False

    def words(self) -> list[int]:
        """Return it as the kernel reads it."""
        full = 0xFFFFFFFF
        what = (1 if self.check else 0) | (2 if self.write else 0)
        return [
            self.old_key, full * self.old_inverse, self.new_key, full * self.new_inverse, what, int(self.down), 0, 0,
        ]  # fmt: skip


class CardMemory:
    """Buffers over most of a card's memory.

    Args:
        card: The card.
        mix_code: Kernel source of the content, with ``content(at, buffer_number, key, inverse)``.
        most_bytes: Most memory to take, 0 for all there is.
        buffer_bytes: Size of one buffer.
        one_number: Every buffer holds the content of buffer 0, so that copies can be compared.
    """

    def __init__(
        self, card: Card, *, mix_code: str, most_bytes: int, buffer_bytes: int, one_number: bool = False
    ) -> None:
        self._card, self._one_number = card, one_number
        self._kernel = card.kernel(SWEEP_CODE.replace("MIX", mix_code))
        self._sweep = card.storage(32)
        self._result_bytes = 32 + 16 * MOST_RECORDS
        self._found = card.storage(self._result_bytes)
        self.sizes: list[int] = []
        self.buffers: list[Any] = []
        self._bound: list[Any] = []
        self._fastest = 0.0
        self._take(most_bytes, buffer_bytes)

    def _take(self, most_bytes: int, buffer_bytes: int) -> None:
        """Take buffers until ``most_bytes`` are reached, the card refuses, or it hands out something slower."""
        size = min(buffer_bytes, self._card.most_binding_bytes, self._card.most_buffer_bytes) // 4096 * 4096
        while size >= _SMALLEST_BYTES or (most_bytes and size > 0):
            room = most_bytes - sum(self.sizes) if most_bytes else size
            if room < 4096:
                return
            buffer = self._card.try_storage(min(size, room // 4096 * 4096))
            if buffer is None:
                size = size // 2 // 4096 * 4096
                continue
            self.sizes.append(int(buffer.size))
            self.buffers.append(buffer)
            self._bound.append(self._bind(len(self.buffers) - 1))
            if self._card.facts.kind == "card" and self._elsewhere():
                break
        self._leave_room()

    def _elsewhere(self) -> bool:
        """Return whether the newest buffer is so slow that it does not lie in the card's memory; it is given back."""
        look = Sweep(old_key=0, old_inverse=False, new_key=0, new_inverse=False, check=False)
        number = len(self.buffers) - 1
        self.received(self.send([number], look))
        span_ms = self.received(self.send([number], look))[2]
        rate = 0.0 if not span_ms else self.sizes[number] / span_ms
        self._fastest = max(self._fastest, rate)
        if rate * _SLOWER >= self._fastest:
            return False
        self._drop_last()
        return True

    def _drop_last(self) -> int:
        self._bound.pop()
        self.buffers.pop().destroy()
        return self.sizes.pop()

    def _leave_room(self) -> None:
        """Give the last buffers back until the card has room for what else it does."""
        given = 0
        while given < KEEP_BYTES and self.buffers:
            given += self._drop_last()
        again = (
            self._card.try_storage((given - KEEP_BYTES) // 4096 * 4096) if given > KEEP_BYTES + 4096 else None
        )
        if again is not None:
            self.buffers.append(again)
            self.sizes.append(int(again.size))
            self._bound.append(self._bind(len(self.buffers) - 1))

    def _bind(self, number: int) -> Any:
        shown = 0 if self._one_number else number
        place = self._card.filled(np.array([shown, self.sizes[number] // 16, 0, 0], dtype=np.uint32))
        return self._card.bind(self._kernel, self.buffers[number], place, self._sweep, self._found)

    @property
    def total_bytes(self) -> int:
        """Bytes covered."""
        return sum(self.sizes)

    def send(self, numbers: Sequence[int], sweep: Sweep) -> Ticket:
        """Send one sweep over some buffers, in this order."""
        self._card.write(self._sweep, np.array(sweep.words(), dtype=np.uint32))
        batch = self._card.batch(stamps=2)
        batch.clear(self._found)
        batch.run_many(
            self._kernel,
            [(self._bound[number], min(_GROUPS, -(-self.sizes[number] // 4096))) for number in numbers],
            first_stamp=0,
        )
        return batch.send((self._found, self._result_bytes))

    def received(self, ticket: Ticket) -> tuple[int, tuple[WrongWord, ...], float | None]:
        """Wait for a sweep; return how many words were wrong, the first of them, and its time in ms."""
        answer = ticket.wait()
        words = answer.results[0]
        count = int(words[0])
        rows = words[8 : 8 + 4 * min(count, MOST_RECORDS)].reshape(-1, 4)
        wrong = tuple(
            WrongWord(buffer=int(row[0]), offset=4 * int(row[1]), expected=int(row[2]), found=int(row[3]))
            for row in rows
        )
        return count, wrong, answer.span_ms()

    def plant(self, number: int, offset: int, mask: int) -> int:
        """Turn bits of one word, as a fault would; return the word before."""
        before = int(self._card.read(self.buffers[number], offset, 4)[0])
        self._card.write(self.buffers[number], np.array([before ^ mask], dtype=np.uint32), offset)
        return before
