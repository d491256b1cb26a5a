"""March tests on real memory, word by word or block by block, in the order the fault simulator follows.

Proves: that each word of the cells tested takes and keeps both values of every background in the order the test
prescribes, and (word by word) that no access to one of these cells disturbs another of them in that order.

Does not prove: what a march test proves on a bare memory array. Caches answer reads, virtual addresses do not follow
rows and banks, and with blocks larger than one word the order inside a block is no longer that of the test: the
coverage of the block size in use is what the simulator prints for it, not the textbook's.
"""

from __future__ import annotations

import mmap
from collections.abc import Iterator
from typing import Final

import numpy as np

from burnin.calc.march import MARCHES, Op, Sweep, march_named, walk
from burnin.calc.splitmix import MASK, derive
from burnin.errors import BurninError
from burnin.host.clock import RealClock
from burnin.host.protocol import Clock
from burnin.plugin.contracts import Fault, LoadContext, LoadSpec, Param, StepResult
from burnin.records.plan import Scalar

_STRIDE_WORDS: Final = 520
"""Distance of neighbouring cells, word by word: 65 lines of 64 bytes, so that each lies in another page and set."""

_BACKGROUNDS: Final = (0x0, 0x5555555555555555, 0x3333333333333333, 0x0F0F0F0F0F0F0F0F)
"""Words in turn; every fifth round takes a pseudo-random one."""

_SWEEPS_PER_CHECK: Final = 64
"""Word by word, sweeps between two looks at the clock."""

SPEC: Final = LoadSpec(
    title="March tests on real memory",
    proves="Words take and keep both values of each background in the order the test prescribes.",
    does_not_prove="What a march shows on a bare array: caches answer reads and addresses do not follow rows and banks.",
    resource="memory",
    unit="million operations",
    params=(
        Param(
            name="march",
            default="March C-",
            about="Which test.",
            choices=tuple(march.name for march in MARCHES),
        ),
        Param(name="cells", default=8192, about="Cells (words) of a round.", low=16, high=1 << 24),
        Param(
            name="block", default=1, about="Cells handled together; 1 is the true order.", low=1, high=32768
        ),
    ),
    finest_step_s=0.001,
)


