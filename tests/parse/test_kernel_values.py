"""One-value files of the kernel."""

from __future__ import annotations

import pytest

from burnin.errors import ParseError
from burnin.parse.kernel_values import (
    parse_assignments,
    parse_cpu_list,
    parse_hex_id,
    parse_link_speed,
    parse_size,
)


@pytest.mark.parametrize(
    ("text", "cpus"),
    [("0-3,8\n", (0, 1, 2, 3, 8)), ("", ()), ("5", (5,)), ("2,0-1", (0, 1, 2)), ("8191", (8191,))],
)
def test_cpu_lists(text, cpus):
    """Lists as Documentation/admin-guide/cputopology.rst writes them."""
    assert parse_cpu_list(text) == cpus


@pytest.mark.parametrize("text", ["a", "3-1", "8192", "0-99999", "1-", "-1", "\u0661"])
def test_what_is_no_cpu_list(text):
    with pytest.raises(ParseError, match="CPU list, range"):
        parse_cpu_list(text)


def test_sizes():
    assert [parse_size(text) for text in ("32K", "1024K\n", "12", "3M", "1G")] == [
        32768, 1048576, 12, 3145728, 1073741824,
    ]  # fmt: skip
    with pytest.raises(ParseError, match="cache size"):
        parse_size("32 KiB")


@pytest.mark.parametrize(
    ("text", "speed"),
    [
        ("8.0 GT/s PCIe\n", 8.0),
        ("2.5 GT/s", 2.5),
        ("64.0 GT/s PCIe", 64.0),
        ("Unknown", None),
        ("Unknown speed", None),
    ],
)
def test_link_speeds(text, speed):
    """Texts of drivers/pci/probe.c, pci_speed_string."""
    assert parse_link_speed(text) == speed


def test_what_is_no_link_speed():
    with pytest.raises(ParseError, match="PCI link speed"):
        parse_link_speed("fast")


def test_ids():
    assert parse_hex_id("0x10DE\n", digits=4) == "10de"
    assert parse_hex_id("3", digits=4) == "0003"
    for text in ("", "0x", "12345", "xyz"):
        with pytest.raises(ParseError, match="device id"):
            parse_hex_id(text, digits=4)


def test_assignments():
    text = '# note\nPRETTY_NAME="A system 12"\nID=\'a\'\nODD="\nEMPTY=\nno value\n=x\n'
    assert parse_assignments(text) == {"PRETTY_NAME": "A system 12", "ID": "a", "ODD": '"', "EMPTY": ""}
