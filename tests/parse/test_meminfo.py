"""Memory as the kernel counts it, and the file system table."""

from __future__ import annotations

import pytest

from burnin.errors import ParseError
from burnin.parse.meminfo import parse_file_systems, parse_meminfo
from burnin.records.inventory import FileSystem

DF = """Filesystem     1024-blocks      Used Available Capacity Mounted on
/dev/nvme0n1p2   959786032 412345678 498613212      46% /
tmpfs             16384000         0  16384000       0% /dev/shm
/dev/sda1             1000      2000      -500     100% /mnt/two words
"""


def test_meminfo():
    info = parse_meminfo("MemTotal:  1024 kB\nSwapTotal: 2 kB\nSwapFree: 1 kB\nHugePages_Total: 0\nodd\n")
    assert (info.total_bytes, info.swap_total_bytes, info.swap_free_bytes) == (1 << 20, 2048, 1024)


def test_meminfo_without_a_total():
    with pytest.raises(ParseError, match="MemTotal"):
        parse_meminfo("MemFree: 1 kB\n")


def test_file_systems_on_devices():
    """POSIX df -P: blocks of 1024 bytes with -k; available can be below zero for ordinary users."""
    assert parse_file_systems(DF) == (
        FileSystem(
            mount="/", device="/dev/nvme0n1p2", size_bytes=959786032 << 10, free_bytes=498613212 << 10
        ),
        FileSystem(mount="/mnt/two words", device="/dev/sda1", size_bytes=1000 << 10, free_bytes=0),
    )


def test_no_table_is_an_error():
    with pytest.raises(ParseError, match="file system table"):
        parse_file_systems("df: no such command\n")