class _Session:
    """An opened march load.

    Args:
        name: Name of the test.
        cells: Cells of a round.
        block: Cells handled together.
        context: From the engine.
        clock: Clock for the length of a step.
    """

    def __init__(self, name: str, cells: int, *, block: int, context: LoadContext, clock: Clock) -> None:
        self._march, self._cells, self._block = march_named(name), cells, block
        self._context, self._clock = context, clock
        self._stride = _STRIDE_WORDS if block == 1 else 1
        self._map = mmap.mmap(-1, cells * self._stride * 8)
        self._words = np.frombuffer(self._map, dtype=np.uint64)
        self._cell = memoryview(self._map).cast("Q")
        self._round, self._step, self._further = -1, 0, 0
        self._sweeps: Iterator[Sweep] = iter(())
        self._values = (0, MASK)
        self._base = 0

    @property
    def notes(self) -> dict[str, Scalar]:
        """Test, sizes and addresses."""
        first = int(self._words.ctypes.data)
        return {
            "march": self._march.name,
            "elements": str(self._march),
            "cells": self._cells,
            "block": self._block,
            "stride_words": self._stride,
            "bytes": self._words.nbytes,
            "first_address": f"0x{first:x}",
            "last_address": f"0x{first + self._words.nbytes - 1:x}",
            "rounds": max(0, self._round),
        }

    def step(self) -> StepResult:
        """Go on with the test until the step's time is used up; a new round follows at once."""
        faults: list[Fault] = []
        done = 0
        stop_ns = self._clock.mono_ns() + int(self._context.step_budget_s * 0.9e9)
        while True:
            swept = self._some_sweeps(faults)
            done += swept
            if not swept:
                self._next_round()
            if self._clock.mono_ns() >= stop_ns:
                break
        return self._result(done, faults, settled=False)

    def finish(self) -> StepResult:
        """Go on to the end of the test that runs, so that its last reads are done; begin no other."""
        faults: list[Fault] = []
        done, swept = 0, 1
        stop_ns = self._clock.mono_ns() + int(self._context.step_budget_s * 0.9e9)
        while swept:
            swept = self._some_sweeps(faults)
            done += swept
            if self._clock.mono_ns() >= stop_ns:
                break
        return self._result(done, faults, settled=not swept)

    def close(self) -> None:
        """Give the memory back."""
        self._cell.release()
        self._words = np.empty(0, dtype=np.uint64)
        self._map.close()

    def _result(self, done: int, faults: list[Fault], *, settled: bool) -> StepResult:
        if self._further and faults:
            faults[-1].values["further"] = self._further
        self._further = 0
        self._step += 1
        return StepResult(amount=done / 1e6, faults=tuple(faults), settled=settled)

    def _next_round(self) -> None:
        """Begin the test anew: next background, next place, free elements the other way."""
        self._round += 1
        turn = self._round % (len(_BACKGROUNDS) + 1)
        random_word = derive(self._context.seed, self._context.instance, self._round)
        background = random_word if turn == len(_BACKGROUNDS) else _BACKGROUNDS[turn]
        self._values = (background, background ^ MASK)
        self._base = self._round % self._stride
        upward = (self._round % 2 == 0,) * self._march.free_choices
        self._sweeps = walk(self._march, cells=self._cells, block=self._block, free_upward=upward)

    def _some_sweeps(self, faults: list[Fault]) -> int:
        """Do a few sweeps; return how many operations on cells they were, 0 at the end of the test."""
        done = 0
        for _ in range(_SWEEPS_PER_CHECK if self._block == 1 else 1):
            sweep = next(self._sweeps, None)
            if sweep is None:
                break
            done += sweep.stop - sweep.first
            if self._block == 1:
                self._one_cell(sweep.op, sweep.first, faults)
            else:
                self._one_block(sweep, faults)
        return done

    def _one_cell(self, op: Op, cell: int, faults: list[Fault]) -> None:
        """Do one operation on one word."""
        place, value = self._base + cell * self._stride, self._values[op.value]
        if op.writes:
            self._cell[place] = value
        else:
            found = self._cell[place]
            if found != value:
                self._report(place, value, found, faults)

    def _one_block(self, sweep: Sweep, faults: list[Fault]) -> None:
        """Do one operation on a block of words."""
        block, value = self._words[sweep.first : sweep.stop], np.uint64(self._values[sweep.op.value])
        if sweep.op.writes:
            block.fill(value)
            return
        for place in np.flatnonzero(block != value):
            self._report(sweep.first + int(place), int(value), int(block[place]), faults)

    def _report(self, place: int, expected: int, found: int, faults: list[Fault]) -> None:
        """Report one wrong word, and set it right so that it is reported once."""
        again = self._cell[place]
        self._cell[place] = expected
        if len(faults) >= 16:
            self._further += 1
            return
        values: dict[str, Scalar] = {
            "address": f"0x{int(self._words.ctypes.data) + 8 * place:x}",
            "expected": f"0x{expected:016x}",
            "found": f"0x{found:016x}",
            "xor": f"0x{expected ^ found:016x}",
            "pattern": f"{self._march.name}, background 0x{self._values[0]:016x}",
            "read_again": "as written" if again == expected else f"0x{again:016x}",
        }
        faults.append(Fault(kind="memory_word", step=self._step, values=values))


class _March:
    """The load."""

    spec: LoadSpec = SPEC

    def open(self, context: LoadContext, params: dict[str, Scalar]) -> _Session:
        """Map the memory; touches none of it.

        Raises:
            BurninError: the cells do not fit into the memory allowed.
        """
        name, cells = str(params.get("march", "March C-")), int(params.get("cells", 8192))
        block = min(int(params.get("block", 1)), cells)
        needed = cells * 8 * (_STRIDE_WORDS if block == 1 else 1)
        if needed > context.memory_bytes:
            raise BurninError(
                f"march: {cells} cells need {needed >> 20} MiB; {context.memory_bytes >> 20} MiB allowed",
                slug="load_memory",
                hint="Set fewer cells.",
            )
        return _Session(name, cells, block=block, context=context, clock=RealClock())


PLUGIN = _March()
