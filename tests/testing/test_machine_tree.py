"""Described machines: text to folders and back."""

from __future__ import annotations

import pytest

from burnin.errors import InputError
from burnin.host.recorded import RecordedHost
from burnin.testing.machine_tree import Node, describe, file_node, parse_tree, write_tree

TEXT = """
# a comment
dir /sys/class/drm
link /sys/class/net/eth0 -> ../../devices/eth0
text /sys/devices/eth0/speed = "1000\\n"
hex /sys/devices/eth0/blob = 00ff
hex /sys/devices/eth0/empty =
"""


def test_a_description_becomes_folders_a_host_can_read(tmp_path):
    host = RecordedHost(str(write_tree(parse_tree(TEXT), tmp_path)))
    assert host.read("/sys/class/net/eth0/speed") == b"1000\n"
    assert host.read("/sys/devices/eth0/blob") == b"\x00\xff"
    assert host.read("/sys/devices/eth0/empty") == b""
    assert host.resolve("/sys/class/drm") == "/sys/class/drm"


def test_describing_and_parsing_are_inverse():
    nodes = parse_tree(TEXT)
    assert sorted(parse_tree(describe(nodes)), key=lambda node: node.path) == sorted(
        nodes, key=lambda node: node.path
    )


@pytest.mark.parametrize(
    "line",
    [
        "nonsense",
        "dir relative",
        "dir /a/../b",
        "link /a",
        "text /a",
        "text /a = unquoted",
        "hex /a = xyz",
        "hex /a",
    ],
)
def test_a_bad_line_is_named_with_its_number(line):
    with pytest.raises(InputError, match="line 2"):
        parse_tree(f"dir /sys\n{line}\n", name="bench")


def test_text_and_bytes_are_told_apart():
    assert file_node("/a", b"plain\n").kind == "text"
    assert file_node("/a", b"\x00\x01").kind == "hex"
    assert file_node("/a", b"\xff").kind == "hex"
    assert file_node("/a", b"x") == Node(path="/a", kind="text", content=b"x")
