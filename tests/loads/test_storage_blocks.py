from __future__ import annotations

import os

import numpy as np
import pytest

from burnin.calc.memory_content import BLOCK_BYTES
from burnin.errors import BurninError
from burnin.loads import storage_blocks
from burnin.loads.storage_blocks import PLUGIN
from burnin.plugin.contracts import Load, LoadContext


@pytest.fixture
def opened(tmp_path):
    sessions = []

    def opener(**params):
        context = LoadContext(seed=1, scratch=tmp_path, step_budget_s=1e-9)
        sessions.append(PLUGIN.open(context, {"most_mib": 1} | params))
        return sessions[-1]

    yield opener
    for session in sessions:
        session.close()


def spoil(session, block: int) -> None:
    """Turn one bit of a block of the file."""
    session._file.read(block)
    session._file.words[100] ^= np.uint64(1 << 9)
    session._file.write(block)


def test_fits_the_contract(opened):
    session = opened()
    assert isinstance(PLUGIN, Load)
    assert session.notes["bytes"] == 1 << 20
    assert session.notes["reads"] in ("direct", "through the system's cache")


def test_writes_reads_in_order_then_at_random_then_the_complement(opened):
    session = opened()
    phases, orders = [], []
    for _ in range(13):
        assert not session.step().faults
        phases.append(session._phase)
        orders.append(int(session._order[session._done - 1]))
    assert phases == [0] * 4 + [1] * 4 + [2] * 4 + [0]
    assert orders[4:8] == [0, 1, 2, 3]
    assert sorted(orders[8:12]) == [0, 1, 2, 3]
    assert session.notes["rounds"] == 1
    assert session._content.complement


@pytest.mark.parametrize("steps", [4, 8])
def test_a_changed_block_is_named(steps, opened):
    session = opened()
    for _ in range(steps):
        session.step()
    spoil(session, 2)
    faults = [fault for _ in range(4) for fault in session.step().faults]
    (fault,) = faults
    assert fault.kind == "storage_block"
    assert fault.values["block"] == 2
    assert fault.values["file_offset"] == f"0x{2 * BLOCK_BYTES + 800:x}"
    assert fault.values["xor"] == "0x0000000000000200"
    assert fault.values["read_again"] == "wrong again"
    assert "address" not in fault.values


def test_a_block_that_reads_right_the_second_time_is_reported_so(opened, monkeypatch):
    session = opened()
    for _ in range(4):
        session.step()
    real, count = session._file.read, iter(range(99))

    def once_wrong(block):
        real(block)
        if next(count) == 0:
            session._file.words[0] ^= np.uint64(1)

    monkeypatch.setattr(session._file, "read", once_wrong)
    (fault,) = session.step().faults
    assert fault.values["read_again"] == "as written"


@pytest.mark.parametrize("steps", [0, 2, 4, 6])
def test_finish_reads_what_is_written_and_not_yet_read(steps, opened):
    session = opened()
    for _ in range(steps):
        session.step()
    if steps:
        spoil(session, 1 if steps < 6 else 3)
    faults = []
    for _ in range(9):
        result = session.finish()
        faults += result.faults
        if result.settled:
            break
    assert result.settled
    assert len(faults) == (1 if steps else 0)


def test_an_error_of_the_drive_is_a_fault_and_the_load_goes_on(opened, monkeypatch):
    session = opened()
    for _ in range(4):
        session.step()

    def broken(block):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(session._file, "read", broken)
    (fault,) = session.step().faults
    assert fault.kind == "storage_error"
    assert fault.values == {"at": "read in order", "found": "Input/output error"}
    results = [session.finish() for _ in range(4)]
    assert [result.settled for result in results] == [False, False, True, True]


def test_a_short_read_is_an_error(opened):
    session = opened()
    for _ in range(4):
        session.step()
    os.truncate(session._file.descriptor, BLOCK_BYTES // 2)
    (fault,) = session.step().faults
    assert "bytes read" in fault.values["found"]


def test_the_file_is_gone_even_while_it_is_in_use(opened, tmp_path):
    session = opened()
    session.step()
    assert list(tmp_path.iterdir()) == []
    assert session.notes["removed_with_the_process"] is True


def test_a_system_that_keeps_names_gets_its_file_removed_at_the_end(tmp_path, monkeypatch):
    real = storage_blocks.Path.unlink
    calls = iter(range(9))

    def in_use(self, missing_ok=False):
        if next(calls) == 0:
            raise PermissionError
        real(self, missing_ok=missing_ok)

    monkeypatch.setattr(storage_blocks.Path, "unlink", in_use)
    session = PLUGIN.open(LoadContext(seed=1, scratch=tmp_path), {"most_mib": 1})
    assert session.notes["removed_with_the_process"] is False
    assert len(list(tmp_path.iterdir())) == 1
    session.close()
    assert list(tmp_path.iterdir()) == []


def test_works_without_direct_access_and_other_niceties(tmp_path, monkeypatch):
    for name in ("O_DIRECT", "posix_fallocate", "readv", "posix_fadvise"):
        monkeypatch.delattr(storage_blocks.os, name)
    session = PLUGIN.open(LoadContext(seed=1, scratch=tmp_path, step_budget_s=1e-9), {"most_mib": 1})
    assert session.notes["reads"] == "through the system's cache"
    assert not [fault for _ in range(12) for fault in session.step().faults]
    session.close()


def test_a_file_system_may_refuse_direct_access(tmp_path, monkeypatch):
    real = os.open

    def refusing(path, flags, *args, **kwargs):
        if flags & os.O_DIRECT:
            raise OSError(22, "Invalid argument")
        return real(path, flags, *args, **kwargs)

    monkeypatch.setattr(storage_blocks.os, "open", refusing)
    session = PLUGIN.open(LoadContext(seed=1, scratch=tmp_path), {"most_mib": 1})
    assert session.notes["reads"] == "through the system's cache"
    session.close()


def test_never_more_than_the_share_of_free_space(tmp_path, monkeypatch):
    monkeypatch.setattr(
        storage_blocks.shutil, "disk_usage", lambda path: type("Usage", (), {"free": 10 << 20})()
    )
    session = PLUGIN.open(LoadContext(seed=1, scratch=tmp_path), {"share": 0.1})
    assert session.notes["bytes"] == 1 << 20
    session.close()
    monkeypatch.setattr(
        storage_blocks.shutil, "disk_usage", lambda path: type("Usage", (), {"free": 100 << 10})()
    )
    with pytest.raises(BurninError, match="less than one block"):
        PLUGIN.open(LoadContext(seed=1, scratch=tmp_path), {})


def test_says_why_there_is_no_file(tmp_path, monkeypatch):
    with pytest.raises(BurninError, match="no folder"):
        PLUGIN.open(LoadContext(seed=1), {})
    with pytest.raises(BurninError, match="No such file"):
        PLUGIN.open(LoadContext(seed=1, scratch=tmp_path / "none"), {})

    def full(descriptor, count):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(storage_blocks, "_reserve", full)
    with pytest.raises(BurninError, match="No space left"):
        PLUGIN.open(LoadContext(seed=1, scratch=tmp_path), {"most_mib": 1})
    assert list(tmp_path.iterdir()) == []


def test_a_step_goes_on_while_there_is_time(tmp_path):
    context = LoadContext(seed=1, scratch=tmp_path, step_budget_s=0.05)
    session = PLUGIN.open(context, {"most_mib": 1})
    assert session.step().amount > BLOCK_BYTES / 1e9
    session.close()
