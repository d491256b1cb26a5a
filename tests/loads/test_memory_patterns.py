from __future__ import annotations

import ctypes

import numpy as np
import pytest

from burnin.calc.memory_content import KINDS
from burnin.calc.raw_blocks import view_words
from burnin.errors import BurninError
from burnin.loads import memory_patterns
from burnin.loads.memory_patterns import PLUGIN
from burnin.plugin.contracts import LoadContext

MIB = 1 << 20


def filled(open_small, **params):
    """A region of 3 MiB, written once by opening it; each step handles one piece."""
    return open_small("memory_patterns", params=params, step_budget_s=1e-9)


def run_pass(session) -> list:
    return [fault for _ in range(3) for fault in session.step().faults]


def test_all_is_written_before_any_is_read(open_small, monkeypatch):
    order = []
    real_write, real_check = memory_patterns._Session._write, memory_patterns._Session._check
    monkeypatch.setattr(
        memory_patterns._Session, "_write", lambda self, piece: (order.append("w"), real_write(self, piece))
    )
    monkeypatch.setattr(
        memory_patterns._Session, "_check", lambda self, *what: (order.append("r"), real_check(self, *what))
    )
    session = open_small("memory_patterns", step_budget_s=1e-9)
    assert order == ["w"] * 3
    assert [session.step().amount for _ in range(3)] == [MIB / 1e9] * 3
    assert order == ["w"] * 3 + ["r", "w"] * 3


@pytest.mark.parametrize("pattern", KINDS)
@pytest.mark.parametrize("complement", [False, True])
def test_a_flipped_bit_is_named(pattern, complement, open_small):
    session = filled(open_small, pattern=pattern)
    if complement:
        assert run_pass(session) == []
    address = session._region.address + 2 * MIB + 8 * 1000
    cell = ctypes.c_uint64.from_address(address)
    right = cell.value
    cell.value ^= 1 << 37
    (fault,) = run_pass(session)
    assert fault.kind == "memory_word"
    assert fault.values["address"] == f"0x{address:x}"
    assert fault.values["expected"] == f"0x{right:016x}"
    assert fault.values["found"] == f"0x{right ^ (1 << 37):016x}"
    assert fault.values["xor"] == "0x0000002000000000"
    assert fault.values["offset"] == f"0x{2 * MIB + 8000:x}"
    assert fault.values["pattern"] == (f"{pattern}, complement" if complement else pattern)
    assert fault.values["read_again"] == fault.values["found"]
    assert run_pass(session) == []


def test_passes_go_up_and_down_in_turn(open_small):
    session = filled(open_small)
    order = []
    real = session._write
    session._write = lambda piece: (order.append(piece), real(piece))
    for _ in range(6):
        session.step()
    assert order == [2, 1, 0, 0, 1, 2]


def test_many_wrong_words_are_counted(open_small):
    session = filled(open_small)
    view_words(session._region.address, 8 * 50)[...] ^= np.uint64(1)
    faults = run_pass(session)
    assert len(faults) == 16
    assert faults[-1].values["further"] == 34
    assert run_pass(session) == []


def test_a_word_that_reads_right_the_second_time_is_reported_so(open_small, monkeypatch):
    session = filled(open_small)
    address = session._region.address + MIB
    ctypes.c_uint64.from_address(address).value ^= 1
    real = memory_patterns.compare

    def mends_itself(*args, **kwargs):
        changes = real(*args, **kwargs)
        ctypes.c_uint64.from_address(address).value ^= 1
        return changes

    monkeypatch.setattr(memory_patterns, "compare", mends_itself)
    (fault,) = run_pass(session)
    assert fault.values["read_again"] == "as written"


def test_a_flip_in_the_tile_is_no_flip_in_the_region(open_small):
    session = open_small("memory_patterns", params={"pattern": "tile"}, step_budget_s=1e-9)
    session.step()
    session._new.tile.values[77] ^= np.uint64(4)
    session._advance([])  # a piece is written from the changed tile
    (fault,) = session.step().faults
    assert fault.values["buffer"] == "tile"
    assert run_pass(session) == []
    assert run_pass(session) == []


