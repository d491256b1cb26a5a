"""Patterns written to a large region of memory, read back, and turned round.

Proves: that the memory given to this load, its controller and the paths to it hold several contents and their
complements, under traffic, for as long as it takes to come back to them; a wrong word is named with its address.

Does not prove: that every cell of a module was used (the system owns the rest), that neighbouring addresses are
neighbouring cells, or what a march test would show; which cells lie behind an address is the system's business.
"""

from __future__ import annotations

import ctypes
import mmap
from typing import Final

import numpy as np

from burnin.calc.memory_content import BLOCK_BYTES, KINDS, Content, content_of_pass
from burnin.calc.raw_blocks import raw_blocks, view_words
from burnin.calc.sealed import Change, compare, reported
from burnin.errors import BurninError
from burnin.host.clock import RealClock
from burnin.host.protocol import Clock
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_OVERHEAD_BYTES: Final = 8 << 20
"""Tiles, a block to work in and room for alignment."""

_HUGE_PAGE_BYTES: Final = 2 << 20
_LOCK_ON_FAULT: Final = 1
_MOST_FAULTS: Final = 16
_PAGEMAP: Final = "/proc/self/pagemap"

SPEC: Final = LoadSpec(
    title="Patterns over most of memory, written, read back and turned round",
    proves="The memory covered holds several contents and their complements under traffic.",
    does_not_prove="Memory the system did not give to this load; faults that need neighbouring cells in a given order.",
    resource="memory",
    unit="GB",
    params=(
        Param(
            name="pattern",
            default="rotation",
            about="What is written; rotation goes through all of them.",
            choices=("rotation", *KINDS),
        ),
        Param(name="piece_mib", default=1, about="Piece checked and rewritten at once, MiB.", choices=(1, 2)),
        Param(
            name="most_mib",
            default=0,
            about="Most memory to cover, MiB (never below what keeps it out of the cache); 0 takes all allowed.",
            low=0,
        ),
    ),
    finest_step_s=0.002,
    longest_finish_s=60.0,
)


