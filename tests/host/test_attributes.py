"""Reading one-value files through a host."""

from __future__ import annotations

import pytest

from burnin.host.attributes import (
    link_name,
    read_first,
    read_int,
    read_number,
    read_text,
    reason_unread,
)
from burnin.host.recorded import RecordedHost
from burnin.testing.machine_tree import parse_tree, write_tree

TREE = """
text /sys/value = " 42\\n"
text /sys/word = "word\\n"
text /sys/empty = "\\n"
text /sys/half = "1.5\\n"
text /sys/endless = "1e999\\n"
text /sys/hex = "0x1f\\n"
dir /sys/drivers/name
link /sys/driver -> drivers/name
link /sys/broken -> nowhere
"""


@pytest.fixture
def host(tmp_path):
    return RecordedHost(str(write_tree(parse_tree(TREE), tmp_path)))


def test_text(host):
    assert read_text(host, "/sys/word") == "word"
    assert read_text(host, "/sys/empty") is None
    assert read_text(host, "/sys/absent") is None


def test_numbers(host):
    assert read_int(host, "/sys/value") == 42
    assert read_int(host, "/sys/hex", base=16) == 31
    assert read_int(host, "/sys/word") is None
    assert read_int(host, "/sys/absent") is None
    assert read_number(host, "/sys/half") == 1.5
    assert [read_number(host, f"/sys/{name}") for name in ("word", "endless", "absent")] == [None, None, None]


def test_the_first_that_can_be_read(host):
    assert read_first(host, ("/sys/absent", "/sys/word", "/sys/value")) == b"word\n"
    assert read_first(host, ("/sys/absent",)) == b""


def test_reasons(host):
    assert reason_unread(host, "/sys/word") == ""
    assert reason_unread(host, "/sys/absent") == "not there"


def test_links(host):
    assert link_name(host, "/sys/driver") == "name"
    assert link_name(host, "/sys/broken") == ""
    assert link_name(host, "/sys/word") == ""
