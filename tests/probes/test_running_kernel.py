"""Probes against tools that read the same tree: under umockdev a described machine, and this machine's own PCI bus."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from burnin.host.real import RealHost
from burnin.probes import pci
from burnin.testing.machine_tree import Node, parse_tree

ROOT = Path(__file__).parents[2]
DESKTOP = ROOT / "tests" / "fixtures" / "machines" / "desktop-vr" / "tree.txt"
PROGRAM = """
import json, sys, msgspec
from burnin.host.real import RealHost
from burnin.probes import displays, graphics, pci, usb
parts = {m.PLUGIN.spec.part: m.PLUGIN.probe(RealHost()) for m in (displays, graphics, pci, usb)}
sys.stdout.buffer.write(msgspec.json.encode(parts))
"""
_DEVICE = re.compile(
    r"(/sys/devices/pci0000:00(?:/0000:[0-9a-f:.]+)+(?:/drm/card0(?:/card0-[^/]+)?|/usb\\d(?:/[\\d.-]+)*(?:/[\\d.-]+:1\\.0)?)?)/"
    .replace("\\\\", "\\")
)  # fmt: skip


def subsystem(path: str) -> str:
    if "/drm" in path:
        return "drm"
    return "usb" if "/usb" in path else "pci"


def described(nodes: tuple[Node, ...]) -> str:
    """The described machine as umockdev writes devices: P path, E property, A attribute, H binary attribute, L link."""
    devices: dict[str, list[str]] = {}
    for node in nodes:
        match = _DEVICE.match(node.path)
        if match is None or node.kind == "dir":
            continue
        path = match[1]
        name = node.path.removeprefix(path + "/")
        if name.startswith(("net/", "nvme/", "drm/")):
            continue
        parts = devices.setdefault(path, [])
        if node.kind == "link":
            parts.append(f"L: {name}={node.content.decode()}")
        elif name in {"edid", "bos_descriptors"}:
            parts.append(f"H: {name}={node.content.hex().upper()}")
        else:
            text = node.content.decode().rstrip("\n").replace("\\", "\\\\").replace("\n", "\\n")
            parts.append(f"A: {name}={text}\\n")
    text = ""
    for path in sorted(devices):
        kind = "E: DEVTYPE=usb_interface\n" if ":1.0" in path.rsplit("/", 1)[-1] else ""
        lines = "\n".join(devices[path])
        text += f"P: {path.removeprefix('/sys')}\nE: SUBSYSTEM={subsystem(path)}\n{kind}{lines}\n\n"
    return text


@pytest.fixture
def mocked(tmp_path):
    """Runs a command that sees the described machine instead of this one's."""
    file = tmp_path / "desktop.umockdev"
    file.write_text(described(parse_tree(DESKTOP.read_text())))

    def run(*command: str) -> str:
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        done = subprocess.run(
            ["umockdev-run", "-d", str(file), "--", *command],
            capture_output=True, text=True, env=environment, check=True, timeout=60,
        )  # fmt: skip
        return done.stdout

    return run


needs_umockdev = pytest.mark.skipif(shutil.which("umockdev-run") is None, reason="needs umockdev")


@pytest.mark.system
@needs_umockdev
def test_a_described_machine_is_seen_through_the_real_host(mocked):
    parts = json.loads(mocked(sys.executable, "-c", PROGRAM))
    connectors = parts["usb"]["connectors"]
    free = [item for item in connectors if "device" not in item and item.get("kind") == "hotplug"]
    fast = [item for item in free if item["speed_mbit_s"] >= 5000]
    assert len(fast) == 4
    assert len({item["controller"] for item in fast}) == 2
    headset = next(item for item in parts["displays"]["outputs"] if item["name"] == "card0-HDMI-A-1")
    assert (headset["display_name"], headset["max_tmds_mhz"]) == ("Headset One", 340.0)
    assert headset["timings"][0]["clock_mhz"] == 261.25
    card = next(item for item in parts["pci"]["devices"] if item["class_id"] == "030000")
    assert (card["width"], card["max_width"], card["parent_max_width"]) == (16, 16, 16)
    assert parts["graphics"]["cards"][0]["memory_bytes"] == 16 << 30


@pytest.mark.system
@needs_umockdev
@pytest.mark.skipif(shutil.which("lsusb") is None, reason="needs lsusb")
def test_usb_counts_agree_with_lsusb(mocked):
    shown = mocked("lsusb", "-t")
    usb = json.loads(mocked(sys.executable, "-c", PROGRAM))["usb"]
    roots = re.findall(r"^/: .*?, (\d+)M", shown, re.MULTILINE)
    assert len(roots) == sum(len(item["root_hubs"]) for item in usb["controllers"])
    lines = re.findall(r"^ +\|__ Port (\d+):.*?, ([\d.]+)M", shown, re.MULTILINE)
    expected = [(device["path"].split("-")[1], device["speed_mbit_s"]) for device in usb["devices"]]
    assert sorted((port, float(speed)) for port, speed in lines) == sorted(expected)


@pytest.mark.system
@pytest.mark.skipif(shutil.which("lspci") is None, reason="needs lspci")
def test_pci_devices_and_links_of_this_machine_agree_with_lspci():
    shown = subprocess.run(["lspci", "-D", "-n", "-vv"], capture_output=True, text=True, check=True).stdout
    blocks = [block for block in shown.strip().split("\n\n") if block]
    devices = {device.address: device for device in pci.PLUGIN.probe(RealHost()).devices}
    assert len(blocks) == len(devices)
    for block in blocks:
        address, kind, ids = block.split("\n", 1)[0].split(" ")[:3]
        device = devices[address]
        assert device.class_id.startswith(kind.rstrip(":"))
        assert f"{device.vendor_id}:{device.device_id}" == ids
        link = re.search(r"LnkSta:\s+Speed ([\d.]+)GT/s.*?, Width x(\d+)", block)
        if link and device.width:
            assert (device.speed_gts, device.width) == (float(link[1]), int(link[2]))