class _Region:
    """One private mapping, aligned to large pages.

    Args:
        count: Bytes, a multiple of the block size.
    """

    def __init__(self, count: int) -> None:
        private = {"flags": mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS} if hasattr(mmap, "MAP_PRIVATE") else {}
        self._map = mmap.mmap(-1, count + _HUGE_PAGE_BYTES, **private)
        start = ctypes.addressof(ctypes.c_char.from_buffer(self._map))
        self.address = -(-start // _HUGE_PAGE_BYTES) * _HUGE_PAGE_BYTES
        self.count = count
        self.large_pages = self._ask_for_large_pages()
        self.locked = self._lock()

    def _ask_for_large_pages(self) -> str:
        if not hasattr(mmap, "MADV_HUGEPAGE"):
            return "not on this system"
        try:
            self._map.madvise(mmap.MADV_HUGEPAGE)
        except OSError:
            return "refused"
        return "asked for"

    def _lock(self) -> str:
        """Lock each page as it is first touched, where rights allow; never touches a page."""
        try:
            lock = ctypes.CDLL(None).mlock2
        except (OSError, TypeError, AttributeError):
            return "not locked: not on this system"
        lock.argtypes = (ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int)
        done = lock(self.address, self.count, _LOCK_ON_FAULT) == 0
        return "locked" if done else "not locked: needs administrator's rights"

    def close(self) -> None:
        """Give the mapping back."""
        self._map.close()


class _Session:
    """An opened memory load.

    Args:
        region: Memory to cover.
        kinds: Contents to go through.
        piece_bytes: Piece checked and rewritten at once.
        context: From the engine.
        clock: Clock for the length of a step and the reading rate.
    """

    def __init__(
        self, region: _Region, kinds: tuple[str, ...], *, piece_bytes: int, context: LoadContext, clock: Clock
    ) -> None:
        self._region, self._kinds, self._piece_bytes = region, kinds, piece_bytes
        self._context, self._clock, self._blocks = context, clock, raw_blocks()
        self._pieces = region.count // piece_bytes
        self._work = np.empty(BLOCK_BYTES // 8, dtype=np.uint64)
        self._old: Content | None = None
        self._new = content_of_pass(0, kinds=kinds, seed=self._seed)
        self._pass, self._done, self._step = 0, 0, 0
        self._finished = 0
        self._read_ns = 0
        self._echoes: set[tuple[int, int]] = set()
        self._further = 0
        self._early: list[Fault] = []

    @property
    def _seed(self) -> int:
        return self._context.seed + self._context.instance

    @property
    def notes(self) -> dict[str, Scalar]:
        """Size, addresses, locking and progress."""
        region = self._region
        return {
            "bytes": region.count,
            "share_of_budget": round(region.count / self._context.memory_bytes, 4),
            "first_address": f"0x{region.address:x}",
            "last_address": f"0x{region.address + region.count - 1:x}",
            "locked": region.locked,
            "large_pages": region.large_pages,
            "piece_bytes": self._piece_bytes,
            "patterns": ",".join(self._kinds),
            "copies_with": self._blocks.name,
            "rounds": max(0, self._pass - 1),
        }

    def fill(self) -> None:
        """Write the whole region once, so that from the first step on every word is waiting to be checked."""
        while self._old is None:
            self._advance(self._early)

    def step(self) -> StepResult:
        """Check and rewrite pieces until the step's time is used up."""
        faults = self._early + self._mend_tiles()
        self._early = []
        stop_ns = self._clock.mono_ns() + int(self._context.step_budget_s * 0.9e9)
        checked = 0
        while True:
            checked += self._advance(faults)
            if self._clock.mono_ns() >= stop_ns:
                break
        faults += self._mend_tiles()
        return self._result(checked, faults, settled=False)

    def finish(self) -> StepResult:
        """Check what is written and not yet read back, until the step's time is used up."""
        faults = self._mend_tiles()
        stop_ns = self._clock.mono_ns() + int(self._context.step_budget_s * 0.9e9)
        checked = 0
        while self._finished < self._pieces:
            content = self._new if self._finished < self._done else self._old
            assert content is not None  # the region was written once before it was handed out
            self._check(self._piece(self._finished), content, faults)
            checked += self._piece_bytes
            self._finished += 1
            if self._clock.mono_ns() >= stop_ns:
                break
        return self._result(checked, faults, settled=self._finished >= self._pieces)

    def close(self) -> None:
        """Give the memory back."""
        self._region.close()

    def _result(self, checked: int, faults: list[Fault], *, settled: bool) -> StepResult:
        if self._further and faults:
            faults[-1].values["further"] = self._further
        self._further = 0
        self._step += 1
        return StepResult(amount=checked / 1e9, faults=tuple(faults), settled=settled)

    def _piece(self, place: int) -> int:
        """Return the number of the piece handled at ``place`` of a pass: upward and downward in turn."""
        return place if self._pass % 2 == 0 else self._pieces - 1 - place

    def _advance(self, faults: list[Fault]) -> int:
        """Check the next piece against the last pass and write it anew; return the bytes checked."""
        piece, checked = self._piece(self._done), 0
        if self._old is not None:
            before = self._clock.mono_ns()
            self._check(piece, self._old, faults)
            self._read_ns += self._clock.mono_ns() - before
            checked = self._piece_bytes
        self._write(piece)
        self._done += 1
        if self._done == self._pieces:
            self._next_pass(faults)
        return checked

    def _next_pass(self, faults: list[Fault]) -> None:
        """Judge the reading rate of the pass that ended and take the next content."""
        if self._old is not None:
            self._judge_rate(faults)
        faults += self._mend_tiles()
        self._pass += 1
        self._old, self._done, self._read_ns = self._new, 0, 0
        self._new = content_of_pass(self._pass, kinds=self._kinds, seed=self._seed)

    def _judge_rate(self, faults: list[Fault]) -> None:
        """Report a pass read faster than the machine's memory can deliver: it cannot have been read."""
        rate_gb_s = self._region.count / max(1, self._read_ns)
        if rate_gb_s > self._context.dram_limit_gb_s:
            values: dict[str, Scalar] = {
                "rate_gb_s": round(rate_gb_s, 1),
                "limit_gb_s": self._context.dram_limit_gb_s,
            }
            faults.append(Fault(kind="rate_implausible", step=self._step, values=values))

    def _write(self, piece: int) -> None:
        """Write the new content into a piece."""
        start = self._region.address + piece * self._piece_bytes
        if self._new.byte is not None:
            self._blocks.fill(start, self._new.byte, self._piece_bytes)
            return
        tile = self._new.tile.values
        for offset in range(0, self._piece_bytes, BLOCK_BYTES):
            key = self._new.key((piece * self._piece_bytes + offset) // BLOCK_BYTES)
            if key is None:
                self._blocks.copy(start + offset, tile.ctypes.data, BLOCK_BYTES)
            else:
                np.bitwise_xor(tile, np.uint64(key), out=view_words(start + offset, BLOCK_BYTES))

    def _check(self, piece: int, content: Content, faults: list[Fault]) -> None:
        """Compare a piece with what was written into it."""
        tile, work = content.tile.values, self._work
        tile_at, work_at = tile.ctypes.data, work.ctypes.data
        start = self._region.address + piece * self._piece_bytes
        for offset in range(0, self._piece_bytes, BLOCK_BYTES):
            block = (piece * self._piece_bytes + offset) // BLOCK_BYTES
            key = content.key(block)
            if key is not None:
                np.bitwise_xor(tile, np.uint64(key), out=work)
            if not self._blocks.equal(start + offset, tile_at if key is None else work_at, BLOCK_BYTES):
                self._locate(block, content, faults)

    def _locate(self, block: int, content: Content, faults: list[Fault]) -> None:
        """Report the wrong words of a block."""
        faults += self._mend_tiles()
        live = view_words(self._region.address + block * BLOCK_BYTES, BLOCK_BYTES)
        expected = content.words(block)
        changes = [c for c in compare("region", expected, live, limit=BLOCK_BYTES) if not self._is_echo(c)]
        room = max(0, _MOST_FAULTS - len(faults))
        self._further += max(0, len(changes) - room)
        for change, values in zip(changes[:room], reported(changes[:room]), strict=True):
            again = int(live[change.index[0]])
            about: dict[str, Scalar] = {
                "pattern": content.name,
                "offset": f"0x{block * BLOCK_BYTES + 8 * change.index[0]:x}",
                "read_again": "as written" if again == change.expected else f"0x{again:016x}",
                "physical": _physical(change.address),
            }
            faults.append(Fault(kind="memory_word", step=self._step, values=values | about))

    def _is_echo(self, change: Change) -> bool:
        """Return whether this word was written from a tile that had changed and is reported already."""
        return (change.index[0], change.expected ^ change.found) in self._echoes

    def _mend_tiles(self) -> list[Fault]:
        """Report and mend changes in the tiles; the words copied from them are known by place and bits."""
        changes = self._new.tile.mend() + (self._old.tile.mend() if self._old else ())
        self._echoes |= {(change.index[0], change.expected ^ change.found) for change in changes}
        return [
            Fault(kind="memory_word", step=self._step, values=values)
            for values in reported(changes, limit=_MOST_FAULTS)
        ]


def _physical(address: int) -> str:
    """Return the physical address behind a virtual one, or why it is not known.

    The format is the kernel's: one 64-bit entry for each page, bits 0-54 the frame number, zero without
    administrator's rights, bit 63 set when the page is present (Documentation/admin-guide/mm/pagemap.rst).
    """
    try:
        with open(_PAGEMAP, "rb", buffering=0) as entries:  # noqa: PTH123 - a kernel file
            entries.seek(address // mmap.PAGESIZE * 8)
            entry = int.from_bytes(entries.read(8), "little")
    except OSError:
        return "not readable"
    frame = entry & ((1 << 55) - 1)
    if not frame:
        return "not readable without administrator's rights"
    return f"0x{frame * mmap.PAGESIZE + address % mmap.PAGESIZE:x}"


class _MemoryPatterns:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Map the memory and write all of it once.

        Raises:
            BurninError: the memory allowed is too small to be sure that memory is read and not a cache.
        """
        pattern, most = str(params.get("pattern", "rotation")), int(params.get("most_mib", 0)) << 20
        piece_bytes = int(params.get("piece_mib", 1)) << 20
        allowed = context.memory_bytes - _OVERHEAD_BYTES
        needed = max(-(-_needed_bytes(context) // piece_bytes) * piece_bytes, piece_bytes)
        count = (min(allowed, max(most, needed)) if most else allowed) // piece_bytes * piece_bytes
        if count < needed:
            raise BurninError(
                f"memory_patterns: {max(0, count) >> 20} MiB allowed for load {context.instance + 1} of "
                f"{context.instances}; at least {-(-needed >> 20)} MiB are needed, so that memory is read and not "
                f"the last-level cache of {context.cache_bytes >> 20} MiB",
                slug="load_memory",
                hint="Close other programs, or let fewer cores run this load.",
            )
        kinds = KINDS if pattern == "rotation" else (pattern,)
        try:
            region = _Region(count)
        except (OSError, ValueError) as error:
            raise BurninError(
                f"memory_patterns: the system gave no {count >> 20} MiB: {error}", slug="load_memory"
            ) from None
        session = _Session(region, kinds, piece_bytes=piece_bytes, context=context, clock=RealClock())
        session.fill()
        return session


def _needed_bytes(context: LoadContext) -> int:
    """Return the least region: 8 times the last-level cache over all instances, and twice for one running alone."""
    together = -(-8 * context.cache_bytes // context.instances)
    return max(together, 2 * context.cache_bytes)


PLUGIN = _MemoryPatterns()
