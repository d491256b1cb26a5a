from __future__ import annotations

import pytest

from burnin.errors import InputError, Unreadable
from burnin.host.clock import RealClock
from burnin.host.open import open_host
from burnin.host.real import RealHost
from burnin.host.recorded import RecordedHost


@pytest.fixture
def host(tmp_path):
    (tmp_path / "proc").mkdir()
    (tmp_path / "proc/version").write_text("recorded\n")
    return RecordedHost(str(tmp_path))


def test_nothing_of_the_live_machine_leaks_in(host):
    assert (host.kind, host.system, host.with_rights, host.live) == ("recorded tree", "Linux", False, None)
    assert host.read("/proc/version") == b"recorded\n"
    assert host.names("/proc") == ("version",)
    assert host.names("/sys/class") == ()
    assert host.resolve("/proc/../proc/version") == "/proc/version"
    with pytest.raises(Unreadable, match="not there"):
        host.read("/proc/cpuinfo")


def test_it_runs_no_commands(host):
    with pytest.raises(Unreadable, match="runs no commands"):
        host.run(["true"], timeout_s=1.0)


def test_it_keeps_files_and_has_a_clock(host):
    kept = host.keep_open("/proc/version")
    assert kept.read() == b"recorded\n"
    kept.close()
    assert isinstance(host.clock, RealClock)


def test_a_given_clock_is_used(tmp_path, host):
    clock = RealClock()
    assert RecordedHost(str(tmp_path), clock=clock).clock is clock


def test_a_folder_that_is_no_machine_is_refused_with_what_to_do(tmp_path):
    (tmp_path / "stuff").mkdir()
    with pytest.raises(InputError) as caught:
        RecordedHost(str(tmp_path / "stuff"))
    assert caught.value.slug == "tree-missing"
    assert "expected a recorded machine tree" in caught.value.message
    assert caught.value.hint


def test_a_tree_with_sys_alone_will_do(tmp_path):
    (tmp_path / "tree/sys").mkdir(parents=True)
    assert isinstance(open_host(str(tmp_path / "tree")), RecordedHost)


def test_the_root_means_this_machine():
    assert isinstance(open_host("/"), RealHost)