@pytest.mark.parametrize("steps", [0, 1, 3, 5])
def test_finish_checks_everything_that_is_written(steps, open_small):
    session = open_small("memory_patterns", step_budget_s=1e-9)
    for _ in range(steps):
        session.step()
    written = 3
    for piece in range(written):
        ctypes.c_uint64.from_address(session._region.address + piece * MIB + 80).value ^= 1 << 5
    session._context = LoadContext(seed=1, memory_bytes=16 * MIB, step_budget_s=1.0)
    results = [session.finish()]
    assert results[-1].settled
    assert results[-1].amount == pytest.approx(written * MIB / 1e9)
    assert len(results[-1].faults) == written


def test_a_step_and_a_finish_go_on_while_there_is_time(open_small):
    session = open_small("memory_patterns", step_budget_s=0.02)
    assert session.step().amount > 0
    assert session.finish().settled


def test_finish_goes_on_piece_by_piece(open_small):
    session = filled(open_small)
    assert [session.finish().settled for _ in range(4)] == [False, False, True, True]


def test_a_rate_that_memory_cannot_have_is_a_fault(open_small):
    session = open_small("memory_patterns", step_budget_s=1e-9, dram_limit_gb_s=0.001)
    (fault,) = run_pass(session)
    assert fault.kind == "rate_implausible"
    assert fault.values["rate_gb_s"] > fault.values["limit_gb_s"] == 0.001


def test_notes_say_what_is_covered(open_small):
    notes = filled(open_small).notes
    assert notes["bytes"] == 3 * MIB
    assert int(notes["last_address"], 16) - int(notes["first_address"], 16) == 3 * MIB - 1
    assert int(notes["first_address"], 16) % (2 * MIB) == 0
    assert notes["locked"].startswith(("locked", "not locked"))


@pytest.mark.parametrize(
    ("cache", "instances", "memory", "fits"),
    [
        (0, 1, 10, True),
        (1, 1, 15, False),
        (1, 1, 16, True),
        (8, 8, 23, False),
        (8, 8, 24, True),
        (1, 2, 12, True),
    ],
)
def test_at_least_eight_caches_are_covered_together(cache, instances, memory, fits):
    context = LoadContext(seed=1, memory_bytes=memory * MIB, cache_bytes=cache * MIB, instances=instances)
    if fits:
        PLUGIN.open(context, {}).close()
        return
    with pytest.raises(BurninError, match=f"cache of {cache} MiB") as caught:
        PLUGIN.open(context, {})
    assert caught.value.slug == "load_memory"


def test_the_system_may_give_no_memory(monkeypatch):
    def refuse(*args, **kwargs):
        raise OSError(12, "Cannot allocate memory")

    monkeypatch.setattr(memory_patterns.mmap, "mmap", refuse)
    with pytest.raises(BurninError, match="gave no"):
        PLUGIN.open(LoadContext(seed=1), {})


def test_works_without_large_pages_and_locks(open_small, monkeypatch):
    def none(name):
        raise OSError

    monkeypatch.delattr(memory_patterns.mmap, "MADV_HUGEPAGE")
    monkeypatch.setattr(memory_patterns.ctypes, "CDLL", none)
    notes = open_small("memory_patterns").notes
    assert notes["large_pages"] == "not on this system"
    assert notes["locked"] == "not locked: not on this system"


def test_says_that_the_system_refused(open_small, monkeypatch):
    class Refusing(memory_patterns.mmap.mmap):
        def madvise(self, *args):
            raise OSError

    class Library:
        class mlock2:  # noqa: N801 - the library's name
            argtypes = ()

            def __new__(cls, *args):
                return -1

    monkeypatch.setattr(memory_patterns.mmap, "mmap", Refusing)
    monkeypatch.setattr(memory_patterns.ctypes, "CDLL", lambda name: Library)
    notes = open_small("memory_patterns").notes
    assert notes["large_pages"] == "refused"
    assert notes["locked"].startswith("not locked: needs")


def test_physical_addresses_come_from_the_kernels_table(tmp_path, monkeypatch):
    table = tmp_path / "pagemap"
    entries = np.array([0, (1 << 63) | 0x1234, 1 << 63], dtype="<u8")
    table.write_bytes(entries.tobytes())
    monkeypatch.setattr(memory_patterns, "_PAGEMAP", str(table))
    page = memory_patterns.mmap.PAGESIZE
    assert memory_patterns._physical(page + 24) == f"0x{0x1234 * page + 24:x}"
    assert memory_patterns._physical(2 * page) == "not readable without administrator's rights"
    monkeypatch.setattr(memory_patterns, "_PAGEMAP", str(tmp_path / "none"))
    assert memory_patterns._physical(page) == "not readable"
