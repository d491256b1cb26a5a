from __future__ import annotations

import os
import platform
import sys

import pytest

from burnin.errors import Unreadable
from burnin.host.clock import RealClock
from burnin.host.live import LibraryCalls
from burnin.host.real import RealHost


@pytest.fixture
def host():
    return RealHost()


def test_it_is_this_machine(host):
    assert (host.kind, host.system) == ("this machine", platform.system())
    assert host.with_rights == (os.geteuid() == 0)
    assert isinstance(host.live, LibraryCalls)
    assert isinstance(host.clock, RealClock)
    clock = RealClock()
    assert RealHost(clock=clock).clock is clock


def test_it_reads_files_of_this_machine(host, tmp_path):
    (tmp_path / "file").write_text("here\n")
    assert host.read(f"{tmp_path}/file") == b"here\n"
    assert host.names(str(tmp_path)) == ("file",)
    assert host.resolve(f"{tmp_path}/file") == os.path.realpath(tmp_path / "file")
    kept = host.keep_open(f"{tmp_path}/file")
    assert kept.read() == b"here\n"
    kept.close()


def test_a_command_answers_with_code_and_both_outputs(host):
    code = "import sys; print('out'); print('err', file=sys.stderr); sys.exit(3)"
    result = host.run([sys.executable, "-I", "-S", "-c", code], timeout_s=20.0)
    assert (result.code, result.out, result.err) == (3, b"out\n", b"err\n")


def test_a_command_gets_no_input(host):
    assert host.run(["cat"], timeout_s=5.0).out == b""


def test_commands_that_cannot_answer_are_told_in_plain_words(host, tmp_path):
    with pytest.raises(Unreadable, match="the command is not installed"):
        host.run([f"{tmp_path}/none"], timeout_s=1.0)
    with pytest.raises(Unreadable, match=r"no answer within 0\.05 s"):
        host.run(["sleep", "5"], timeout_s=0.05)
    (tmp_path / "plain").write_text("no program")
    with pytest.raises(Unreadable, match="permission denied"):
        host.run([f"{tmp_path}/plain"], timeout_s=1.0)
