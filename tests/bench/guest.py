"""The bench machine, running: a command shell inside, and hands on its hardware from outside.

Everything has a time limit. The guest's memory is a file, so that a bit can be flipped behind its back; its data disk
is a file that outlives resets; everything else is thrown away when it stops.
"""

from __future__ import annotations

import base64
import json
import mmap
import re
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Self

from build_image import Image

MODULES: Final = (
    "9pnet_virtio",
    "9p",
    "nvme",
    "xhci_pci",
    "virtio_gpu",
    "bochs",
    "usbhid",
    "button",
    "i2c_dev",
)
"""Drivers loaded at start, in this order: the numbers of cards and connectors depend on it."""

SETTABLE_SENSOR: Final = "1af4 1044"
_SENSOR_AT: Final = 0x800090A4
"""Configuration address of register 0xa4 of the device in slot 0x12: what k10temp reads its temperature from."""

_MEMORY_FOLDER: Final = Path("/dev/shm")
_BOOT_S: Final = 120.0


class GuestError(RuntimeError):
    """The bench machine did not answer, or answered wrongly."""


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What a command in the guest said.

    Attributes:
        code: Exit code.
        text: Output and errors together.
    """

    code: int
    text: str


@dataclass(kw_only=True)
class Build:
    """How the bench machine is put together.

    Attributes:
        image: Its files.
        folder: Working folder of this machine; what is exchanged with it lies in ``share``.
        memory_mib: Memory.
        data: Its data disk as ``-drive`` wants it; a file is made in the folder when empty.
        data_options: How the guest mounts it.
        cmdline: More words for its kernel.
        devices: More words for the emulator.
    """

    image: Image
    folder: Path
    memory_mib: int = 1536
    data: str = ""
    data_options: str = "noatime"
    cmdline: str = ""
    devices: Sequence[str] = field(default_factory=tuple)


def hardware(build: Build, memory: Path) -> list[str]:
    """Return the machine's parts: disks, USB 2.0 and 3.x with devices, a drive behind a PCIe port, two screens, SMBIOS."""
    image, folder = build.image, build.folder
    data = build.data or f"file={folder / 'data.img'},format=raw,cache=writeback"
    words = (
        "-machine q35,memory-backend=ram -accel tcg,thread=multi -cpu max,l3-cache=off -smp 2,sockets=1,cores=2,threads=1 "
        f"-m {build.memory_mib} -nodefaults -display none -no-user-config "
        f"-object memory-backend-file,id=ram,size={build.memory_mib}M,mem-path={memory},share=on "
        f"-kernel {image.kernel} -initrd {image.initrd} "
        f"-drive file={image.system},if=virtio,format=raw,snapshot=on "
        f"-drive file={image.program},if=virtio,format=raw,readonly=on "
        f"-drive {data},if=virtio "
        f"-virtfs local,path={folder / 'share'},mount_tag=share,security_model=none,id=share "
        f"-serial file:{folder / 'console.log'} "
        f"-chardev socket,id=shell,path={folder / 'shell.sock'},server=on,wait=off -serial chardev:shell "
        f"-qmp unix:{folder / 'qmp.sock'},server=on,wait=off "
        "-device pcie-root-port,id=port1,chassis=1,slot=1,x-speed=8,x-width=4 "
        f"-drive file={folder / 'drive.img'},if=none,id=drive,format=raw -device nvme,id=nvme0,drive=drive,serial=BENCH0001,bus=port1 "
        "-device qemu-xhci,id=xhci,p2=4,p3=4 "
        f"-drive file={folder / 'stick.img'},if=none,id=stick,format=raw -device usb-storage,id=usbstick,drive=stick,bus=xhci.0,port=1 "
        "-device usb-tablet,id=tablet,bus=xhci.0,port=2 -device usb-hub,id=hub,bus=xhci.0,port=3 "
        "-device virtio-vga,id=screens,max_outputs=2,edid=on,xres=1920,yres=1080 -device bochs-display,edid=on,xres=1280,yres=800 "
        "-device virtio-rng-pci,id=sensor,modern-pio-notify=on,disable-legacy=on,addr=0x12 "
    ).split()
    cards = (
        "type=0,vendor=Bench Firmware,version=1.02,date=03/14/2024",
        "type=1,manufacturer=Larkspur Bench Works,product=Virtual Compact,version=1,serial=VC-0001",
        "type=2,manufacturer=Larkspur Bench Works,product=VC Board,version=A,serial=VB-0001",
        "type=3,manufacturer=Larkspur Bench Works,version=1,serial=VCASE-1",
        "type=17,loc_pfx=DIMM,bank=A,manufacturer=Hollin Memory,serial=00C0FFEE,part=HM-3200-16,speed=3200",
    )
    for card in cards:
        words += ["-smbios", card]
    return [*words, *build.devices]


