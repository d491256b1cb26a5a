from __future__ import annotations

import errno
import os

import pytest

from burnin.errors import Unreadable
from burnin.host import kernel_log
from burnin.host.kernel_log import KernelLogCopy, KernelLogFeed, open_kernel_log
from burnin.host.real import RealHost
from burnin.host.simulated import SimulatedHost


def feed(monkeypatch, answers):
    """Return a feed whose device gives one record or error a read, as the kernel does."""
    kept = KernelLogFeed("/dev/null")
    queue = iter(answers)

    def read(*_):
        answer = next(queue)
        if isinstance(answer, OSError):
            raise answer
        return answer

    monkeypatch.setattr(kernel_log.os, "read", read)
    return kept


def test_records_come_until_there_are_no_more(monkeypatch):
    log = feed(monkeypatch, [b"6,1,1,-;a\n", b"6,2,2,-;b\n", BlockingIOError(), b"6,3,3,-;c\n", b""])
    assert log.read() == (b"6,1,1,-;a\n", b"6,2,2,-;b\n")
    assert log.read() == (b"6,3,3,-;c\n",)
    log.close()
    log.close()


def test_records_that_were_overwritten_are_counted(monkeypatch):
    log = feed(monkeypatch, [OSError(errno.EPIPE, "Broken pipe"), b"6,9,9,-;x\n", BlockingIOError()])
    assert log.read() == (b"6,9,9,-;x\n",)
    assert log.lost == 1
    log.close()


def test_a_flood_is_taken_in_several_goes(monkeypatch):
    log = feed(monkeypatch, [b"6,1,1,-;x\n"] * 5001 + [b""])
    assert len(log.read()) == 5000
    assert len(log.read()) == 1
    log.close()


def test_a_device_that_fails_is_told(monkeypatch):
    log = feed(monkeypatch, [OSError(errno.EINVAL, "Invalid argument")])
    with pytest.raises(Unreadable, match="the driver refused the read"):
        log.read()
    log.close()


def test_a_log_that_is_not_there_is_told(tmp_path):
    with pytest.raises(Unreadable, match="not there"):
        KernelLogFeed(f"{tmp_path}/kmsg")


def test_a_copy_gives_what_was_added():
    host = SimulatedHost()
    before = host.read("/dev/kmsg")
    now, whole = open_kernel_log(host), open_kernel_log(host, from_start=True)
    assert isinstance(now, KernelLogCopy)
    assert now.read() == ()
    assert whole.read() == (before.strip(),)
    host.set_file("/dev/kmsg", before + b"4,2,5,-;mce: x\n SUBSYSTEM=cpu\n")
    assert now.read() == whole.read() == (b"4,2,5,-;mce: x", b" SUBSYSTEM=cpu")
    now.close()
    with pytest.raises(Unreadable):
        open_kernel_log(_without_log())


def _without_log():
    host = SimulatedHost()
    host.set_file("/dev/kmsg", None)
    return host


def _readable() -> bool:
    """Return whether the kernel lets this user open its log; the file's mode alone does not tell."""
    try:
        os.close(os.open("/dev/kmsg", os.O_RDONLY | os.O_NONBLOCK))
    except OSError:
        return False
    return True


@pytest.mark.skipif(not _readable(), reason="the kernel's log needs rights here")
def test_this_machines_log_begins_now_or_at_the_oldest_record():
    now, whole = open_kernel_log(RealHost()), open_kernel_log(RealHost(), from_start=True)
    assert isinstance(now, KernelLogFeed)
    assert now.read() == ()
    first = whole.read()[0]
    assert first.split(b";")[0].count(b",") >= 3
    now.close()
    whole.close()
