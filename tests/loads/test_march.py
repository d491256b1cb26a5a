from __future__ import annotations

import ctypes

import numpy as np
import pytest

from burnin.calc.march import MARCHES, march_named, walk
from burnin.loads import march


class Recorder:
    """Stands for the memory and writes down every access.

    Args:
        memory: The real one.
    """

    def __init__(self, memory) -> None:
        self.memory, self.seen = memory, []

    def __setitem__(self, place, value):
        self.seen.append(("w", place, value))
        self.memory[place] = value

    def __getitem__(self, place):
        self.seen.append(("r", place, self.memory[place]))
        return self.memory[place]

    def release(self):
        self.memory.release()


def ticking(session) -> None:
    """Let every look at the clock be one nanosecond later, so that a step is short."""
    ticks = iter(range(10**9))
    session._clock = type("Ticks", (), {"mono_ns": lambda self: next(ticks)})()


@pytest.mark.parametrize("name", [test.name for test in MARCHES])
def test_touches_words_in_exactly_the_order_of_the_test(name, open_small):
    session = open_small("march", params={"march": name, "cells": 20}, step_budget_s=1e-9)
    ticking(session)
    session._cell = Recorder(session._cell)
    while session._round < 1:
        session.step()
    background = session._values[0] if session._round == 0 else 0
    expected = [
        ("w" if sweep.op.writes else "r", sweep.first * 520, (2**64 - 1) * sweep.op.value ^ background)
        for sweep in walk(march_named(name), cells=20)
    ]
    assert session._cell.seen[: len(expected)] == expected


@pytest.mark.parametrize("block", [1, 8])
def test_a_stuck_word_is_named(block, open_small):
    session = open_small("march", params={"cells": 64, "block": block}, step_budget_s=1e-9)
    ticking(session)
    session.step()  # begins a round
    for _ in range(8 if block == 8 else 1):
        session.step()  # the first element writes all cells
    place = 40 * session._stride
    ctypes.c_uint64.from_address(session._words.ctypes.data + 8 * place).value ^= 1 << 20
    faults = [fault for _ in range(20) for fault in session.step().faults]
    (fault,) = faults
    assert fault.kind == "memory_word"
    assert fault.values["address"] == f"0x{session._words.ctypes.data + 8 * place:x}"
    assert fault.values["xor"] == "0x0000000000100000"
    assert "March C-" in fault.values["pattern"]


def test_many_wrong_words_are_counted(open_small):
    session = open_small("march", params={"cells": 64, "block": 64}, step_budget_s=1e-9)
    ticking(session)
    session.step()  # begins a round
    session.step()  # writes all
    session._words[:40] ^= np.uint64(1)
    result = session.step()
    assert len(result.faults) == 16
    assert result.faults[-1].values["further"] == 24


def test_backgrounds_and_places_change_from_round_to_round(open_small):
    session = open_small("march", params={"cells": 16})
    seen = set()
    for _ in range(10):
        session._next_round()
        seen.add((session._values[0], session._base))
    assert len(seen) == 10


def test_finish_goes_to_the_end_of_the_test_that_runs(open_small):
    session = open_small("march", params={"cells": 64}, step_budget_s=1e-9)
    ticking(session)
    assert session.finish().settled  # nothing has begun
    session.step()
    session.step()
    done = 0.0
    for _ in range(100):
        result = session.finish()
        done += result.amount
        if result.settled:
            break
    assert result.settled
    assert done == pytest.approx((640 - 64) / 1e6)
    assert march.PLUGIN.spec.unit == "million operations"