class Guest:
    """A bench machine.

    Args:
        build: How it is put together.
    """

    def __init__(self, build: Build) -> None:
        self.build = build
        self.folder = build.folder
        self.share = self.folder / "share"
        self.share.mkdir(parents=True, exist_ok=True)
        self.memory = _MEMORY_FOLDER / f"bench-{self.folder.name}-{time.monotonic_ns()}"
        self.boot_id = ""
        self._process: subprocess.Popen[bytes] | None = None
        self._heard = b""
        self._number = 0
        for name, size in (("drive.img", 256 << 20), ("stick.img", 16 << 20)):
            with (self.folder / name).open("wb") as file:
                file.truncate(size)
        if not build.data:
            self.make_data_disk(self.folder / "data.img", 256)

    @staticmethod
    def make_data_disk(path: Path, size_mib: int) -> None:
        """Write an empty ext4 file system unless one is there."""
        if not path.exists():
            command = ["/sbin/mke2fs", "-q", "-t", "ext4", "-m", "0", str(path), f"{size_mib}M"]
            subprocess.run(command, check=True, capture_output=True)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> float:
        """Switch it on and wait for its shell; return the seconds that took."""
        began = time.monotonic()
        cmdline = (
            f"console=ttyS0 quiet loglevel=4 bench.modules={','.join(MODULES)} bench.data={self.build.data_options} "
            f"{self.build.cmdline}"
        )
        command = [
            "setpriv", "--pdeathsig", "KILL", "nice", "-n", "5", "qemu-system-x86_64", *hardware(self.build, self.memory),
            "-append", cmdline.strip(),
        ]  # fmt: skip
        for name in ("shell.sock", "qmp.sock"):
            (self.folder / name).unlink(missing_ok=True)
        with (self.folder / "emulator.log").open("wb") as log:
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        self._shell = self._connect("shell.sock")
        self._qmp = self._connect("qmp.sock")
        self._qmp_heard = b""
        self._qmp_line(10)
        self.qmp("qmp_capabilities")
        self.wait_ready(_BOOT_S)
        return time.monotonic() - began

    def stop(self) -> None:
        """Pull its plug."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(timeout=30)
            self._shell.close()
            self._qmp.close()
            self._process = None
        self.memory.unlink(missing_ok=True)

    def _connect(self, name: str) -> socket.socket:
        until = time.monotonic() + 20
        while True:
            link = socket.socket(socket.AF_UNIX)
            try:
                link.connect(str(self.folder / name))
            except OSError:
                link.close()
                if time.monotonic() > until or self._process is None or self._process.poll() is not None:
                    raise GuestError(
                        f"no {name}: {(self.folder / 'emulator.log').read_text()[-800:]}"
                    ) from None
                time.sleep(0.05)
            else:
                return link

    def wait_ready(self, timeout_s: float) -> None:
        """Wait until its shell is there."""
        try:
            self.boot_id = self._line(lambda words: words[0] == "ready" and len(words) == 2, timeout_s)[1]
        except GuestError as error:
            console = (self.folder / "console.log").read_text("utf-8", "replace")[-1500:]
            raise GuestError(f"{error}; its console ends: {console}") from None

    def _line(self, wanted: Callable[[list[str]], bool], timeout_s: float) -> list[str]:
        until = time.monotonic() + timeout_s
        while True:
            line, cut, rest = self._heard.partition(b"\n")
            if cut:
                self._heard = rest
                words = line.decode("ascii", "replace").split()
                if words and wanted(words):
                    return words
                continue
            left = until - time.monotonic()
            if left <= 0:
                raise GuestError(f"no answer within {timeout_s:g} s")
            self._shell.settimeout(left)
            try:
                more = self._shell.recv(1 << 16)
            except TimeoutError:
                continue
            if not more:
                raise GuestError("the machine is gone")
            self._heard += more

    def run(self, command: str, *, timeout_s: float = 60.0) -> Answer:
        """Run a shell command inside and wait for its end."""
        self._number += 1
        number = str(self._number)
        text = base64.b64encode(command.encode())
        if len(text) > 3000:
            raise GuestError("command too long: put it into the share")
        self._shell.settimeout(10)
        self._shell.sendall(number.encode() + b" " + text + b"\n")
        try:
            words = self._line(lambda words: words[:2] == ["answer", number], timeout_s)
        except GuestError as error:
            raise GuestError(f"{command[:200]}: {error}") from None
        return Answer(
            code=int(words[2]), text=base64.b64decode("".join(words[3:])).decode("utf-8", "replace")
        )

    def check(self, command: str, *, timeout_s: float = 60.0) -> str:
        """Run a command that must end with 0; return its output."""
        answer = self.run(command, timeout_s=timeout_s)
        if answer.code:
            raise GuestError(f"{command[:200]} ended with {answer.code}: {answer.text[-1500:]}")
        return answer.text

    def begin(self, name: str, command: str) -> None:
        """Start a command in the background; its output goes to the share, its exit code to ``NAME.code``."""
        for suffix in ("code", "out"):
            (self.share / f"{name}.{suffix}").unlink(missing_ok=True)
        self.check(
            f"setsid sh -c '{{ {command}; }} >/share/{name}.out 2>&1; echo $? >/share/{name}.code' >/dev/null 2>&1 &"
        )

    def ended(self, name: str, *, timeout_s: float) -> Answer:
        """Wait for the end of a background command."""
        code = self.share / f"{name}.code"
        self.wait(
            lambda: code.exists() and code.read_text().strip() != "", f"end of {name}", timeout_s=timeout_s
        )
        return Answer(code=int(code.read_text()), text=self.said(name))

    def said(self, name: str) -> str:
        """Return what a background command has said so far."""
        path = self.share / f"{name}.out"
        return path.read_text("utf-8", "replace") if path.exists() else ""

    def wait(self, condition: Callable[[], object], what: str, *, timeout_s: float) -> Any:
        """Wait until a condition holds; return its value."""
        until = time.monotonic() + timeout_s
        while not (value := condition()):
            if self._process is None or self._process.poll() is not None:
                raise GuestError(f"the machine ended while waiting for {what}")
            if time.monotonic() > until:
                raise GuestError(f"no {what} within {timeout_s:g} s")
            time.sleep(0.2)
        return value

    def fetch(self, path: str, name: str) -> Path:
        """Copy a folder or file of the guest out of it; return where it lies."""
        target = self.share / name
        shutil.rmtree(target, ignore_errors=True)
        self.check(f"cp -r {path} /share/{name}")
        return target

    def _qmp_line(self, timeout_s: float) -> dict[str, Any]:
        until = time.monotonic() + timeout_s
        while b"\n" not in self._qmp_heard:
            self._qmp.settimeout(max(0.01, until - time.monotonic()))
            more = self._qmp.recv(1 << 16)
            if not more:
                raise GuestError("the machine is gone")
            self._qmp_heard += more
        line, _, self._qmp_heard = self._qmp_heard.partition(b"\n")
        return json.loads(line)

    def qmp(self, command: str, **arguments: object) -> Any:
        """Give the emulator an order; return its answer."""
        order = {"execute": command} | ({"arguments": arguments} if arguments else {})
        self._qmp.sendall(json.dumps(order).encode() + b"\n")
        while True:
            answer = self._qmp_line(20)
            if "error" in answer:
                raise GuestError(f"{command} {arguments}: {answer['error'].get('desc')}")
            if "return" in answer:
                return answer["return"]

    def monitor(self, line: str) -> str:
        """Give the emulator an order in its own words; return what it says."""
        return str(self.qmp("human-monitor-command", **{"command-line": line})).strip()

    def reset(self) -> None:
        """Press its reset button and wait for its shell."""
        before = self.boot_id
        self._heard = b""
        self.qmp("system_reset")
        self.wait_ready(_BOOT_S)
        if self.boot_id == before:
            raise GuestError("it did not start again")

    def add_processor_sensor(self, temp_c: float) -> str:
        """Let the kernel's driver for processor temperatures take the settable device; return its hwmon folder."""
        self.set_temperature(temp_c)
        self.check(
            "modprobe hwmon; d=$(for e in /sys/bus/pci/devices/*; do [ $(cat $e/vendor)$(cat $e/device) = 0x1af40x1044 ] && basename $e; done); "
            "echo k10temp > /sys/bus/pci/devices/$d/driver_override; "
            "[ -e /sys/bus/pci/devices/$d/driver ] && echo $d > /sys/bus/pci/devices/$d/driver/unbind; "
            f"modprobe k10temp; echo {SETTABLE_SENSOR} > /sys/bus/pci/drivers/k10temp/new_id; "
            "[ -e /sys/bus/pci/devices/$d/driver ] || echo $d > /sys/bus/pci/drivers/k10temp/bind; ls /sys/bus/pci/devices/$d/hwmon"
        )
        return self.check("dirname $(grep -l k10temp /sys/class/hwmon/*/name)").strip()

    def warm(self) -> None:
        """Let the guest read the program once: unpacking it takes the emulated processor longer than any run's patience."""
        self.check(
            "cd /; PYTHONPATH=/opt/burnin python3 -c 'import numpy, psutil, burnin.cli.accept, burnin.engine.child'; burnin catalog",
            timeout_s=90,
        )

    def set_temperature(self, temp_c: float) -> None:
        """Set what the processor's sensor shows, in steps of 0.125 degC."""
        self.monitor(f"o /w 0xcf8 {_SENSOR_AT:#x}")
        self.monitor(f"o /w 0xcfc {int(temp_c * 8) << 21:#x}")

    def flip_bit(self, physical: int, *, bit: int) -> None:
        """Flip one bit of the guest's memory behind its back.

        Args:
            physical: Physical address of a 64-bit word; the memory's file has the same order below 2 GiB.
            bit: Bit of the word, 0 to 63.
        """
        with self.memory.open("r+b") as file, mmap.mmap(file.fileno(), 0) as memory:
            memory[physical + bit // 8] ^= 1 << bit % 8

    def console(self) -> str:
        """Return what its kernel printed on the first serial port."""
        return re.sub(r"\r", "", (self.folder / "console.log").read_text("utf-8", "replace"))
