from __future__ import annotations

import os

import pytest

from burnin.errors import InputError
from burnin.host.simulated import SimulatedClock, SimulatedHost
from burnin.host.stick import FILE, PIECE_BYTES, read_known, usb_path_of, write_known


@pytest.fixture
def clock() -> SimulatedClock:
    return SimulatedClock(tick_ns=1_000_000)


def test_what_was_written_is_read_back(tmp_path, clock) -> None:
    write_known(tmp_path, pieces=2)
    seen = read_known(tmp_path, clock, pieces=2)
    assert (seen.right, seen.detail) == (True, "")
    assert seen.rate_mb_s > 0
    first = (tmp_path / FILE).stat().st_mtime_ns
    write_known(tmp_path, pieces=2)
    assert (tmp_path / FILE).stat().st_mtime_ns == first


def test_one_flipped_bit_is_found(tmp_path, clock) -> None:
    write_known(tmp_path, pieces=2)
    data = bytearray((tmp_path / FILE).read_bytes())
    data[PIECE_BYTES + 17] ^= 4
    (tmp_path / FILE).write_bytes(data)
    seen = read_known(tmp_path, clock, pieces=2)
    assert (seen.right, seen.detail) == (False, "1 of 2 MiB differ from what was written")
    (tmp_path / FILE).write_bytes(data[:100])
    assert read_known(tmp_path, clock, pieces=2).detail.startswith("2 of 2")


def test_a_stick_without_the_file_or_without_room(tmp_path, clock) -> None:
    assert read_known(tmp_path, clock).detail == "no such file or directory"
    with pytest.raises(InputError, match="--stick .*: no such file or directory"):
        write_known(tmp_path / "gone")


def test_where_a_folder_hangs(tmp_path) -> None:
    host = SimulatedHost()
    device = tmp_path.stat().st_dev
    place = f"/sys/dev/block/{os.major(device)}:{os.minor(device)}"
    assert usb_path_of(tmp_path, host) == ""
    usb = "/sys/devices/pci0000:00/0000:00:14.0/usb2/2-1/2-1.4/2-1.4:1.0/host6/target6:0:0/6:0:0:0/block/sda/sda1"
    host._links[place] = usb
    host.set_file(f"{usb}/dev", b"8:1\n")
    assert usb_path_of(tmp_path, host) == "2-1.4"
    assert usb_path_of(tmp_path / "gone", host) == ""
