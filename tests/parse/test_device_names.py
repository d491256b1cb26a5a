"""Names from hwdata files, by search."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from burnin.parse.device_names import parse_device_names, parse_maker_names

IDS = b"""#\tcomment
1234  First Maker
\t0001  One
\t\t1111 2222  Sub one
\t0002  Two
abcd  Second Maker
\t0001  Other one
C 03  Display controller
\t0003  Not a device
"""


def test_vendor_and_device():
    names = parse_device_names(IDS, [("1234", "0001"), ("abcd", "0001"), ("abcd", "0002"), ("ffff", "0001")])
    assert names.best("1234", "0001") == "First Maker One"
    assert names.best("abcd", "0001") == "Second Maker Other one"
    assert names.best("abcd", "0002") == "Second Maker abcd:0002"
    assert names.best("ffff", "0001") == "ffff:0001"


def test_a_device_of_the_next_vendor_or_of_a_class_is_not_taken():
    names = parse_device_names(IDS, [("abcd", "0003"), ("1234", "0003")])
    assert names.devices == {}


def test_no_file_leaves_raw_ids():
    assert parse_device_names(b"", []).best("", "") == "device without ids"
    assert parse_device_names(b"", [("1234", "0001")]).best("1234", "0001") == "1234:0001"


def test_the_last_vendor_ends_with_the_file():
    assert (
        parse_device_names(b"1234  Last\n\t0001  One\n", [("1234", "0001")]).best("1234", "0001")
        == "Last One"
    )


def test_display_makers():
    assert parse_maker_names(b"ABC\tA Maker\nXYZ\tX Maker\n", ["ABC", "???", "QQQ"]) == {"ABC": "A Maker"}


@pytest.mark.system
@pytest.mark.skipif(shutil.which("lspci") is None, reason="needs lspci")
def test_agrees_with_lspci_on_every_device_of_a_vendor(tmp_path):
    """A dump of invented devices with real ids, shown by lspci with the same file of names."""
    data = Path("/usr/share/misc/pci.ids").read_bytes()
    devices = [f"{number:04x}" for number in range(0x1E00, 0x1E80)]
    names = parse_device_names(data, [("10de", device) for device in devices])
    dump = tmp_path / "dump"
    rows = ["".join(f"{offset:02x}:" + " 00" * 16 + "\n" for offset in (0x10, 0x20, 0x30))] * len(devices)
    dump.write_text(
        "".join(
            f"{slot:02x}:00.0 Device\n00: de 10 {device[2:]} {device[:2]}" + " 00" * 12 + f"\n{rest}\n"
            for slot, (device, rest) in enumerate(zip(devices, rows, strict=True))
        )
    )
    command = ["lspci", "-F", str(dump), "-i", "/usr/share/misc/pci.ids", "-vmm"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    shown = {
        row["Slot"]: row["Device"]
        for row in (
            dict(line.split(":\t", 1) for line in part.splitlines())
            for part in done.stdout.strip().split("\n\n")
        )
    }
    assert len(shown) == len(devices)
    assert len(names.devices) >= 10
    places = {device: f"{slot:02x}:00.0" for slot, device in enumerate(devices)}
    ours = {places[device]: name for (_, device), name in names.devices.items()}
    # lspci also asks the hardware data base of udev, so only names of the file can be held against it
    assert {place: shown[place] for place in ours} == ours
