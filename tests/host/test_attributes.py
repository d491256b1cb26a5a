from __future__ import annotations

import pytest

from burnin.host.attributes import link_name, read_first, read_int, read_number, read_text, reason_unread
from burnin.host.simulated import SimulatedHost


@pytest.fixture
def host():
    host = SimulatedHost()
    for name, content in {
        "text": b" two words \0\n", "empty": b"\n", "int": b"42\n", "hex": b"0x2a\n", "float": b"1.5\n",
        "infinite": b"inf\n", "not_a_number": b"nan\n", "bytes": b"\xff\n",
    }.items():  # fmt: skip
        host.set_file(f"/x/{name}", content)
    return host


def test_text_is_stripped_and_nothing_is_none(host):
    assert read_text(host, "/x/text") == "two words"
    assert read_text(host, "/x/empty") is None
    assert read_text(host, "/x/gone") is None
    assert read_text(host, "/x/bytes") == "\N{REPLACEMENT CHARACTER}"


def test_numbers_are_numbers_or_none(host):
    assert read_int(host, "/x/int") == 42
    assert read_int(host, "/x/hex", base=16) == 42
    assert read_number(host, "/x/float") == 1.5
    for name in ("text", "gone", "empty"):
        assert read_int(host, f"/x/{name}") is None
        assert read_number(host, f"/x/{name}") is None
    assert read_number(host, "/x/infinite") is None
    assert read_number(host, "/x/not_a_number") is None


def test_the_first_readable_file_wins(host):
    assert read_first(host, ("/x/gone", "/x/int", "/x/hex")) == b"42\n"
    assert read_first(host, ("/x/gone",)) == b""


def test_reasons_and_links(host):
    assert reason_unread(host, "/x/gone") == "not there"
    assert reason_unread(host, "/x/int") == ""
    assert link_name(host, "/sys/class/drm/card0") == "card0"
    assert link_name(host, "/sys/class/hwmon/hwmon2") == "hwmon2"
    assert link_name(host, "/x/int") == ""
    assert link_name(host, "/x/gone") == ""
